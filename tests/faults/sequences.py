"""Random sequences of faults, several on several wires in one run: the same two rules, and the safe state."""

from __future__ import annotations

from collections.abc import Callable

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.faults.faults import FAULTS
from tests.faults.outcome import Outcome
from tests.faults.table import described
from tests.faults.tries import Injection, Try, roles_of

MOST = 4
"""Faults in one run."""

injections = st.sampled_from(FAULTS).flatmap(
    lambda fault: st.builds(
        Injection,
        st.just(fault.name),
        st.sampled_from(roles_of(fault)),
        st.floats(0.0, 0.999),
        st.just(0.0) if fault.once else st.sampled_from((0.0, 0.0, 0.5, 3.0)),
    )
)
tries = st.builds(Try, st.sampled_from(("relay", "source")), st.lists(injections, min_size=1, max_size=MOST).map(tuple))


class BrokenRuleError(AssertionError):
    """A sequence of faults that broke a rule; hypothesis makes it as short as it can."""


def hold(make: Callable[[Try], Outcome], count: int, *, number: int) -> None:
    """Make so many random runs; `number` seeds them. Raises BrokenRuleError with the shortest that breaks a rule."""

    @seed(number)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
    )
    @given(tries)
    def keeps_the_rules(attempt: Try) -> None:
        outcome = make(attempt)
        if not (outcome.holds or outcome.kind == "no bite"):
            raise BrokenRuleError(described(outcome))

    keeps_the_rules()
