"""However a run dies, the bench is safe and stays so. A few of the deaths; `python -m tests.ways_of_dying` has all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ways_of_dying.__main__ import row, too_short
from tests.ways_of_dying.deaths import Death, applies, died, planned
from tests.ways_of_dying.scene import bench
from tests.ways_of_dying.states import STATES, body
from tests.ways_of_dying.ways import WAYS

STATE = {state.name: state for state in STATES}
WAY = {way.name: way for way in WAYS}


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """Instruments that take one client, as many do: the guard has them only once the run has none."""
    with bench(tmp_path_factory.mktemp("bench"), "one, others are refused") as served:
        yield served


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="signals and terminals as on POSIX systems")
@pytest.mark.parametrize(
    ("state", "way"),
    [
        ("sweep", "Ctrl-C three times"),
        ("held and pressed", "leaves a child, SIGKILL"),
        ("pressed by relay", "leaves a pressing thread"),
        ("preparing, supply on", "terminal closed"),
    ],
)
def test_a_run_that_dies_leaves_the_bench_safe(resources: dict[str, str], tmp_path: Path, state: str, way: str) -> None:
    death = died(tmp_path / "run", resources, STATE[state], WAY[way])
    assert not death.fell_short, row(death)


def test_a_death_is_well_only_where_the_bench_was_safe_in_time_and_stayed_so() -> None:
    state, way = STATE["idle"], WAY["SIGKILL"]
    assert not too_short(Death(state, way, 1.9))
    for short in (
        Death(state, way, 2.1),
        Death(state, way, None),
        Death(state, way, 0.1, ("press",)),
        Death(state, way, 0.1, failed="the run did not end: TimeoutExpired"),
    ):
        assert too_short(short)
    assert row(Death(state, way, None, ("press", "rail 3.30 V"))).endswith("never  left: press, rail 3.30 V")


def test_every_state_has_its_deaths() -> None:
    pairs = planned()
    assert {state.name for state, _ in pairs} == set(STATE)
    assert {way.name for _, way in pairs} == set(WAY)
    assert not applies(STATE["making safe"], WAY["sys.exit"])
    assert not applies(STATE["pressed by relay"], WAY["comes back pressed"])


def test_a_procedure_comes_to_its_state_says_so_and_does_its_deed() -> None:
    assert body(STATE["sweep"], "sys.exit(0)") == (
        "    bench.rail_voltage()\n"
        '    bench.select("D1")\n'
        '    with bench.pressed("D1", "source", 3.3):\n'
        "        bench.force(2.0)\n"
        "        bench.source.read()\n"
        "        bench.force(1.5)\n"
        '        there("here")\n'
        "        sys.exit(0)"
    )
