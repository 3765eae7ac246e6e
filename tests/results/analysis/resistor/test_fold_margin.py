"""Margin near the fold: R/R_safe from how slowly the node passed, on a node that shows it; else "not observable"."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.fold import FoldMargin
from results.analysis.resistor.fold_margin import largest_told
from results.record.observation import Observation
from results.record.run_record import Fixture, Levels
from results.record.trial import NO_RESISTOR, Capacitor, Condition, Pin, Resistor, Trial
from results.report.fold_section import fold_sections, has_fold_margins
from tests.procedures.curve_bench import linear, mid_level, record
from tests.results.analysis.made_nodes import LOAD_S, Reading, observed, observed_to_ground
from tests.results.report.made_findings import fernhill

LATCHES = mid_level(linear(60e3))
REQUIRED_S = 106.6351141451e-6
RATIOS = (0.7, 0.9, 0.97, 0.99)
ADDED = Capacitor("100 nF", 100e-9, 0.01)


def resistors() -> tuple[Resistor, ...]:
    fitted = [Resistor(f"{ratio:g} of R_safe", ratio / REQUIRED_S, 0.001) for ratio in RATIOS]
    return (Resistor(NO_RESISTOR, None), *fitted)


@cache
def made_with_truth(
    capacitor: str, seed: int, tolerance: float | None, *, joined: bool = True, to_ground: bool = False
) -> tuple[RunFinding, list[float]]:
    """Every resistor once, on a node of 20 pF and 120 pF of the fixture, with a capacitor added to it; and R/R_safe of
    the resistors as they are."""
    chance = np.random.default_rng(seed)
    added_f = (
        0.0
        if capacitor == "none" or not joined
        else ADDED.capacitance_f * (1.0 + ADDED.tolerance * chance.uniform(-1, 1))
    )
    trials: list[tuple[Trial, Observation]] = []
    truths = []
    for number, resistor in enumerate(resistors(), start=1):
        condition = Condition("reset default", 3.3, capacitor=capacitor)
        trial = Trial(number, "press_release", "D1", resistor.name, condition, 1)
        true_s = resistor.conductance_s * (1.0 + resistor.tolerance * chance.uniform(-1, 1))
        truths += [REQUIRED_S / true_s] if true_s else []
        reading = Reading(1e-4, 0.3e-3, 0.1e-3, chance=chance)
        press = observed_to_ground if to_ground else observed
        trials.append((trial, press(LATCHES, 140e-12 + added_f, true_s, reading, log_s=0.12)))
    known = replace(
        replace(record(), press_to="ground", levels=Levels(1.3, 2.5)) if to_ground else record(),
        resistors=resistors(),
        pins=(Pin("D1", 20e-12, node_capacitance_tolerance=tolerance),),
        fixture=Fixture(0.0, 120e-12, 0.3),
        planned=tuple(trial for trial, _ in trials),
        capacitors=(ADDED,),
    )
    return analyse(known, trials), truths


def made(capacitor: str, *, tolerance: float | None = 0.5) -> RunFinding:
    return made_with_truth(capacitor, 1, tolerance)[0]


def pin_of(finding: RunFinding) -> PinFinding:
    [pin] = finding.pins
    return pin


@pytest.mark.parametrize(("seed", "to_ground"), [(0, False), (1, False), (2, False), (0, True), (1, True)])
def test_the_share_of_r_safe_within_u_on_an_added_capacitor(seed: int, to_ground: bool) -> None:
    """Nodes by scipy's solve_ivp, capacitor and resistors off within their tolerances: 0.7 to 0.99 of R_safe.

    To ground the resistors lead to the rail, and the meter to ground holds the node back.
    """
    finding, truths = made_with_truth("100 nF", seed, 0.5, to_ground=to_ground)
    margins = pin_of(finding).fold_margins
    for ratio, true, margin in zip(RATIOS, truths, margins, strict=True):
        assert margin.ratio is not None
        assert abs(margin.ratio.value - true) < 2.0 * margin.ratio.u, ratio
        assert margin.ratio.u < 0.01
        assert margin.little is (ratio > 0.83)
        assert margin.slower_than_rc
    nearest = largest_told(margins)
    assert nearest is margins[-1]
    assert nearest.note.startswith("slower than resistor and capacitance explain; little margin: 0.99 of R_safe is 0.9")


def test_the_bench_is_in_the_pace_and_not_in_the_required_conductance() -> None:
    margin = pin_of(made("100 nF")).fold_margins[1]
    assert margin.required is not None
    assert abs(margin.required.value - REQUIRED_S) < 2.0 * margin.required.u
    assert {"capacitor 100 nF", "fixture capacitance", "resistor 0.9 of R_safe"} <= margin.required.parts.keys()


def test_a_small_node_is_not_observable_and_says_which_capacitance_would_be() -> None:
    finding = made("none")
    margins = pin_of(finding).fold_margins
    assert [margin.ratio for margin in margins] == [None] * 4
    shows_f = margins[1].shows_from_f
    assert shows_f is not None
    # 20 samples of 0.1 ms from 3.3 V · 1 mS/(1 mS + 118.6 µS + 16.7 µS) to 0.8 V: 2 ms · 118.6 µS / ln 3.63.
    assert shows_f == pytest.approx(2e-3 * 118.58e-6 / np.log(3.3 / 1.1353 / 0.8), rel=0.01)
    assert margins[1].note == (
        "not observable: the node is below V_IL at the first sample after the release; about 180 nF on the node would "
        "show it"
    )
    [section] = fold_sections(finding)
    assert section.said == (
        # As above with each resistor: from 2 ms · 107.7 µS / ln 3.67 to 2 ms · 152.3 µS / ln 3.53.
        "Not observable: no node was large enough, or well enough known, to show its margin in time.",
        "Too fast for the log: D1. A capacitance of about 170\u00a0nF to 240\u00a0nF, by resistor, on the node would "
        "show it (fold_margins.csv).",
    )
    assert section.notes == ()


def test_what_has_the_same_reason_is_said_once() -> None:
    [section] = fold_sections(made("100 nF", tolerance=None))
    assert section.notes == (
        "D1 with 100 nF added: R/R_safe not determined: the capacitance on the node is not known: "
        "node_capacitance_tolerance of the pin is not stated.",
    )


def test_a_capacitor_that_never_came_is_told_by_the_time() -> None:
    finding, _ = made_with_truth("100 nF", 1, 0.5, joined=False)
    margins = pin_of(finding).fold_margins
    assert {margin.note for margin in margins} == {
        "not observable: the node fell faster than 100 nF lets it: is the capacitor on it?"
    }


def test_without_a_known_capacitance_the_shape_alone_warns() -> None:
    margin: FoldMargin = pin_of(made("100 nF", tolerance=None)).fold_margins[2]
    assert margin.ratio is None
    assert margin.note.startswith(
        "R/R_safe not determined: the capacitance on the node is not known: node_capacitance_tolerance of the pin is "
        "not stated; but at 910 mV the node fell at 0.02"
    )


def test_the_report_warns_of_little_margin_and_marks_it() -> None:
    finding = made("100 nF")
    [section] = fold_sections(finding)
    assert section.said[0].startswith("Little margin: D1 with 0.9 of R_safe, D1 with 0.97 of R_safe, D1 with 0.99")
    [table] = section.tables
    assert table.marked == {1, 2, 3}
    said = ", ".join(f"D1 with {ratio:g} of R_safe" for ratio in RATIOS[1:])
    assert f"little margin near the fold: {said}" in finding.notes
    assert [row[-1] for row in table.rows] == ["", "little margin", "little margin", "little margin"]
    assert not has_fold_margins(fernhill(("D1",)))


def test_a_pull_up_pressed_to_ground_shows_its_margin_as_its_mirror_image() -> None:
    """The same node in real volts, V = 3.3 V − V'; the meter drives it towards ground with 0.1 µS · (3.3 V − V')."""
    chance = np.random.default_rng(5)
    trials: list[tuple[Trial, Observation]] = []
    for number, resistor in enumerate(resistors(), start=1):
        condition = Condition("reset default", 3.3, capacitor=ADDED.name)
        seen = observed(
            lambda v: LATCHES(v) + 3.3 * LOAD_S,
            140e-12 + ADDED.capacitance_f,
            resistor.conductance_s,
            Reading(noise_v=0.1e-3, chance=chance),
            log_s=0.12,
        )
        trace = replace(seen.trace, voltage_v=3.3 - seen.trace.voltage_v)
        assert seen.hold_v is not None
        real = replace(seen, trace=trace, before_v=3.3, hold_v=3.3 - seen.hold_v, press_v=0.0)
        trials.append((Trial(number, "press_release", "D1", resistor.name, condition, 1), real))
    known = replace(
        record(),
        resistors=resistors(),
        pins=(Pin("D1", 20e-12, node_capacitance_tolerance=0.5),),
        fixture=Fixture(0.0, 120e-12, 0.3),
        levels=Levels(1.3, 2.5),
        planned=tuple(trial for trial, _ in trials),
        capacitors=(ADDED,),
        press_to="ground",
    )
    finding = analyse(known, trials)
    [pin] = finding.pins
    assert pin.verdict == "stuck low"
    for ratio, margin in zip(RATIOS, pin.fold_margins, strict=True):
        assert margin.ratio is not None
        assert abs(margin.ratio.value - ratio) < 2.0 * margin.ratio.u + 1e-3, ratio
        # Where the node passed most slowly, as it really stood: 0.91 V below the rail.
        assert margin.passage.at_v == pytest.approx(3.3 - 0.92, abs=0.04)
