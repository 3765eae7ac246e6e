"""Is the bus what the bench file says? Read with no pin on it: welded and dead relays show there before they mislead.

A second pin kept on the bus by a welded select relay, a trial resistor that never leaves it or never comes, a rail that
is off: each gives a trace that looks like any other. With nothing selected each shows at once.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.bench import Bench
from drivers.errors import WiringError
from drivers.ways_to_rail import BusLook
from drivers.wiring import Wiring
from procedures.settings import PressSettings
from results.quantity import show
from results.record.trial import Trial

RAIL_AGE_S = 30.0
"""Bench seconds for which a reading of the rail, and all that was seen of the bus with it, is relied upon."""

ALONE_SHARE = 0.1
"""Let go, the bus must be below this share of the rail."""

REACHED_SHARE = 0.5
"""A relay that leads to the rail, and shows less than this share of what another one shows, does not close."""

LOAD_SHARE = 0.003
"""What a bus with nothing on it may take off a reading through a resistor: 10 kΩ and 3 MΩ."""

LEAST_LOAD_OHM = 3e6
"""A bus with nothing but the meter on it must look like more than this."""

FITTED_SHARE = 0.1
"""How far a trial resistor in place may be off: enough for tolerances, too little for another resistor of a series."""


def bus_label(trial: Trial) -> str:
    """What the meter's display shows while the bus is looked at, or the rail measured, for the trials of a pin under a
    rail and temperature: the same text whenever that is done."""
    condition = trial.condition
    at = [] if condition.rail_v is None else [show(condition.rail_v, "V")]
    at += [] if condition.temperature_c is None else [show(condition.temperature_c, "°C")]
    return " ".join(["bus for", trial.pin, *at])


def check_bus(bench: Bench, settings: PressSettings, resistors: Sequence[str] = ()) -> None:
    """Look at the bus with no pin on it, and at each of these switched trial resistors alone.

    Does nothing where only a person could take something off the bus, nor where a person presses, whose clip may stay
    on it. Pin and resistor are put back. Raises WiringError where the bus is not what the bench file says.
    """
    if settings.path == "hand" or not bench.bus_can_be_freed:
        return
    source_v = settings.rail_v if settings.press_to == "ground" else settings.press_v or settings.rail_v
    by_source = settings.path == "source" and bench.source is not None and bench.wiring.source is not None
    judge_bus(bench.look_at_bus(resistors, source_v if by_source else None), bench.wiring, settings)


def judge_bus(look: BusLook, wiring: Wiring, settings: PressSettings) -> None:
    """Raises WiringError for the first thing that is not as it must be; what cannot be told is not judged."""
    if settings.press_to == "rail":
        _ways_agree(look, wiring, settings)
    else:
        _within_tolerance(look, wiring, settings)
        _press_closes(look, wiring, settings)
    _draws_nothing(look, settings)
    _within_tolerance(look, wiring, settings)
    _falls_alone(look, settings)
    for name, volts in look.fitted_v.items():
        _is_in_place(name, volts, look, wiring, settings)


def _ways_agree(look: BusLook, wiring: Wiring, settings: PressSettings) -> None:
    """Two resistors of different value show the same rail only where nothing loads the bus."""
    if look.rail_v is None or look.press_v is None or wiring.rail_ohm is None or wiring.press_ohm is None:
        return
    by_rail, by_press = (
        _behind(volts, ohm, settings)
        for volts, ohm in ((look.rail_v, wiring.rail_ohm), (look.press_v, wiring.press_ohm))
    )
    if by_rail > 0.0 and by_press < REACHED_SHARE * by_rail:
        raise WiringError(
            f"wiring.press: closed with no pin on the bus it shows {by_press:.3f} V, wiring.rail {by_rail:.3f} V: the "
            "press relay does not close"
        )
    if abs(by_press - by_rail) <= _slack_v(by_press, settings):
        return
    loading = by_press > by_rail and wiring.rail_ohm > wiring.press_ohm
    what = ": something is on the bus that should not be" if loading else ""
    size = ""
    if loading and (drop := wiring.rail_ohm * by_rail - wiring.press_ohm * by_press) > 0.0:
        # Kirchhoff for both ways: V = V_rail / (1 + R G), solved for 1/G.
        size = f", about {show(drop / (by_press - by_rail), 'Ω', 2)} to ground"
    if by_rail < REACHED_SHARE * by_press and not size:
        what = ": the rail relay does not close"
    raise WiringError(
        f"wiring: with no pin on it the bus stands at {by_rail:.3f} V through wiring.rail and at {by_press:.3f} V "
        f"through wiring.press, which must agree{what}{size} (a welded select, fit or discharge relay?)"
    )


def _press_closes(look: BusLook, wiring: Wiring, settings: PressSettings) -> None:
    """Press and rail relay together make a divider of the rail; without a rail relay a press to ground shows 0 V."""
    if look.press_v is None or wiring.press_ohm is None:
        return
    slack_v = 4.0 * settings.accuracy_v
    if look.rail_v is None or wiring.rail_ohm is None:
        if abs(look.press_v) > slack_v:
            raise WiringError(
                f"wiring.press: closed with no pin on the bus it shows {look.press_v:.3f} V, must show 0 V: the press "
                "relay does not close, or something else drives the bus"
            )
        return
    rail_v = _behind(look.rail_v, wiring.rail_ohm, settings)
    divided_v = rail_v * wiring.press_ohm / (wiring.press_ohm + wiring.rail_ohm)
    if abs(look.press_v - divided_v) > FITTED_SHARE * divided_v + slack_v:
        what = "the press relay does not close" if look.press_v > REACHED_SHARE * rail_v else "something is on the bus"
        raise WiringError(
            f"wiring.press: closed together with wiring.rail it shows {look.press_v:.3f} V with no pin on the bus, "
            f"must show about {divided_v:.3f} V: {what} (a welded select, fit or discharge relay?)"
        )


def _draws_nothing(look: BusLook, settings: PressSettings) -> None:
    """What a source measures into the bus alone is the meter's load and no more."""
    if look.source is None:
        return
    volts, amperes = look.source
    if abs(volts) < REACHED_SHARE * settings.rail_v:
        raise WiringError(f"wiring.source: on with no pin on the bus the source reaches {volts:.3f} V only: a short?")
    load_a = amperes - (volts / settings.meter_ohm if settings.meter_ohm else 0.0)
    if abs(load_a) <= max(abs(volts) / LEAST_LOAD_OHM, 3.0 * settings.source_accuracy_a):
        return
    raise WiringError(
        f"wiring: with no pin on it the bus draws {load_a * 1e6:.3g} µA at {volts:.3f} V from the source, must draw "
        f"less than {volts / LEAST_LOAD_OHM * 1e6:.2g} µA: something is on the bus that should not be, about "
        f"{show(volts / load_a, 'Ω', 2)} (a welded select, fit or discharge relay?)"
    )


def _within_tolerance(look: BusLook, wiring: Wiring, settings: PressSettings) -> None:
    rail_v = _rail(look, wiring, settings)
    if rail_v is not None and not abs(rail_v - settings.rail_v) <= settings.rail_tolerance * settings.rail_v:
        pressed = settings.press_to == "ground" and rail_v < REACHED_SHARE * settings.rail_v
        raise WiringError(
            f"rail: reads {rail_v:.3f} V, must be within {100 * settings.rail_tolerance:g} % of {settings.rail_v:g} V "
            "(plan: rail.tolerance)" + (": the press relay is welded, or the rail is off" if pressed else "")
        )


def _falls_alone(look: BusLook, settings: PressSettings) -> None:
    if look.alone_v is not None and not abs(look.alone_v) <= ALONE_SHARE * settings.rail_v:
        raise WiringError(
            f"wiring: with every relay open the bus stands at {look.alone_v:.3f} V, must be within "
            f"{ALONE_SHARE * settings.rail_v:.3g} V of 0 V: a relay is welded (press, rail or select), or something "
            "else drives the bus"
        )


def _is_in_place(name: str, volts: float, look: BusLook, wiring: Wiring, settings: PressSettings) -> None:
    """The resistor as the divider with the way to the rail shows it."""
    if name not in settings.resistors:
        return
    if settings.press_to == "ground":
        _is_in_place_above(name, volts, look, wiring, settings)
        return
    bare_v, ohm = (look.rail_v, wiring.rail_ohm) if look.rail_v is not None else (look.press_v, wiring.press_ohm)
    if bare_v is None or ohm is None:
        return
    # Of one divider with and without the resistor: its conductance, the meter's load dropping out to first order.
    seen_s = (bare_v / volts - 1.0) / ohm if volts > 0.0 else float("inf")
    expected_s = settings.resistors[name].conductance_s
    if abs(seen_s - expected_s) <= FITTED_SHARE * expected_s + _slack_v(bare_v, settings) / bare_v / ohm:
        return
    raise _not_in_place(name, seen_s)


def _is_in_place_above(name: str, volts: float, look: BusLook, wiring: Wiring, settings: PressSettings) -> None:
    """A resistor to the rail, as the divider with the press resistor to ground shows it."""
    if look.rail_v is None or wiring.rail_ohm is None or wiring.press_ohm is None:
        return
    rail_v = _behind(look.rail_v, wiring.rail_ohm, settings)
    meter_s = 1.0 / settings.meter_ohm if settings.meter_ohm else 0.0
    seen_s = volts * (1.0 / wiring.press_ohm + meter_s) / (rail_v - volts) if volts < rail_v else float("inf")
    expected_s = settings.resistors[name].conductance_s
    if abs(seen_s - expected_s) > FITTED_SHARE * expected_s + _slack_v(volts, settings) / rail_v / wiring.press_ohm:
        raise _not_in_place(name, seen_s)


def _not_in_place(name: str, seen_s: float) -> WiringError:
    if seen_s * LEAST_LOAD_OHM <= 1.0:
        seen = "nothing"
    else:
        seen = show(1.0 / seen_s, "Ω", 2) if seen_s < float("inf") else "a short"
    return WiringError(
        f"wiring.fit.{name}: fitted with no pin on the bus it shows {seen}, must be within 10 % of {name}"
    )


def _rail(look: BusLook, wiring: Wiring, settings: PressSettings) -> float | None:
    press_v = look.press_v if settings.press_to == "rail" else None
    for volts, ohm in ((look.rail_v, wiring.rail_ohm), (press_v, wiring.press_ohm)):
        if volts is not None and ohm is not None:
            return _behind(volts, ohm, settings)
    return None


def _behind(volts: float, ohm: float, settings: PressSettings) -> float:
    return volts * (1.0 + ohm / settings.meter_ohm) if settings.meter_ohm else volts


def _slack_v(volts: float, settings: PressSettings) -> float:
    """What two readings of the same meter, with nothing on the bus, may differ by."""
    return 4.0 * settings.accuracy_v + LOAD_SHARE * abs(volts)
