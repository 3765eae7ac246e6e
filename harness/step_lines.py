"""What a plain line says of a finished step that is no single press and release: one maker a kind of step."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from results.analysis.analysis import analyse
from results.analysis.conditions.dwell_text import dwell_text
from results.analysis.findings import PinFinding
from results.analysis.remedies.latch_text import overdrive_text, press_level_text
from results.analysis.remedies.remedy_text import step_text
from results.analysis.sweep.sweep_agreement import branch_text
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import Kind, Trial

Maker = Callable[[PinFinding, Observation], str]
"""The pin as this one step alone shows it, and what was observed in it -> what the line says behind the label."""


def swept(pin: PinFinding, observation: Observation) -> str:
    """The largest safe resistance by this sweep alone."""
    assert pin.sweep is not None
    said = "not determined" if pin.sweep.worse is None else branch_text(pin.sweep.worse)
    note = f"  ({pin.sweep.note})" if pin.sweep.note else ""
    return f"{len(observation.steps)} steps  largest safe resistance: {said}{note}"


def unlatched(pin: PinFinding, observation: Observation) -> str:
    """The overdrive current by the resistors of this step alone."""
    return overdrive_text(pin.overdrive)


def press_level(pin: PinFinding, observation: Observation) -> str:
    """The lowest press level that latches."""
    return press_level_text(pin.press_level)


def remedied(pin: PinFinding, observation: Observation) -> str:
    """Whether the pin was low with the remedy of this step at work."""
    return step_text(next((one for one in pin.remedies if one.verdict != "not tried"), None))


def dwelt(pin: PinFinding, observation: Observation) -> str:
    """Levels, drift and verdict of a long dwell."""
    assert pin.dwell is not None
    return dwell_text(pin.dwell)


def made(pin: PinFinding, observation: Observation) -> str:
    """That a step was made; what it shows is said once the pin is done."""
    return "; ".join([observation.outcome, *observation.notes])


MAKERS: Mapping[Kind, Maker] = {
    "sweep": swept,
    "dwell": dwelt,
    "unlatch": unlatched,
    "press level": press_level,
    "remedy": remedied,
}
"""Kinds that say more than that they were made; a kind `trial` has a verdict, and a line of its own."""


def step_line(record: RunRecord, trial: Trial, observation: Observation, done: int) -> str:
    """One plain line a finished step: how many of how many, its label, and what it found by itself."""
    finding = analyse(replace(record, planned=(trial,)), [(trial, observation)], budgets=False)
    if trial.kind == "damage watch":
        said = "; ".join([observation.outcome, *observation.notes])
    elif trial.kind == "coupon":
        said = "; ".join(f"{one.item.name}: {one.item.verdict}" for one in finding.coupons)
    else:
        said = MAKERS.get(trial.kind, made)(finding.pins[0], observation)
    return f"{done}/{len(record.planned)}  {trial.label}  {said}"
