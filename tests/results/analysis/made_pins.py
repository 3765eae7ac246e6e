"""Pins made from leak curves: rest points by load_line, trace findings as a good reading of them would give.

The curves D1 to D4 are those of an independent circuit simulation (ngspice) of press and release; what it found for
them is typed in where a test compares.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from results.analysis.findings import Edge, PinFinding, Settled, TraceFinding, Value
from results.analysis.load_line import NetCurrent, rest_points, settles_at
from results.analysis.pin_analysis import analyse_pin
from results.analysis.pin_bench import ReadTrial
from results.record.observation import ContactProof, Observation
from results.record.run_record import Fixture, Levels, MeterModel, Rules, RunRecord, Unit
from results.record.trace import FloatArray, Trace
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial

RAIL_V, V_IL, V_IH = 3.3, 0.8, 2.0
METER = MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3, input_ohm=10e6)
SETUP = Condition("reset default", RAIL_V)
NO_FIXTURE = Fixture()
PIN = Pin("D1")
NOISE_V = 40e-6
PRESS_OHM, PRESS_U_OHM = 1000.0, 5.8

RESISTORS = (
    Resistor(NO_RESISTOR, None),
    Resistor("47 kΩ", 47e3, 0.01),
    Resistor("22 kΩ", 22e3, 0.01),
    Resistor("10 kΩ", 10e3, 0.01),
    Resistor("8.2 kΩ", 8.2e3, 0.01),
    Resistor("4.7 kΩ", 4.7e3, 0.01),
)
RULES = Rules(pull_down_low_ohm=30e3, pull_down_high_ohm=90e3, allowed_s=0.05, log_s=0.12)


def logistic(argument: FloatArray) -> FloatArray:
    return 1.0 / (1.0 + np.exp(-argument))


def d1(volts: FloatArray) -> FloatArray:
    """Mid-level leak of 120 µA, 60 kΩ pull-down."""
    return 120e-6 * logistic((volts - 0.75) / 0.06) * logistic(-(volts - 1.98) / 0.055) - volts / 60e3


def d2(volts: FloatArray) -> FloatArray:
    """Mid-level leak of 95 µA, 52 kΩ pull-down."""
    return 95e-6 * logistic((volts - 0.80) / 0.07) * logistic(-(volts - 2.02) / 0.06) - volts / 52e3


def d3(volts: FloatArray) -> FloatArray:
    """Sound: 0.2 µA, 71 kΩ pull-down."""
    return 0.2e-6 * np.tanh(volts / 0.2) - volts / 71e3


def d4(volts: FloatArray) -> FloatArray:
    """Plain leak of 34 µA, gone near the rail, 64 kΩ pull-down."""
    return 34e-6 * np.tanh(volts / 0.05) * logistic(-(volts - 2.6) / 0.04) - volts / 64e3


def no_pull_down(volts: FloatArray) -> FloatArray:
    """Nothing inside but 1 nA."""
    return np.full_like(volts, 1e-9)


@dataclass(frozen=True)
class Bench:
    """How the made trials are carried out and read."""

    meter: MeterModel = METER
    fixture: Fixture = NO_FIXTURE
    rules: Rules = RULES
    resistors: tuple[Resistor, ...] = RESISTORS
    pin: Pin = PIN
    contact: ContactProof = "hold level"
    hold_known: bool = True
    repeats: int = 1


def record_of(bench: Bench, planned: Sequence[Trial] = ()) -> RunRecord:
    return RunRecord(
        run="made",
        started_utc="2026-01-01T00:00:00Z",
        version="0",
        origin="bench",
        unit=Unit("Fernhill irrigation controller", "FH-2417-001"),
        rail_v=RAIL_V,
        levels=Levels(V_IL, V_IH),
        rules=bench.rules,
        meter=bench.meter,
        pins=(bench.pin,),
        resistors=bench.resistors,
        planned=tuple(planned),
        press_path="relay",
        fixture=bench.fixture,
    )


def rest_voltage(net: NetCurrent, outside_s: float, series_ohm: float = 0.0) -> float:
    """Where the pin, released from the rail, comes to rest, as seen where the bench touches the node."""
    seen_s = outside_s / (1.0 + series_ohm * outside_s)
    at_pin = settles_at(rest_points(net, seen_s, -0.05, RAIL_V), RAIL_V)
    assert at_pin is not None
    return at_pin / (1.0 + series_ohm * outside_s)


def trace_finding(settled_v: float, meter: MeterModel = METER, *, release_time_s: float | None = 1e-3) -> TraceFinding:
    """A node that came to rest at that voltage, read with the noise and accuracy of the made bench."""
    accuracy = (meter.accuracy_reading * abs(settled_v) + meter.accuracy_v) / math.sqrt(3.0)
    u_v = math.hypot(NOISE_V, accuracy)
    settled = Settled(settled_v, u_v, NOISE_V, accuracy, 0.1, 0.14, 80.0)
    return TraceFinding(
        edge=Edge(200, 201, 0.02, 3e-5, 3.246, False, 0),
        settled=settled,
        decay=None,
        release_time_s=release_time_s if settled_v <= V_IL else None,
        last_v=Value(settled_v, u_v),
    )


def empty_trace() -> Trace:
    return Trace(np.empty(0), np.empty(0))


def observation_of(net: NetCurrent, resistor: Resistor, bench: Bench) -> Observation:
    """The trial without its samples: rail, hold level through the press resistor, contact."""
    outside_s = resistor.conductance_s + _load(bench)
    seen_s = outside_s + 1.0 / PRESS_OHM
    hold_v = _held(net, seen_s, bench.pin.series_ohm)
    return Observation(
        trace=empty_trace(),
        rail_v=RAIL_V,
        before_v=0.0,
        hold_v=hold_v if bench.hold_known else None,
        press_v=RAIL_V if bench.hold_known else None,
        press_ohm=PRESS_OHM if bench.hold_known else None,
        press_u_ohm=PRESS_U_OHM if bench.hold_known else None,
        contact=bench.contact,
    )


def _load(bench: Bench) -> float:
    return (1.0 / bench.meter.input_ohm if bench.meter.input_ohm else 0.0) + bench.fixture.conductance_s


def _held(net: NetCurrent, seen_s: float, series_ohm: float) -> float:
    """Node voltage while the rail pushes through the press resistor (fixed point of the two currents)."""
    volts, inner = RAIL_V, 0.0
    for _ in range(200):
        inner = float(net(np.array([volts + inner * series_ohm]))[0])
        volts = (RAIL_V / PRESS_OHM + inner) / seen_s
    return volts


def trials_of(net: NetCurrent, bench: Bench) -> list[ReadTrial]:
    """Every resistor `bench.repeats` times, as read."""
    made: list[ReadTrial] = []
    for resistor in bench.resistors:
        settled_v = rest_voltage(net, resistor.conductance_s + _load(bench), bench.pin.series_ohm)
        for repeat in range(1, bench.repeats + 1):
            trial = Trial(len(made) + 1, "press_release", bench.pin.name, resistor.name, SETUP, repeat)
            finding = trace_finding(settled_v, bench.meter)
            made.append(ReadTrial(trial, observation_of(net, resistor, bench), finding))
    return made


def analysed(net: NetCurrent, bench: Bench | None = None) -> PinFinding:
    """The pin with that net current curve, tried on that bench and analysed."""
    bench = bench or Bench()
    trials = trials_of(net, bench)
    record = record_of(bench, [read.trial for read in trials])
    return analyse_pin(record, SETUP, bench.pin, trials)


def with_observation(read: ReadTrial, **changes: object) -> ReadTrial:
    assert read.observation is not None
    return replace(read, observation=replace(read.observation, **changes))  # type: ignore[arg-type]
