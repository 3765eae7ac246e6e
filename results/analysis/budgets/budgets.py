"""The budgets of a pin under one condition: one for every kind of number that is reported with an uncertainty.

The budgets of a pin are those of the trial that decides: the settled voltage is the highest with no resistor, as on
page one; net pin current and leakage are those of the trial with the largest leakage. Every trial has its own beside.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from results.analysis.budgets.error_model import (
    RestTerms,
    Term,
    about_trial,
    bounded_shift_term,
    end_term,
    inverse_term,
    joined,
    line_terms,
    linear_term,
    load_term,
    resistor_term,
    settled_term,
    shift_term,
    time_constant_term,
)
from results.analysis.ends import ground_of
from results.analysis.findings import PinFinding, Settled, SweepBranch, TrialFinding, Value
from results.analysis.leakage import RestPoint, seen_through
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.pull_down.pull_down import PullDown
from results.analysis.pull_down.pull_down_model import PLAN_RANGE
from results.analysis.uncertainty.budget import Budget, Source
from results.analysis.uncertainty.monte_carlo import Stated
from results.record.trial import NO_RESISTOR

SETTLED = "settled voltage"
AT_PIN = "voltage at the pin without the meter"
NET_CURRENT = "net pin current"
LEAKAGE = "leakage"
PULL_DOWN = "pull-down"
REQUIRED = "required conductance"
SAFE = "largest safe resistance"
TIME_CONSTANT = "time constant"

BENDS = 0.05
"""Relative standard uncertainty of the pull-down from which on its product with other errors is looked at."""


def budgets_of(
    bench: PinBench, finding: PinFinding, pull_down: Term, slopes: Mapping[str, Value]
) -> tuple[Stated, ...]:
    """All budgets of a pin; a number that was not determined has none. `pull_down`: its conductance (S). `slopes`:
    dI_net/dV at the rest points by resistor (S), as far as they are known."""
    return (
        *_of_voltage(bench, finding, slopes),
        *current_budgets(bench, finding, pull_down),
        *_of_pull_down(finding, pull_down),
        *_of_safe(bench, finding),
        *_of_time_constant(finding),
    )


def leakage_of(bench: PinBench, read: ReadTrial, rest: RestPoint, pull_down: PullDown, inside: Term) -> Value | None:
    """The leakage of a settled trial (A). `inside`: the pull-down by its sources; what it shares with the trial counts
    once. None where the trial did not settle, or the load of the bench is not known."""
    if read.trace is None or read.trace.settled is None or bench.load_s is None:
        return None
    term = rest_terms(bench, read, read.trace.settled).leakage(inside)
    return Value(rest.leakage(pull_down.conductance).value, term.value().u)


def trial_budgets(bench: PinBench, read: ReadTrial, inside: Term) -> tuple[Budget, ...]:
    """Of one trial, to first order: settled voltage, net pin current, leakage, time constant; those that are known.

    `inside`: the conductance of the pull-down (S) that its leakage rests on.
    """
    if read.trace is None:
        return ()
    found = []
    if read.trace.settled is not None and bench.rest_of(read) is not None:
        terms = rest_terms(bench, read, read.trace.settled)
        found.append(terms.volts.budget(SETTLED, "V"))
        if bench.load_s is not None:
            found.append(terms.net_current.budget(NET_CURRENT, "A"))
            found.append(terms.leakage(inside).budget(LEAKAGE, "A"))
    decay = None if read.trace.decay is None else time_constant_term(read.trace.decay)
    if decay is not None:
        found.append(decay.budget(TIME_CONSTANT, "s"))
    return tuple(found)


def rest_terms(bench: PinBench, read: ReadTrial, settled: Settled) -> RestTerms:
    """A settled trial by its sources."""
    ends = bench.ends_of(read.observation)
    return RestTerms(
        volts=settled_term(settled, bench.record.meter, read.trial, ends.load_v),
        fitted=resistor_term(bench.resistor(read.trial.resistor)),
        load=load_term(Value(bench.load_s or 0.0, bench.load_u_s)),
        end=end_term(ends),
        load_v=ends.load_v,
        series_ohm=bench.pin.series_ohm,
    )


def _of_voltage(bench: PinBench, finding: PinFinding, slopes: Mapping[str, Value]) -> Iterator[Stated]:
    row = _highest(finding.rows)
    if row is None or row.trace is None or row.trace.settled is None:
        return
    read = ReadTrial(row.trial, row.observation, row.trace)
    terms = rest_terms(bench, read, row.trace.settled)
    yield Stated(terms.volts.budget(SETTLED, "V"), about_trial(row.trial))
    rest = bench.rest_of(read)
    if rest is None or row.at_pin is None:
        return
    shift_v, slope = row.at_pin.value - rest.pin.value, slopes.get(row.trial.resistor)
    if slope is None or not bench.load_s:
        u_shift = math.sqrt(max(row.at_pin.u**2 - rest.pin.u**2, 0.0))
        at_pin = terms.at_pin(bounded_shift_term(shift_v, u_shift))
        yield Stated(at_pin.budget(AT_PIN, "V"), about_trial(row.trial))
        return
    of_line = finding.line is not None and finding.line.passes
    outside_s = seen_through(rest.fitted.value, rest.series_ohm)
    shift = shift_term(shift_v, outside_s, slope, rest.load_u_s / bench.load_s, of_line=of_line)
    yield _compared(terms.at_pin(shift), AT_PIN, "V", about_trial(row.trial))


def current_budgets(bench: PinBench, finding: PinFinding, pull_down: Term) -> Iterator[Stated]:
    """Net pin current and leakage of the trial with the largest leakage; `pull_down`: its conductance there (S)."""
    rows = [row for row in finding.rows if row.net_current is not None and row.leakage is not None]
    row = max(rows, key=lambda one: one.leakage.value if one.leakage else -math.inf, default=None)
    if row is None or row.trace is None or row.trace.settled is None:
        return
    terms = rest_terms(bench, ReadTrial(row.trial, row.observation, row.trace), row.trace.settled)
    yield Stated(terms.net_current.budget(NET_CURRENT, "A"), about_trial(row.trial))
    leakage = terms.leakage(pull_down)
    inside = pull_down.value()
    if inside.u > BENDS * abs(inside.value):
        yield _compared(leakage, LEAKAGE, "A", about_trial(row.trial))
    else:
        yield Stated(leakage.budget(LEAKAGE, "A"), about_trial(row.trial))


def _of_pull_down(finding: PinFinding, pull_down: Term) -> Iterator[Stated]:
    if finding.pull_down is None:
        return
    about = f"from the {finding.pull_down_from}"
    if finding.pull_down_from != "plan range":
        yield _compared(inverse_term(pull_down), PULL_DOWN, "Ω", about)
        return
    # Rectangular in ohm as it is in the plan, not in siemens.
    expected = Source(PLAN_RANGE, "B", "rectangular", finding.pull_down.u, estimate=finding.pull_down.value, unit="Ω")
    yield Stated(Term((expected,), lambda x: x[expected.name]).budget(PULL_DOWN, "Ω"), about)


def _of_safe(bench: PinBench, finding: PinFinding) -> Iterator[Stated]:
    """G_req, which has an uncertainty wherever it lies, and R_safe where it is stated."""
    required, about = _required(bench, finding)
    if required is None:
        return
    yield Stated(required.budget(REQUIRED, "S"), about)
    if finding.safe_ohm is not None:
        yield _compared(inverse_term(required), SAFE, "Ω", about)


def _required(bench: PinBench, finding: PinFinding) -> tuple[Term | None, str]:
    branch = None if finding.sweep is None else finding.sweep.worse
    if branch is not None:
        return _swept(branch), f"from the sweep, {branch.branch} branch"
    line = finding.line
    terms = None if line is None or not line.passes else line_terms(line)
    if terms is None:
        return None, ""
    # In a mirror image V_IL is measured from a rail.
    level = Source("rail behind the level", "B", "rectangular", ground_of(bench.record.meter).u, unit="V")
    v_il = Term((level,), lambda x: bench.record.levels.v_il + x[level.name])
    return joined(lambda leak, inside, volts: leak / volts - inside, *terms, v_il), "from the plain-leak line"


def _swept(branch: SweepBranch) -> Term:
    return linear_term(branch.required.value, branch.parts)


def _of_time_constant(finding: PinFinding) -> Iterator[Stated]:
    """Of the bare pin where it has one, else of the first trial that has."""
    for row in sorted(finding.rows, key=lambda one: one.trial.resistor != NO_RESISTOR):
        decay = None if row.trace is None else row.trace.decay
        term = None if decay is None else time_constant_term(decay)
        if term is not None:
            yield Stated(term.budget(TIME_CONSTANT, "s"), about_trial(row.trial))
            return


def _highest(rows: Sequence[TrialFinding]) -> TrialFinding | None:
    """The highest that settled with no resistor; with any where no bare trial did."""
    settled = [row for row in rows if row.settled is not None]
    bare = [row for row in settled if row.trial.resistor == NO_RESISTOR]
    return max(bare or settled, key=lambda row: row.settled.value if row.settled else -math.inf, default=None)


def _compared(term: Term, quantity: str, unit: str, about: str) -> Stated:
    budget = term.budget(quantity, unit)
    return Stated(budget, about, term.compared(budget))


__all__ = [
    "AT_PIN",
    "LEAKAGE",
    "NET_CURRENT",
    "PULL_DOWN",
    "REQUIRED",
    "SAFE",
    "SETTLED",
    "TIME_CONSTANT",
    "budgets_of",
    "current_budgets",
    "leakage_of",
    "rest_terms",
    "trial_budgets",
]
