"""The rules of a plan on its logs: the ordinary one and that of a long dwell."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from harness.plan_meaning import dwell_rules, samples
from harness.table_faults import is_whole, stands_still, twice, unequal, unless_written
from harness.user_file import Fault
from results.quantity import show

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables

MAX_SAMPLES = 1_000_000
"""Samples of one trace: 16 MB. More is a slip of the interval; a node that crawls needs a longer one."""


MIN_SAMPLES_BEFORE = 5
"""Fewer samples at the press level do not show a level that an edge could start from."""


MIN_SAMPLES_AFTER = 20
"""A settled window and a decay need samples of their own."""


MIN_DWELL_SAMPLES = 200
"""Of a long dwell: its first and its last ones must tell two levels apart."""


DWELL_LONGER = 10
"""A dwell that is not so many times longer than the ordinary log shows nothing that this does not."""


def log_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    log = plan.log
    if log.time_s < plan.release.allowed_s:
        yield unequal(raw, ("log", "time"), log.time_s, "shorter", "release.allowed", plan.release.allowed_s)
    if samples(plan) > MAX_SAMPLES:
        yield Fault(("log", "interval"), f"makes {samples(plan)} samples a trial, more than {MAX_SAMPLES}")
    for key, span_s, least in (("before", log.before_s, MIN_SAMPLES_BEFORE), ("time", log.time_s, MIN_SAMPLES_AFTER)):
        # A sample more or less for the rounding of the quotient of two decimal numbers.
        if span_s / log.interval_s < least - 1e-6:
            yield Fault(("log", key), f"must be at least {least} intervals of {show(log.interval_s, 's')}")
    if log.aperture_s is not None and log.aperture_s > log.interval_s:
        yield unequal(raw, ("log", "aperture"), log.aperture_s, "longer", "log.interval", log.interval_s)
    if plan.recorded is not None and plan.recorded.line_frequency_hz is not None:
        yield from mains_faults(plan, plan.recorded.line_frequency_hz)


def dwell_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """A dwell is about pins, a resistor and setups of the plan, and shows what the ordinary log is too short for."""
    table, rules = plan.dwell, dwell_rules(plan, None)
    if table is None or rules is None:
        return
    yield from twice(("dwell", "pins"), table.pins)
    yield from twice(("dwell", "setups"), table.setups)
    known = [pin.name for pin in plan.pins]
    for key, names, those in (("pins", table.pins, known), ("setups", table.setups, plan.trials.pin_setups)):
        where = "pins" if key == "pins" else "trials.pin_setups"
        yield from (Fault(("dwell", key, i), f"is not one of {where}") for i, n in enumerate(names) if n not in those)
    if table.resistor not in plan.trials.resistors:
        named = unless_written(raw, ("dwell", "resistor"), table.resistor)
        yield Fault(("dwell", "resistor"), "is not one of trials.resistors", named)
    if table.log_s < DWELL_LONGER * plan.log.time_s:
        rule = f"must be at least {DWELL_LONGER} times log.time of {show(plan.log.time_s, 's')}"
        yield Fault(("dwell", "log"), rule, unless_written(raw, ("dwell", "log"), show(table.log_s, "s")))
    if table.log_s / table.interval_s < MIN_DWELL_SAMPLES - 1e-6:
        rule = f"must be at least {MIN_DWELL_SAMPLES} intervals of {show(table.interval_s, 's')}"
        yield Fault(("dwell", "log"), rule, unless_written(raw, ("dwell", "log"), show(table.log_s, "s")))
    if rules.samples > MAX_SAMPLES:
        rule = f"makes {rules.samples} samples a dwell, more than {MAX_SAMPLES}"
        named = unless_written(raw, ("dwell", "interval"), show(table.interval_s, "s"))
        yield Fault(("dwell", "interval"), rule, named)


def mains_faults(plan: PlanTables, line_hz: float) -> Iterator[Fault]:
    """Hum sampled once a period stands still and looks like a settled voltage."""
    yield from stands_still(("log", "interval"), plan.log.interval_s, line_hz)


def dwell_mains_faults(plan: PlanTables, line_hz: float | None) -> Iterator[Fault]:
    """The same for a long dwell, unless its aperture takes the hum out of each sample; None: neither 50 nor 60 Hz."""
    rules = dwell_rules(plan, line_hz)
    for hertz in (50.0, 60.0) if line_hz is None else (line_hz,):
        if rules is not None and not is_whole(rules.aperture_s * hertz):
            yield from stands_still(("dwell", "interval"), rules.interval_s, hertz)
