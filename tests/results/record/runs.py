"""A small run for the tests of the record: made-up pins, seeded traces, every field of an observation in use."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.run_record import Levels, MeterModel, Rules, RunRecord, Unit
from results.record.trace import Trace
from results.record.trial import Condition, Pin, Resistor, Trial

STARTED = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
PLAN_TEXT = '[unit]\nname = "Fernhill irrigation controller"\n'
BENCH_TEXT = '[bench]\nname = "Bänk 2"\n'


def run_record() -> RunRecord:
    return RunRecord(
        run="",
        started_utc=STARTED.isoformat(),
        version="0.1.0",
        origin="bench",
        unit=Unit("Fernhill irrigation controller", "FH-2417-001"),
        rail_v=3.3,
        levels=Levels(0.8, 2.0, "JESD8C.01 3.3 V"),
        rules=Rules(30e3, 90e3, allowed_s=0.05, log_s=0.1),
        meter=MeterModel(1e-4, 5e-4),
        pins=(Pin("D1"), Pin("D2")),
        resistors=(Resistor("none", None), Resistor("8.2 kΩ", 8200.0)),
        planned=tuple(trial(sequence) for sequence in range(1, 13)),
        press_path="relay",
    )


def trial(sequence: int) -> Trial:
    pin = "D1" if sequence % 2 else "D2"
    return Trial(sequence, "press_release", pin, "8.2 kΩ", Condition("reset default", 3.3), repeat=sequence)


def observation(sequence: int, samples: int = 40) -> Observation:
    """Every third one with a current, every fourth one overloaded in places; the notes hold what JSON must escape."""
    rng = np.random.default_rng(sequence)
    volts = 3.3 * np.exp(-np.arange(samples) / 7.0) + 1e-4 * rng.standard_normal(samples)
    if sequence % 4 == 0:
        volts[:3] = np.nan
    current = 1e-6 * rng.standard_normal(samples) if sequence % 3 == 0 else None
    return Observation(
        trace=Trace(np.arange(samples) * 1e-4, volts, current),
        rail_v=3.301,
        before_v=2e-4,
        hold_v=3.246,
        press_v=3.3,
        press_ohm=1000.0,
        press_u_ohm=2.0,
        released_after_s=0.0007,
        reads_before="low",
        reads_held="high",
        reads_settled="low",
        contact="hold level",
        temperature_c=23.5,
        notes=('a "quoted" note\nof two lines', "Ω µ \u2028"),
    )


def new_run(parent: Path) -> RunFolder:
    return RunFolder.create(parent, "FH-2417-001", run_record(), PLAN_TEXT, BENCH_TEXT, STARTED)


def filled_run(parent: Path, trials: int = 6, samples: int = 40) -> RunFolder:
    folder = new_run(parent)
    for sequence in range(1, trials + 1):
        folder.append(trial(sequence), observation(sequence, samples))
    return folder


def same_trace(one: Trace, other: Trace) -> bool:
    """Bit for bit, an overload being an overload."""
    if (one.current_a is None) != (other.current_a is None):
        return False
    pairs = [(one.time_s, other.time_s), (one.voltage_v, other.voltage_v)]
    if one.current_a is not None and other.current_a is not None:
        pairs.append((one.current_a, other.current_a))
    return all(np.array_equal(a, b, equal_nan=True) for a, b in pairs)


def same(one: Observation, other: Observation) -> bool:
    bare = Trace(np.empty(0), np.empty(0))
    return same_trace(one.trace, other.trace) and replace(one, trace=bare) == replace(other, trace=bare)
