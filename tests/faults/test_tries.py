"""A run with a fault on one of its wires ends with the right numbers or a named failure, and safe; a few of many.

`make faults` tries them all.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.outcome import ShortBench, short_bench
from tests.faults.sequences import BrokenRuleError, hold
from tests.faults.table import described
from tests.faults.tries import Injection, Try


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShortBench]:
    with short_bench(tmp_path_factory.mktemp("faults")) as found:
        yield found


@pytest.mark.parametrize(
    ("fault", "role", "moment"),
    [
        ("stray before", "meter", 0.5),
        ("half", "board", 0.6),
        ("one reading less", "meter", 0.4),
        ("byte order set by another", "meter", 0.5),
        ("closed after", "switch", 0.5),
        ("unplugged", "relay_board", 0.5),
        ("garbage", "relay_board", 0.8),
        ("restarts before", "source", 0.6),
        # While the bench is prepared: a board without power says nothing, and used to be blamed for it.
        ("restarts before", "supply", 0.34),
        ("another identity", "supply", 0.0),
    ],
)
def test_a_fault_is_named_or_does_no_harm(fault: str, role: str, moment: float, bench: ShortBench) -> None:
    outcome = bench.outcome(Try("source", (Injection(fault, role, moment),)))
    assert outcome.holds, described(outcome)


@pytest.mark.parametrize("fault", ["CR LF", "clock set back"])
def test_what_is_no_fault_ends_with_the_right_numbers(fault: str, bench: ShortBench) -> None:
    outcome = bench.outcome(Try("relay", (Injection(fault, "meter", 0.4, 0.5),)))
    assert outcome.kind == "right number", described(outcome)


def test_random_sequences_of_faults_hold_both_rules(bench: ShortBench) -> None:
    try:
        hold(bench.outcome, 6, number=2417)
    except BrokenRuleError as broken:
        pytest.fail(str(broken))
