"""What no bench could have made is refused by its key, before anything is computed from it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.errors import RecordError
from results.record import journal, samples
from results.record.observation import Probe, SweepStep
from results.record.run_json import as_json, from_json
from results.record.run_record import RunRecord
from results.record.soundness import unsound_trace
from results.record.trace import Trace
from results.record.trial import Resistor
from tests.results.record.runs import observation, run_record, trial


def changed(change: Callable[[dict[str, Any]], None]) -> str:
    raw = json.loads(as_json(run_record()))
    change(raw)
    return json.dumps(raw)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda raw: raw["levels"].update(v_il=0.0), "levels: must be 0 < v_il < v_ih: 0.0, 2.0"),
        (lambda raw: raw.update(rail_v=float("nan")), "rail_v: must be a number from -100000 to 100000: nan"),
        (lambda raw: raw.update(rail_v=1e308), "rail_v: must be a number from -100000 to 100000: 1e+308"),
        (lambda raw: raw.update(rail_v=0.0), "rail_v: must be above 0: 0.0"),
        (lambda raw: raw["meter"].update(input_ohm=0.0), "meter.input_ohm: must be above 0: 0.0"),
        (lambda raw: raw["meter"].update(line_hz=1e-308), "meter.line_hz: must be a number from 10 to 100000: 1e-308"),
        (lambda raw: raw["rules"].update(pull_down_low_ohm=0.0), "rules.pull_down_low_ohm: must be above 0: 0.0"),
        (lambda raw: raw["rules"].update(series="E13"), "rules.series: unknown: 'E13'"),
        (lambda raw: raw["rules"].update(coverage=0.0), "rules.coverage: must be above 0, to 100: 0.0"),
        (lambda raw: raw["meter"].update(input_ohm=1e-200), "meter.input_ohm: is too small to be meant: 1e-200"),
        (lambda raw: raw["planned"][1].update(resistor="1 Ω"), "planned.2: resistor: not in run.json: '1 Ω'"),
        (lambda raw: raw["planned"][1].update(sequence=2**70), "planned.1.sequence: must be a number of no more than"),
        (lambda raw: raw["unit"].update(name="x" * 5001), "unit.name: must not be longer than 5000 characters: 'xxx"),
        (lambda raw: raw["unit"].update(name="\ud800"), "unit.name: is no text: half of a pair: '\\ud800'"),
        (lambda raw: raw.update(notes=["\udfff"]), "notes.0: is no text: half of a pair: '\\udfff'"),
    ],
)
def test_a_record_that_no_bench_made_is_refused_by_its_key(change: Callable[[dict[str, Any]], None], told: str) -> None:
    """Some were divided by, some looped over, some written into a file that could then not be written."""
    with pytest.raises(RecordError) as caught:
        from_json(changed(change), Path("run.json"))
    assert str(caught.value).startswith(f"run.json: {told}")
    assert "\n" not in str(caught.value)


def test_a_number_of_thousands_of_digits_is_no_json() -> None:
    with pytest.raises(RecordError, match=r"^run.json: not JSON: a number of thousands of digits$"):
        from_json('{"rail_v": ' + "9" * 5000 + "}")


def test_a_record_as_it_is_written_is_sound() -> None:
    record = replace(run_record(), resistors=(*run_record().resistors, Resistor("1 kΩ", 1e3, 0.01, 1001.0, 0.0)))
    assert from_json(as_json(record)) == record


@pytest.mark.parametrize(
    ("time_s", "voltage_v", "told"),
    [
        ([0.0, 1.0], [1.0, np.nan], ""),
        ([0.0, 0.0], [1.0, 1.0], ""),
        ([0.0, -1.0], [1.0, 1.0], "times do not rise"),
        ([0.0, np.nan], [1.0, 1.0], "a time is no number"),
        ([0.0, 1e10], [1.0, 1.0], "a time is no number"),
        ([0.0, 1.0], [1.0, -1e38], "a voltage is beyond every range"),
        ([0.0, 1.0], [1.0, np.inf], "a voltage is beyond every range"),
    ],
)
def test_samples_that_no_meter_logged(time_s: list[float], voltage_v: list[float], told: str) -> None:
    assert unsound_trace(Trace(np.array(time_s), np.array(voltage_v))) == told


def test_what_was_read_while_a_log_ran_may_stand_behind_it() -> None:
    """As of a source that joins while the meter logs: its currents follow the log's samples."""
    looks = Trace(np.array([0.0, 2.0, 1.0]), np.array([3.3, 0.1, np.nan]), np.array([np.nan, np.nan, 1e-6]))
    assert unsound_trace(looks, one_log=False) == ""
    assert unsound_trace(looks) == "times do not rise"


@pytest.mark.parametrize(
    ("seen", "told"),
    [
        (replace(observation(1), rail_v=1e6), "observation.rail_v: must be a number from -100000 to 100000: 1000000.0"),
        (
            replace(observation(1), steps=(SweepStep(1, "down", 3.3, 30, 11, 1),)),
            "observation.steps: 11 samples from 30 on are not of its trace",
        ),
        (
            replace(observation(1), probes=(Probe("pressed", -1, 1),)),
            "observation.probes: 1 samples from -1 on are not of its trace",
        ),
    ],
)
def test_a_line_that_no_bench_made_is_damaged_whatever_its_checksum(seen: Any, told: str) -> None:
    span = samples.span_of(seen.trace, samples.encode(seen.trace), 0)
    found = journal.read(journal.line_of(trial(1), span, seen), "j")
    assert (found.entries, found.damaged) == ((), (f"j: line 1: {told}",))


@pytest.mark.parametrize(
    "seen",
    [
        replace(observation(1), press_ohm=0.0, press_u_ohm=0.0),
        replace(observation(1), before_v=-1e-300, hold_v=1e-40, press_current_a=5e-324, released_after_s=-1e-9),
        replace(observation(1), rail_v=-0.0, temperature_c=-40.0, humidity=0.0, supply_a=-1e-6),
    ],
)
def test_whatever_a_bench_can_have_measured_is_kept(seen: Any) -> None:
    """A source presses through nothing but its relay; a node without noise rests at next to nothing."""
    span = samples.span_of(seen.trace, samples.encode(seen.trace), 0)
    (entry,) = journal.read(journal.line_of(trial(1), span, seen), "j").entries
    assert entry.observation(seen.trace) == seen


def test_a_trial_beyond_the_plan_with_a_resistor_that_nobody_knows_is_refused() -> None:
    """Used to be a traceback."""
    record: RunRecord = run_record()
    strange = replace(trial(1), sequence=99, resistor="3 Ω")
    with pytest.raises(RecordError, match=r"journal.jsonl: trial 99: resistor: not in run.json: '3 Ω'"):
        analyse(record, [(strange, observation(1))])
