"""Check coupons of a bench for pull-up inputs: a resistor to the rail, and a network that stays low."""

from __future__ import annotations

from pathlib import Path

import pytest

from results.analysis.findings import RunFinding
from tests.harness.mirrored_bench import SOUND_UP, mirrored_bench, mirrored_board, mirrored_plan
from tests.harness.test_check import COUPON_TABLES, LATCH, coupon_parts
from tests.harness.whole_bench import found, run_plan, simulated


def tried(tmp_path: Path, coupons: str) -> RunFinding:
    plan = mirrored_plan(("D1",), resistors='["none", "8.2 kΩ"]')
    with simulated(tmp_path, mirrored_board({"D1": SOUND_UP}) + coupons, stepped=True) as resources:
        return found(run_plan(tmp_path, plan, mirrored_bench(resources, ("D1",)) + COUPON_TABLES))


def test_coupons_that_are_seen_as_what_they_are_say_nothing(tmp_path: Path) -> None:
    """225 nF at 33 kΩ; the meter of 10 MΩ to ground holds it at 3.305 V/(1 + 33 kΩ/10 MΩ), 11 mV below the rail."""
    finding = tried(tmp_path, coupon_parts(225e-9, LATCH))
    assert [one.item.verdict for one in finding.coupons] == ["pass"] * 10
    items = {one.item.name: one.item for one in finding.coupons}
    assert items["coupon released: time constant"].value == pytest.approx(225e-9 * 33e3, rel=0.01)
    floor = items["coupon released: floor"]
    assert floor.value == pytest.approx(3.305 / (1.0 + 33e3 / 10e6), abs=2e-3)
    assert floor.low is not None
    assert floor.high is not None
    assert floor.value is not None
    assert floor.low < floor.value < floor.high < 3.305
    assert items["coupon stuck"].note == "stuck between; must stay low"
    assert items["coupon stuck"].value == pytest.approx(3.305 - 2.0, abs=0.03)


def test_wrong_coupons_make_the_run_void(tmp_path: Path) -> None:
    finding = tried(tmp_path, coupon_parts(110e-9, ""))
    wrong = {one.item.name for one in finding.coupons if one.item.verdict == "fail"}
    assert wrong == {"coupon released: time constant", "coupon stuck"}
