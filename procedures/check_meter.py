"""The meter and its log: zero, noise, mains hum, time base, memory, step response, and relays that move meanwhile."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from drivers.bare_bus import BareBus, BareLog
from drivers.meter import Count
from procedures.check_settings import CheckSettings
from results.analysis.check.check_rule import judged, open_item
from results.analysis.trace.reading import read_trace
from results.record.check import CheckItem
from results.record.trace import Trace

FloatArray = NDArray[np.float64]

GROUNDED_S = 1.0
"""Bench seconds logged on the grounded bus: 50 cycles of the mains, and 1 Hz of resolution."""

LONG_LOG_S = 10.0
"""Bench seconds that the log lasts by which the time base is told: a host's clock is good to milliseconds."""

LONGEST_S = 60.0
"""No check of the memory lasts longer; a larger memory is filled in part."""

UNSTATED_MEMORY = 2000
COUNTS = 12
TIME_BASE = 0.01
"""By how much the sample interval may be off, relative: time constants and release times are off by as much."""

INTERVAL_TAKEN = 0.01
MAINS_HZ = (40.0, 70.0)
HUM_SEEN = 12.0
"""Of the power of white noise at one frequency: by chance reached at one of a hundred frequencies in 2 of 1000 logs."""

FOLLOWS = 2.197
"""ln 9: from 10 % to 90 % of an exponential, in time constants."""

MOVES_S = 4.0
"""Bench seconds in which TOGGLES moves of a relay have time, however slow the wire."""

MOVES_SAMPLES = 2000
ATTEMPTS = 3
TOO_SLOW = "this computer, or the wire, was too slow for the log"
TOGGLES = 4
BOUNCE_S = 5e-3
"""A contact that opens and closes again within this time has bounced; real ones do so for 3 ms at most."""


@dataclass(frozen=True)
class Timing:
    """Of a log: seconds between samples, how many, and the aperture of each."""

    interval_s: float
    samples: int
    aperture_s: float


def meter_at_zero(bus: BareBus, settings: CheckSettings) -> list[CheckItem]:
    """Zero, noise and hum of the meter on the grounded bus, at the run's own interval and aperture."""
    names = ("meter zero", "meter noise", "line frequency")
    ground = next(iter(settings.leading_to("ground")), None)
    if ground is None:
        return [open_item(name, "no relay leads from the bus to ground") for name in names]
    with bus.closed(ground):
        log = bus.log(settings.interval_s, settings.samples(GROUNDED_S), settings.aperture_s)
    return judge_zero(log.readings.time_s, log.readings.voltage_v, settings)


def judge_zero(time_s: FloatArray, voltage_v: FloatArray, settings: CheckSettings) -> list[CheckItem]:
    """What a log of the grounded bus, both of shape (n,), says of the meter."""
    if np.isnan(voltage_v).any():
        return [judged("meter zero", None, "V", note="the meter is overloaded though the bus is grounded")]
    mean_v = float(voltage_v.mean())
    hertz, hum, power = strongest_hum(time_s, voltage_v - mean_v)
    rest = voltage_v - mean_v - (hum if power > HUM_SEEN else 0.0)
    noise_v = float(rest.std(ddof=1))
    limit_v = settings.meter.accuracy_v
    zero = judged("meter zero", mean_v, "V", noise_v / math.sqrt(len(rest)), low=-limit_v, high=limit_v)
    spread = judged(
        "meter noise", noise_v, "V", noise_v / math.sqrt(2.0 * len(rest)), high=settings.noise_v,
        note=f"of one sample, rms, aperture {settings.aperture_s * 1e3:g} ms, hum taken out",
    )  # fmt: skip
    return [zero, spread, _line(hertz, float(np.abs(hum).max()), power, settings.meter.line_hz)]


def _line(hertz: float, amplitude_v: float, power: float, set_hz: float | None) -> CheckItem:
    if not MAINS_HZ[0] <= (set_hz or 50.0) <= MAINS_HZ[1]:
        return open_item("line frequency", f"hum is looked for from {MAINS_HZ[0]:g} to {MAINS_HZ[1]:g} Hz only", "Hz")
    if power <= HUM_SEEN:
        return open_item("line frequency", "no hum stands out, so that nothing shows it", "Hz")
    note = f"hum of {amplitude_v * 1e3:.2g} mV"
    if set_hz is None:
        return CheckItem(
            "line frequency", "not applicable", hertz, "Hz", 0.1, note=f"{note}; bench.line_frequency is not stated"
        )
    return judged("line frequency", hertz, "Hz", 0.1, low=set_hz - 1.0, high=set_hz + 1.0, note=note)


def strongest_hum(time_s: FloatArray, voltage_v: FloatArray) -> tuple[float, FloatArray, float]:
    """The sine of 40 to 70 Hz that takes most out of a log of no mean: hertz, the sine, and its power.

    The power is that of the Lomb-Scargle periodogram, exponentially distributed with mean 1 for white noise (J. D.
    Scargle, Astrophysical Journal 263 (1982) 835).
    """
    best = (MAINS_HZ[0], np.zeros_like(voltage_v), 0.0)
    variance = float(voltage_v.var()) or math.inf
    for hertz in np.arange(MAINS_HZ[0], MAINS_HZ[1] + 0.05, 0.1):
        phase = 2.0 * math.pi * hertz * time_s
        columns = np.column_stack((np.cos(phase), np.sin(phase)))
        fitted = columns @ np.linalg.lstsq(columns, voltage_v, rcond=None)[0]
        taken = float(fitted @ fitted)
        power = taken / (2.0 * max(variance - taken / len(voltage_v), 1e-3 * variance))
        if power > best[2]:
            best = (float(hertz), fitted, power)
    return best


def long_log(bus: BareBus, settings: CheckSettings) -> list[CheckItem]:
    """A log as long as the memory, counted against the host's clock: interval as taken, time base, memory."""
    wanted = settings.memory or UNSTATED_MEMORY
    interval_s = max(settings.interval_s, LONG_LOG_S / wanted)
    samples = min(wanted, int(LONGEST_S / interval_s))
    log = bus.log(interval_s, samples, interval_s / 2.0, counts=COUNTS)
    off = log.interval_s / log.asked_s - 1.0
    taken = judged(
        "interval read back", off, "", low=-INTERVAL_TAKEN, high=INTERVAL_TAKEN, note="relative to what was asked for"
    )
    filled = f"{len(log.readings)} samples of {log.interval_s * 1e3:g} ms"
    if settings.memory is None:
        memory = CheckItem(
            "meter memory",
            "not applicable",
            len(log.readings),
            note=f"meter.memory is not stated; {filled} were logged",
        )
    else:
        part = "" if samples == settings.memory else f"; filled in part: no log of more than {LONGEST_S:g} s is made"
        memory = judged("meter memory", len(log.readings), "", low=samples, high=samples, note=filled + part)
    return [taken, judge_time_base(log.counts, log.interval_s), memory]


def judge_time_base(counts: Sequence[Count], interval_s: float) -> CheckItem:
    """The meter's sample interval against the host's clock, relative, from its counts while a log was running.

    Each count fell between two looks at the clock: the interval lies between the bounds that all pairs leave.
    """
    name, (first, *others) = "time base", counts
    shortest_s, longest_s = 0.0, math.inf
    for later in others:
        samples = later.samples - first.samples
        if samples > 1:
            shortest_s = max(shortest_s, (later.before_s - first.after_s) / (samples + 1.0))
            longest_s = min(longest_s, (later.after_s - first.before_s) / (samples - 1.0))
    if not 0.0 < shortest_s <= longest_s < math.inf:
        return open_item(name, "the counts of a long log do not tell it")
    middle = 0.5 * (shortest_s + longest_s) / interval_s - 1.0
    half = 0.5 * (longest_s - shortest_s) / interval_s
    note = "sample interval against this computer's clock, relative"
    return judged(name, middle, "", half / math.sqrt(3.0), low=-TIME_BASE, high=TIME_BASE, note=note)


def step_response(bus: BareBus, settings: CheckSettings) -> list[CheckItem]:
    """The bus let go with the smallest trial resistor on it falls in microseconds: what the log shows is the meter."""
    name, load = "step response", settings.load()
    way = next(iter(settings.leading_to("rail")), None)
    if load is None or way is None:
        return [open_item(name, "a step needs a relay to the rail and a resistor to ground", "s")]
    with bus.closed(load, way):
        held_v = bus.read()
    log = released_log(bus, settings, (load, way))
    if log is None:
        return [open_item(name, TOO_SLOW, "s")]
    if held_v < 0.1 * settings.press.rail_v:
        return [open_item(name, f"the bus came to {held_v:.3f} V only: no rail", "s")]
    found = read_trace(
        Trace(log.readings.time_s, log.readings.voltage_v),
        rail_v=held_v, levels=settings.levels, meter=settings.meter, allowed_s=settings.press.log_s, hold_v=held_v,
    )  # fmt: skip
    decay = found.decay
    if decay is None or decay.time_constant_s is None:
        return [open_item(name, found.problem or (decay.reason if decay else "no edge") or "no edge", "s")]
    finest_s = max(settings.interval_s, settings.aperture_s)
    high_s = min(max(1.25 * settings.meter.step_s, 2.5 * finest_s), 0.1 * settings.press.log_s)
    note = f"10 to 90 %{', an upper bound: the log shows no finer' if decay.is_upper_bound else ''}"
    return [judged(name, FOLLOWS * decay.time_constant_s, "s", FOLLOWS * (decay.u_s or 0.0), high=high_s, note=note)]


def released_log(
    bus: BareBus, settings: CheckSettings, wires: Sequence[str], timing: Timing | None = None
) -> BareLog | None:
    """A log of the bus with these relays closed, the last of which opens a little after its start, as in a trial.

    None where the computer let go too late for the log, ATTEMPTS times: then it would not show how the bus falls.
    """
    press, way = settings.press, wires[-1]
    timing = timing or Timing(
        settings.interval_s, settings.samples(press.log_before_s + press.log_s + press.slack_s), settings.aperture_s
    )
    for _ in range(ATTEMPTS):
        opened: list[float] = []

        def let_go(opened: list[float] = opened) -> None:
            bus.clock.wait(press.log_before_s)
            bus.open(way)
            opened.append(bus.clock.now())

        with bus.closed(*wires[:-1]):
            began_s, log = _logged(bus, settings, way, timing, let_go)
        if opened[0] - began_s <= timing.samples * timing.interval_s - press.log_s:
            return log
    return None


def _logged(
    bus: BareBus, settings: CheckSettings, way: str, timing: Timing, let_go: Callable[[], None]
) -> tuple[float, BareLog]:
    with bus.forced(settings.press.rail_v) if way == "source" else bus.closed(way):
        return bus.clock.now(), bus.log(timing.interval_s, timing.samples, timing.aperture_s, during=let_go)


def meter_beside_relays(bus: BareBus, settings: CheckSettings) -> list[CheckItem]:
    """A log while a relay closes and opens: every move must stand in it, and every sample."""
    name, load = "meter while relays move", settings.load()
    ways = settings.leading_to("rail")
    if load is None or not ways:
        return [open_item(name, "needs a relay to the rail and a resistor to ground")]
    way = "rail" if "rail" in ways else ways[0]
    # All the while the rail is on the bus: no longer than a press may last.
    lasts_s = min(MOVES_S, 0.5 * settings.press_time_s)
    interval_s = max(settings.interval_s, lasts_s / MOVES_SAMPLES)
    timing = Timing(interval_s, int(lasts_s / interval_s), settings.aperture_s)
    moved: list[float] = []
    with bus.closed(way):
        open_v = bus.read()
        began_s = bus.clock.now()
        toggled = partial(_toggled, bus, load, moved)
        log = bus.log(timing.interval_s, timing.samples, timing.aperture_s, during=toggled)
    if moved[-1] - began_s > timing.samples * timing.interval_s:
        return [open_item(name, TOO_SLOW)]
    return [judge_moves(log.readings.time_s, log.readings.voltage_v, open_v, timing.samples)]


def _toggled(bus: BareBus, load: str, moved: list[float]) -> None:
    for _ in range(TOGGLES):
        # The open bus comes first: a meter that takes milliseconds to its first sample would miss the first closing.
        bus.clock.wait(0.02)
        with bus.closed(load):
            bus.clock.wait(0.02)
        moved.append(bus.clock.now())


def judge_moves(time_s: FloatArray, voltage_v: FloatArray, open_v: float, samples: int) -> CheckItem:
    """Whether a log of `samples` shows TOGGLES falls of the bus, each lasting longer than a contact bounces."""
    name = "meter while relays move"
    if open_v < 0.1:
        return open_item(name, f"the bus stands at {open_v:.3f} V: no rail, no move could be seen")
    low_v = float(np.nanmin(voltage_v))
    down = voltage_v < 0.5 * (open_v + low_v)
    falls, rises = time_s[1:][down[1:] & ~down[:-1]], time_s[1:][~down[1:] & down[:-1]]
    # A contact that bounces while it opens lets the bus rise for a moment: the closing goes on.
    bounces = sum(bool(((rises < fall) & (rises > fall - BOUNCE_S)).any()) for fall in falls)
    seen = len(falls) - bounces if low_v < 0.97 * open_v else 0
    note = f"{len(time_s)} of {samples} samples; how often a resistor to ground was seen to close"
    return judged(name, float(seen), "", low=TOGGLES, high=TOGGLES, note=note)
