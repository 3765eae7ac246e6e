"""The resistor to fit, with the margin that the evidence shows, or the reason why none is named and what to try next.

Only a value that was itself tried, and released in every trial together with every smaller one, is advised. Its
margin comes from a larger resistor that released every time too, or from the safe resistance of a line that passed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from results.analysis.findings import Advice, Bracket, Value, Verdict
from results.analysis.found.fitting import SafeLimit
from results.analysis.resistor.safe_resistance import conductance_limits, evidence_of, ohm_of
from results.analysis.uncertainty.stuck_rate import upper_limit
from results.quantity import show
from results.record.run_record import Rules
from results.record.trial import Resistor
from results.series import is_preferred, largest_at_most

UNSTATED_LOAD_S = 1e-6
"""Load of a meter whose input is not stated, where a margin rests on it: no usual voltage input is below 1 MΩ."""

MERE_LUCK = 0.05
"""Releases that a pin which sticks only sometimes would show with this chance anyway prove nothing (5 %)."""


NO_BETTER = "no better than the values tried"
"""Said of every value that trials alone name: a larger one of the series may do as well, which a sweep would tell."""


@dataclass(frozen=True)
class Case:
    """What advice rests on, for one pin under one condition.

    `verdict`: the worst with no resistor. `required`: G_req of the pin (siemens) where the line passes. `load_s`: what
    the bench itself hung on the node in every trial (None: not stated). `pull_down_missing`: none was found.
    `contradicted`: line and trials disagree, so that the worse of the two counts.
    """

    verdict: Verdict
    tried: Mapping[Resistor, Sequence[Verdict]]
    bracket: Bracket
    required: Value | None
    rules: Rules
    load_s: float | None
    series_ohm: float
    pull_down_missing: bool = False
    contact_proven: bool = True
    contradicted: bool = False


@dataclass(frozen=True)
class _Shown:
    """The margin that something shows, to which resistance, and in words."""

    margin: float
    limit: SafeLimit
    said: str


def advise(case: Case) -> Advice:
    """Name the resistor to fit, or say why not."""
    needed = _needed(case)
    if needed is False:
        return Advice(None, False, None, f"none needed: {_released_so_often(case, 'none')}{_contact(case)}")
    ordered = evidence_of(case.tried)
    if not ordered:
        return Advice(None, None, None, "not determined: no trial is evidence")
    why = "no pull-down of its own: " if case.pull_down_missing else ""
    if case.bracket.low is None:
        return Advice(None, needed, None, why + _nothing_released(case, ordered[0]))
    candidates = _candidates(case)
    for resistor, ohm in candidates:
        shown = _margin(case, resistor, ohm)
        if shown is not None and shown.margin >= case.rules.margin:
            said = f"{resistor.name} {_released_so_often(case, resistor.name)}; {shown.said}{_contact(case)}"
            return Advice(ohm, needed, shown.margin, f"{why}{said}; {NO_BETTER}", shown.limit)
    return Advice(None, needed, None, why + _no_margin(case, candidates))


def _needed(case: Case) -> bool | None:
    if case.pull_down_missing or case.verdict in ("stuck high", "stuck between", "slow"):
        return True
    if case.verdict == "released":
        # Released with nothing fitted, yet stuck with a resistor: that is no pin to give the all-clear.
        return False if case.bracket.state == "none needed" else None
    return None


def _proven(case: Case) -> Resistor | None:
    """The largest resistor whose releases, with those of larger ones up to the low side, were hardly luck.

    Had nothing been changed by them, so many releases would come with the chance of the pin's own rate of releasing,
    that of its trials above the low side, to the power of their number. The rate is zero for a pin that sticks every
    time there: then the low side itself is proven.
    """
    low_s = next(one for one in case.tried if one.name == case.bracket.low).conductance_s
    ordered = evidence_of(case.tried)
    above = [verdict for one, verdicts in ordered if one.conductance_s < low_s for verdict in verdicts]
    rate = above.count("released") / len(above) if above else 0.0
    presses = 0
    for resistor, verdicts in reversed(ordered):
        if resistor.conductance_s >= low_s:
            presses += len(verdicts)
            if rate**presses <= MERE_LUCK:
                return resistor
    return None


def _candidates(case: Case) -> list[tuple[Resistor, float]]:
    """Tried values of the series up to the low side of the bracket with their nominal ohms, largest first."""
    low = next(resistor for resistor in case.tried if resistor.name == case.bracket.low)
    fitting = [
        (resistor, resistor.nominal_ohm)
        for resistor, _ in evidence_of(case.tried)
        if resistor.nominal_ohm is not None
        and resistor.conductance_s >= low.conductance_s
        and is_preferred(case.rules.series, resistor.nominal_ohm)
    ]
    return fitting[::-1]


def _margin(case: Case, resistor: Resistor, ohm: float) -> _Shown | None:
    """Relative margin in conductance of the part as bought, and what shows it; None where nothing does.

    Where line and trials contradict each other, neither is enough: both must show it, and the smaller one counts.
    """
    both = (_by_trials(case, resistor, ohm), _by_line(case, ohm))
    found = [shown for shown in both if shown is not None]
    if not found or (case.contradicted and len(found) < len(both)):
        return None
    return (min if case.contradicted else max)(found, key=lambda shown: shown.margin)


def _by_trials(case: Case, resistor: Resistor, ohm: float) -> _Shown | None:
    """Against the largest resistor that released every time: it, the meter and the fixture were enough."""
    proven = _proven(case)
    if proven is None or proven.conductance_s >= resistor.conductance_s:
        return None
    enough_s = _enough(case, proven)
    if enough_s <= 0.0:
        return None
    margin = _bought(case, ohm) / enough_s - 1.0
    load = "" if case.load_s is not None else f" (meter not stated, taken as {show(1.0 / UNSTATED_LOAD_S, 'Ω')})"
    said = f"margin {_whole(margin)} to {proven.name}, which released every time too{load}"
    return _Shown(margin, SafeLimit(1.0 / enough_s, case.bracket.below_ohm, "trials"), said)


def _by_line(case: Case, ohm: float) -> _Shown | None:
    """Against the external part of the line's safe resistance at its lower uncertainty limit."""
    if case.required is None:
        return None
    upper_s = case.required.value + case.rules.coverage * case.required.u
    if upper_s <= 0.0:
        return None
    external_ohm = 1.0 / upper_s - case.series_ohm
    if external_ohm <= 0.0:
        return None
    margin = _bought(case, ohm) * external_ohm - 1.0
    lower_s = case.required.value - case.rules.coverage * case.required.u
    high_ohm = 1.0 / lower_s - case.series_ohm if lower_s > 0.0 else None
    said = f"margin {_whole(margin)} to {show(external_ohm, 'Ω', 3)}, the lower limit of the plain-leak line"
    return _Shown(margin, SafeLimit(external_ohm, high_ohm, "line"), said)


def _enough(case: Case, proven: Resistor) -> float:
    """Conductance (siemens) that was enough in every trial, at its upper limit, with the bench's load in it."""
    load_s = UNSTATED_LOAD_S if case.load_s is None else case.load_s
    return conductance_limits(proven, case.rules.coverage)[1] + load_s


def _bought(case: Case, ohm: float) -> float:
    """What a part of that nominal value conducts at least (siemens)."""
    return 1.0 / (ohm * (1.0 + case.rules.advised_tolerance))


def _no_margin(case: Case, candidates: Sequence[tuple[Resistor, float]]) -> str:
    """No tried value keeps the margin: which one would."""
    wanted = show(case.rules.margin, "%")
    next_ohm = _next_to_try(case)
    if _proven(case) is None:
        return (
            f"{case.bracket.low} released every time, but on a pin that sticks only sometimes that may be luck: repeat"
        )
    if candidates:
        said = f"{case.bracket.low} released every time, but no tried value shows a margin of {wanted}"
    else:
        said = f"{case.bracket.low} released every time, but no tried value that did is of series {case.rules.series}"
    return said if next_ohm is None else f"{said}: try {show(next_ohm, 'Ω')}"


def _next_to_try(case: Case) -> float | None:
    """The largest value of the series that keeps the margin to what is known; None where nothing limits it."""
    limits = []
    proven = _proven(case)
    if proven is not None and proven.nominal_ohm is not None:
        limits.append(1.0 / _enough(case, proven))
    if case.required is not None and case.required.value + case.rules.coverage * case.required.u > 0.0:
        line_ohm = 1.0 / (case.required.value + case.rules.coverage * case.required.u) - case.series_ohm
        limits.append(line_ohm)
    usable = [limit for limit in limits if limit > 0.0]
    if not usable:
        return None
    limit = min(usable) if case.contradicted else max(usable)
    return largest_at_most(
        case.rules.series, limit / ((1.0 + case.rules.margin) * (1.0 + case.rules.advised_tolerance))
    )


def _nothing_released(case: Case, smallest: tuple[Resistor, list[Verdict]]) -> str:
    """Not even the smallest tried value released every time."""
    resistor, verdicts = smallest
    ohm = ohm_of(resistor)
    if ohm is None:
        return "no trial with a resistor: plan some"
    missed = sum(verdict != "released" for verdict in verdicts)
    next_ohm = largest_at_most(case.rules.series, 0.5 * ohm)
    return (
        f"no tried resistor released every time ({resistor.name} did not in {missed} of {len(verdicts)} presses): "
        f"try {show(next_ohm, 'Ω')}"
    )


def _released_so_often(case: Case, name: str) -> str:
    """How much the presses prove: a count with the rate that it still allows."""
    verdicts = next((v for resistor, v in evidence_of(case.tried) if resistor.name == name), [])
    limit = upper_limit(0, len(verdicts))
    allowed = "" if limit is None else f", which excludes only stuck rates above {_tenths(limit)}"
    count = len(verdicts)
    return f"released in {'the only press' if count == 1 else f'all {count} presses'}{allowed}"


def _whole(margin: float) -> str:
    """Whole per cent, rounded down: a margin must not be shown larger than it is."""
    return f"{math.floor(100.0 * margin + 1e-9)} %"


def _tenths(limit: float) -> str:
    """Tenths of a per cent, rounded up: an upper limit must not be shown smaller than it is."""
    return f"{math.ceil(1000.0 * limit - 1e-9) / 10.0:g} %"


def _contact(case: Case) -> str:
    return "" if case.contact_proven else "; contact not proven"
