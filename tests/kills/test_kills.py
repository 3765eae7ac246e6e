"""A run that is killed with SIGKILL leaves its bench safe and, once resumed, comes to what nobody disturbed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from results.record.run_folder import JOURNAL
from tests.kills.outcome import differences, not_once
from tests.kills.story import Undisturbed, story, undisturbed
from tests.kills.tried import PRESSES

FEW = replace(PRESSES, plan=PRESSES.plan.replace("repeats = 3", "repeats = 1"))


@pytest.fixture(scope="module")
def alone_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kills") / "alone"


@pytest.fixture(scope="module")
def alone(alone_in: Path) -> Undisturbed:
    """What the plan comes to by itself; its folder stays."""
    return undisturbed(alone_in, FEW)


def test_a_run_killed_twice_is_safe_each_time_and_comes_to_what_nobody_disturbed(
    tmp_path: Path, alone: Undisturbed
) -> None:
    told = story(tmp_path / "story", FEW, alone, seed=11, most=2, after_s=[0.6 * alone.took_s, 0.5 * alone.took_s])
    assert told.wrong == []
    assert told.compared
    assert told.kills


def test_what_differs_in_a_single_sample_is_told(alone: Undisturbed) -> None:
    first = min(alone.outcome.observations)
    fields = alone.outcome.observations[first]
    other = replace(
        alone.outcome,
        observations={**alone.outcome.observations, first: {**fields, "voltage_v": fields["voltage_v"][:-1] + b"\x01"}},
        tables={**alone.outcome.tables, "trials.csv": alone.outcome.tables["trials.csv"] + b"\n"},
    )
    assert differences(alone.outcome, other) == ["trials.csv: differs", f"trial {first}: voltage_v differ"]
    assert differences(alone.outcome, alone.outcome) == []


def test_a_trial_that_is_missing_or_stands_twice_in_the_journal_is_told(alone: Undisturbed, alone_in: Path) -> None:
    [run] = (alone_in / "runs").glob("*_T-1")
    assert not_once(run) == []
    lines = (run / JOURNAL).read_bytes().splitlines(keepends=True)
    (run / JOURNAL).write_bytes(b"".join([*lines[1:], lines[-1]]))
    wrong = not_once(run)
    assert any(line.endswith(": 0 times as measured") for line in wrong)
    assert any(line.endswith(": 2 times as measured") for line in wrong)
