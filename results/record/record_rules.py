"""What must hold between the values of a run.json, beyond each being one that a bench can have (see soundness.py)."""

from __future__ import annotations

from collections.abc import Iterator

from results.record.run_record import RunRecord
from results.record.soundness import unknown_name, unsound
from results.series import SERIES


def unsound_record(record: RunRecord) -> str:
    """What is wrong with a whole run.json; empty where nothing is."""
    return unsound(record) or next(filter(None, _rules(record)), "")


def _rules(record: RunRecord) -> Iterator[str]:
    rules = record.rules
    for where, levels in (
        ("levels", record.levels),
        *((f"rail_levels at {r.rail_v:g} V", r.levels) for r in record.rail_levels),
    ):
        if not 0.0 < levels.v_il < levels.v_ih:
            yield f"{where}: must be 0 < v_il < v_ih: {levels.v_il!r}, {levels.v_ih!r}"
    rails_v = (record.rail_v, *(each.rail_v for each in record.rail_levels))
    if min(rails_v) <= 0.0:
        yield f"rail_v: must be above 0: {min(rails_v)!r}"
    if not rules.pull_down_low_ohm <= rules.pull_down_high_ohm:
        yield f"rules.pull_down_low_ohm: must not be above pull_down_high_ohm: {rules.pull_down_low_ohm!r}"
    if not 0.0 < rules.coverage <= 100.0:
        yield f"rules.coverage: must be above 0, to 100: {rules.coverage!r}"
    if rules.series not in SERIES:
        yield f"rules.series: unknown: {rules.series[:80]!r}"
    for name, share in (("margin", rules.margin), ("guard_factor", rules.guard_factor)):
        if not 0.0 <= share <= 100.0:
            yield f"rules.{name}: must be 0 to 100: {share!r}"
    if record.sweep is not None and not (1 <= record.sweep.steps <= 100_000 and 1 <= record.sweep.refine <= 100_000):
        yield f"sweep: steps and refine must be 1 to 100000: {record.sweep.steps}, {record.sweep.refine}"
    resistors, capacitors = {one.name for one in record.resistors}, {one.name for one in record.capacitors}
    for trial in record.planned:
        problem = unknown_name(trial, resistors, capacitors)
        if problem:
            yield f"planned.{trial.sequence}: {problem}"
