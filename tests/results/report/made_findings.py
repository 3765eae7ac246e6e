"""Findings made by hand for the report's tests: 24 pins, 6 resistors, 3 presses each, from closed forms.

Every pin has a simple leak model and every trace is one exponential towards its rest point, so that each number in the
report can be worked out on paper. Nothing here comes from the analysis.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np

from results.analysis.findings import (
    Advice,
    Bracket,
    Decay,
    Edge,
    LeakLine,
    PinFinding,
    RunFinding,
    Settled,
    TraceFinding,
    TrialFinding,
    Value,
    Verdict,
)
from results.record.observation import Observation
from results.record.run_record import Fixture, InstrumentRecord, Levels, MeterModel, Rules, RunRecord, Unit
from results.record.trace import Trace
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial

Kind = Literal["mid", "plain", "released", "intermittent", "no contact", "no pull-down"]

RAIL_V = 3.3
V_IL, V_IH = 0.8, 2.0
METER_S = 1e-7
PULL_DOWN_S = 1 / 60e3
INTERVAL_S, BEFORE_S, LOG_S = 1e-4, 20e-3, 120e-3
NODE_F = 220e-12
U_METER_V = 0.5e-3
REPEATS = 3
SETUP = Condition("reset default", RAIL_V)

RESISTORS = (
    Resistor(NO_RESISTOR, None),
    Resistor("47 kΩ", 47e3, 0.01, 47.03e3, 5.0),
    Resistor("22 kΩ", 22e3, 0.01),
    Resistor("10 kΩ", 10e3, 0.01),
    Resistor("8.2 kΩ", 8.2e3, 0.01),
    Resistor("4.7 kΩ", 4.7e3, 0.01),
)

KINDS: dict[str, Kind] = {"D3": "mid", "D7": "mid", "D12": "plain", "D15": "intermittent", "D20": "no pull-down"}
KINDS |= {"D22": "no contact"}

# Rest voltages by resistor, worked out from the leak of each kind (mid level: a made-up pin with a 120 µA plateau).
_MID_REST = {NO_RESISTOR: 2.03, "47 kΩ": 1.93, "22 kΩ": 1.82, "10 kΩ": 1.02, "8.2 kΩ": 0.0, "4.7 kΩ": 0.0}
_PLAIN_LEAK_A = 40e-6
_FLOATING_LEAK_A = 0.25e-6


@dataclass(frozen=True)
class Made:
    """One trial as made: where it rests, and what the rest of the finding follows from."""

    rest_v: float
    tau_s: float
    net_a: float | None


def rest_of(kind: Kind, resistor: Resistor, repeat: int) -> Made:
    """The rest point of one trial of a pin of that kind."""
    outside_s = resistor.conductance_s + METER_S
    inside_s = 0.0 if kind in ("no pull-down", "no contact") else PULL_DOWN_S
    tau_s = NODE_F / (outside_s + inside_s)
    if kind in ("mid", "intermittent"):
        sticks = kind == "mid" or (repeat == 2 and resistor.name == NO_RESISTOR)
        rest_v = _MID_REST[resistor.name] if sticks else 0.0
    elif kind == "plain":
        rest_v = _PLAIN_LEAK_A / (outside_s + inside_s)
    elif kind == "no pull-down":
        rest_v = _FLOATING_LEAK_A / outside_s
    else:
        rest_v = 0.0
    return Made(rest_v, tau_s, rest_v * outside_s)


def _trace(made: Made, trial: Trial) -> Trace:
    rng = np.random.default_rng(trial.sequence)
    time_s = np.arange(round((BEFORE_S + LOG_S) / INTERVAL_S)) * INTERVAL_S
    after_s = np.clip(time_s - BEFORE_S, 0.0, None)
    held_v = 3.246
    voltage_v = made.rest_v + (held_v - made.rest_v) * np.exp(-after_s / made.tau_s)
    return Trace(time_s, voltage_v + rng.normal(0.0, 0.3e-3, time_s.size))


def _verdict(kind: Kind, rest_v: float, u_v: float) -> Verdict:
    if kind == "no contact":
        return "no contact"
    if rest_v - 2 * u_v >= V_IH:
        return "stuck high"
    return "stuck between" if rest_v - 2 * u_v > V_IL else "released"


def _trial_finding(kind: Kind, trial: Trial, resistor: Resistor) -> TrialFinding:
    made = rest_of(kind, resistor, trial.repeat)
    u_v = math.hypot(0.1e-3, (U_METER_V + 1e-4 * made.rest_v) / math.sqrt(3))
    verdict = _verdict(kind, made.rest_v, u_v)
    proven = kind != "no contact"
    observation = Observation(
        _trace(made, trial),
        outcome="measured" if proven else "no contact",
        rail_v=3.301,
        before_v=0.0002,
        hold_v=3.246 if proven else 3.3,
        reads_held="high" if proven else "low",
        reads_settled="high" if verdict == "stuck high" else "low",
        contact="hold level" if proven else "disproven",
        temperature_c=23.4,
    )
    edge = Edge(round(BEFORE_S / INTERVAL_S), round(BEFORE_S / INTERVAL_S) + 2, BEFORE_S, 3e-5, 3.246, False, 1)
    settled = Settled(made.rest_v, u_v, 0.1e-3, u_v, 0.1, 0.14, 80.0)
    bound = made.tau_s < INTERVAL_S
    decay = Decay(INTERVAL_S if bound else made.tau_s, None if bound else 0.02 * made.tau_s, is_upper_bound=bound)
    released = made.rest_v <= V_IL
    until_s = made.tau_s * math.log((3.246 - made.rest_v) / (V_IL - made.rest_v)) if released else None
    finding = TraceFinding(edge, settled, decay, until_s, Value(made.rest_v, u_v))
    if not proven:
        note = "hold level 3.300 V is the open-circuit level: needle open"
        return TrialFinding(trial, verdict, observation, finding, None, None, None, None, note)
    outside_s = resistor.conductance_s + METER_S
    net = made.rest_v * outside_s
    net_u = math.hypot(outside_s * u_v, made.rest_v * resistor.conductance_u_s)
    leak = net + made.rest_v * PULL_DOWN_S
    leak_u = math.hypot(net_u, made.rest_v * PULL_DOWN_S * 0.3)
    no_leak = kind == "no pull-down" or made.rest_v <= V_IL
    return TrialFinding(
        trial,
        verdict,
        observation,
        finding,
        Value(made.rest_v, u_v),
        Value(made.rest_v * 1.004, 1.2 * u_v),
        Value(net, net_u),
        None if no_leak else Value(leak, leak_u),
        "",
    )


def _pin_finding(pin: str, kind: Kind, rows: tuple[TrialFinding, ...]) -> PinFinding:
    bare = [row for row in rows if row.trial.resistor == NO_RESISTOR]
    stuck = sum(row.verdict.startswith("stuck") for row in bare)
    worst: Verdict = "stuck high" if stuck else bare[0].verdict
    common = PinFinding(
        pin=pin,
        condition=SETUP,
        verdict=worst,
        trials=REPEATS,
        stuck_trials=stuck,
        stuck_rate_upper95={0: 0.6316, 1: 0.8647, 3: 1.0}[stuck],
        pull_down=Value(60e3, 17e3),
        pull_down_from="the plan's range",
        leakage=max((r.leakage for r in rows if r.leakage), key=lambda value: value.value, default=None),
        line=None,
        plain_leak="untested",
        bracket=Bracket(NO_RESISTOR, None, None, None, "none needed"),
        safe_ohm=None,
        safe_from="",
        advice=Advice(None, False, None, "none needed: released every time with no resistor"),
        contact_proven=True,
        note="",
        rows=rows,
    )
    return _OF_KIND.get(kind, lambda same: same)(common)


def _mid(pin: PinFinding) -> PinFinding:
    return replace(
        pin,
        line=LeakLine(4, None, None, 0.0, 4000.0, 2, 1e-9, False, "lack of fit: p < 0.001"),
        plain_leak="no",
        bracket=Bracket("8.2 kΩ", "10 kΩ", 8.2e3, 10e3, "bracketed"),
        safe_from="trials",
        advice=Advice(5.6e3, True, 0.45, "largest E12 value with 20 % margin below 8.2 kΩ"),
    )


def _plain(pin: PinFinding) -> PinFinding:
    line = LeakLine(4, Value(40e-6, 0.2e-6), Value(PULL_DOWN_S, 0.1e-6), 1.5e-14, 1.9, 2, 0.39, True, "")
    return replace(
        pin,
        pull_down=Value(60e3, 0.4e3),
        pull_down_from="the plain-leak line",
        line=line,
        plain_leak="yes",
        bracket=Bracket("22 kΩ", "47 kΩ", 22e3, 47.03e3, "bracketed"),
        safe_ohm=Value(30e3, 0.3e3),
        safe_from="line",
        advice=Advice(18e3, True, 0.22, "largest E12 value with 20 % margin below 22 kΩ"),
    )


def _intermittent(pin: PinFinding) -> PinFinding:
    return replace(
        pin,
        bracket=Bracket("47 kΩ", NO_RESISTOR, 47.03e3, None, "intermittent"),
        advice=Advice(None, True, None, "not determined: the pin sticks only sometimes, more presses are needed"),
        note="stuck in 1 of 3 presses",
    )


def _floating(pin: PinFinding) -> PinFinding:
    return replace(
        pin,
        pull_down=None,
        pull_down_from="",
        leakage=None,
        bracket=Bracket("47 kΩ", NO_RESISTOR, 47.03e3, None, "bracketed"),
        safe_from="trials",
        advice=Advice(39e3, True, 0.21, "largest E12 value with 20 % margin below 47 kΩ"),
        note="no pull-down seen: leakage not determined",
    )


def _unjudged(pin: PinFinding) -> PinFinding:
    return replace(
        pin,
        stuck_rate_upper95=None,
        pull_down=None,
        pull_down_from="",
        bracket=Bracket(None, None, None, None, "not determined"),
        advice=Advice(None, None, None, "not determined: no contact"),
        contact_proven=False,
        note="needle open in every trial",
    )


_OF_KIND: dict[Kind, Callable[[PinFinding], PinFinding]] = {
    "mid": _mid,
    "plain": _plain,
    "intermittent": _intermittent,
    "no pull-down": _floating,
    "no contact": _unjudged,
}


@cache
def fernhill(kinds: tuple[tuple[str, Kind], ...] = tuple(KINDS.items()), pins: int = 24) -> RunFinding:
    """The run of unit FH-2417-001: `pins` inputs D1 and up, those named in `kinds` as said, the others released."""
    of = dict(kinds)
    names = [f"D{number}" for number in range(1, pins + 1)]
    rows: dict[str, list[TrialFinding]] = {name: [] for name in names}
    sequence = 0
    for name in names:
        for resistor in RESISTORS:
            for repeat in range(1, REPEATS + 1):
                sequence += 1
                trial = Trial(sequence, "press_release", name, resistor.name, SETUP, repeat)
                rows[name].append(_trial_finding(of.get(name, "released"), trial, resistor))
    trials = tuple(row for name in names for row in rows[name])
    found = tuple(_pin_finding(name, of.get(name, "released"), tuple(rows[name])) for name in names)
    return RunFinding(record_of(names, tuple(row.trial for row in trials)), trials, found)


def record_of(names: list[str], planned: tuple[Trial, ...]) -> RunRecord:
    """The run record of the made run."""
    return RunRecord(
        run="20260914T081502Z_FH-2417-001",
        started_utc="2026-09-14T08:15:02+00:00",
        version="0.1.0",
        origin="bench",
        unit=Unit("Fernhill irrigation controller", "FH-2417-001", "C", "FH-2417"),
        rail_v=RAIL_V,
        levels=Levels(V_IL, V_IH, "JESD8C.01 3.3 V"),
        rules=Rules(30e3, 90e3, 50e-3, LOG_S, margin=0.2),
        meter=MeterModel(1e-4, U_METER_V, 10e6, 1e-4, 20e-6, 10.0, 50.0),
        pins=tuple(Pin(name) for name in names),
        resistors=RESISTORS,
        planned=planned,
        press_path="relay",
        fixture=Fixture(1e-10, 120e-12),
        instruments=(
            InstrumentRecord(
                "meter",
                "TCPIP::127.0.0.1::5025::SOCKET",
                "Invented Instruments,Meter 6,INV-0001,1.0",
                "2027-03-01",
            ),
            InstrumentRecord("switch", "TCPIP::127.0.0.1::5026::SOCKET", "Invented Instruments,Switch 40,INV-0002,1.2"),
            InstrumentRecord("relay_board", "/dev/ttyACM0", "Invented Instruments,Relays 8,INV-0003,0.9", "2026-05-01"),
        ),
        operator="R. Operator",
        bench_name="Bench 2",
        bench_checked="2026-09-14T08:12:40+00:00: passed",
        software={"python": "3.11.7", "numpy": "1.26"},
    )
