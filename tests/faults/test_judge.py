"""The judge of a run with faults sees a wrong number, a reason without a name and a bench that is not safe."""

from __future__ import annotations

import dataclasses
import math
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from harness.run import RunResult
from results.analysis.findings import Value
from tests.faults.judge import Truth, judged, truth_of
from tests.faults.safe import not_safe, put_in_order
from tests.faults.short_run import made, served


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with served(tmp_path_factory.mktemp("served")) as found:
        yield found


@pytest.fixture(scope="module")
def undisturbed(resources: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    return made(tmp_path_factory.mktemp("undisturbed"), resources, "relay").result


@pytest.fixture(scope="module")
def truth(undisturbed: RunResult) -> Truth:
    return truth_of(undisturbed)


LABEL = "D2 reset default none #1"


def with_line(truth: Truth, **changed: Any) -> Truth:
    """The truth with one field of one line another."""
    return Truth(truth.trials, {**truth.lines, LABEL: {**truth.lines[LABEL], **changed}})


def with_finding(truth: Truth, **changed: Any) -> Truth:
    return Truth({**truth.trials, LABEL: dataclasses.replace(truth.trials[LABEL], **changed)}, truth.lines)


def test_an_undisturbed_run_is_complete_and_right(
    undisturbed: RunResult, truth: Truth, resources: Mapping[str, str]
) -> None:
    """The made-up pin with 60 kΩ and a mid-level leak of 120 µA latches at 2.03 V (the project's worked example)."""
    settled = truth.trials[LABEL].settled
    assert settled is not None
    assert settled.value == pytest.approx(2.031, abs=2e-3)
    assert [truth.trials[label].verdict for label in sorted(truth.trials)] == [
        "released",
        "released",
        "released",
        "stuck high",
    ]
    verdict = judged(undisturbed, truth, (), resources)
    assert verdict.complete
    assert verdict.holds


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("hold_v", 3.0),
        ("rail_v", None),
        ("rail_v", 3.301),
        ("supply_a", 6.2e-3),
        ("reads_settled", "low"),
        ("contact", "not proven"),
        ("holder", "pin"),
    ],
)
def test_a_reading_that_is_another_is_wrong(
    field: str, value: Any, undisturbed: RunResult, truth: Truth, resources: Mapping[str, str]
) -> None:
    verdict = judged(undisturbed, with_line(truth, **{field: value}), (), resources)
    (wrong,) = verdict.wrong
    assert wrong.startswith(f"{LABEL}: {field} ")
    assert not verdict.holds


def test_a_finding_that_is_another_is_wrong_though_by_a_last_bit(
    undisturbed: RunResult, truth: Truth, resources: Mapping[str, str]
) -> None:
    settled = truth.trials[LABEL].settled
    assert settled is not None
    other = with_finding(truth, settled=Value(math.nextafter(settled.value, 9.0), settled.u))
    assert judged(undisturbed, other, (), resources).wrong[0].startswith(f"{LABEL}: settled ")
    (wrong,) = judged(undisturbed, with_finding(truth, verdict="released"), (), resources).wrong
    assert wrong == f"{LABEL}: verdict stuck high, true released"


def test_a_reason_names_a_role_that_had_a_fault(
    undisturbed: RunResult, truth: Truth, resources: Mapping[str, str]
) -> None:
    failed = dataclasses.replace(undisturbed, error=RuntimeError("relay_board /dev/tty: no reply within 2 s"))
    assert judged(failed, truth, ("relay_board",), resources).unnamed == ()
    assert judged(failed, truth, ("board", "meter"), resources).unnamed == (str(failed.error),)
    assert not judged(failed, truth, ("relay_board",), resources).complete


def test_what_is_not_safe_is_seen_at_the_bench_itself_unless_the_run_has_said_it(
    undisturbed: RunResult, truth: Truth, resources: Mapping[str, str]
) -> None:
    assert not_safe(resources) == []
    _, host, port, _ = resources["switch"].split("::")
    with socket.create_connection((host, int(port)), timeout=5) as switch:
        switch.sendall(b"ROUT:CLOS (@102);*OPC?\n")
        switch.recv(10)
    try:
        assert judged(undisturbed, truth, (), resources).unsafe == ("switch: (@102)",)
        said = dataclasses.replace(undisturbed, not_verified=("switch: relays not proven open: no reply",))
        assert judged(said, truth, ("switch",), resources).unsafe == ()
    finally:
        put_in_order(resources)
    assert not_safe(resources) == []


def test_an_undisturbed_run_that_is_not_complete_is_no_truth(undisturbed: RunResult, tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="the meter is gone"):
        truth_of(dataclasses.replace(undisturbed, error=RuntimeError("the meter is gone")))
