"""A long dwell is a press and release with other times, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import pytest

import procedures.long_dwell as module
from drivers.bench import Bench
from procedures.errors import ProcedureError
from procedures.long_dwell import long_dwell
from procedures.settings import PressSettings
from results.record.run_record import DwellRules
from results.record.trial import Condition, Trial
from tests.procedures.test_contact import settings

DWELL = Trial(1, "long_dwell", "D1", "none", Condition("reset default", 3.3), 1, kind="dwell")
RULES = DwellRules(hold_s=120.0, log_s=300.0, interval_s=0.05, aperture_s=0.02, before_s=1.0, slack_s=15.0)


def test_it_presses_and_logs_for_as_long_as_the_plan_says(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[PressSettings] = []

    def press_release(bench: Bench, trial: Trial, how: PressSettings) -> Any:
        given.append(how)
        return "observed"

    monkeypatch.setattr(module, "press_release", press_release)
    usual = replace(settings(), dwell=RULES)
    assert cast(Any, long_dwell(cast(Bench, None), DWELL, usual)) == "observed"
    [how] = given
    assert (how.hold_s, how.log_before_s, how.log_s, how.slack_s) == (120.0, 1.0, 300.0, 15.0)
    assert (how.interval_s, how.aperture_s) == (0.05, 0.02)
    same = {"hold_s", "log_before_s", "log_s", "slack_s", "interval_s", "aperture_s"}
    assert {k: v for k, v in vars(how).items() if k not in same} == {
        k: v for k, v in vars(usual).items() if k not in same
    }


def test_without_a_table_in_the_plan_there_is_none() -> None:
    with pytest.raises(ProcedureError, match=r"^D1 reset default dwell #1: the plan has no \[dwell\]$"):
        long_dwell(cast(Bench, None), DWELL, settings())
