"""A procedure of one's own that misuses what the bench can do still ends with everything let go, and is told why."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.serial_link import open_serial_link
from harness.errors import UserFileError
from harness.run import RunResult
from tests.harness.faulty_wire import FaultyWire
from tests.harness.test_conditions_run import asked, supplied_bench, supplied_board
from tests.harness.whole_bench import SOUND, plan_text, run_plan, simulated

PINS = {"D1": SOUND, "D2": SOUND}
WIRES = (
    '[wiring.hold.D2]\nchannel = "relay_board 9"\nresistor_ohm = 1000.0\n'
    '[[wiring.add]]\nnominal_f = 1e-7\nchannel = "relay_board 6"\n'
)


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    board = supplied_board(PINS).replace("[supply]", f"{WIRES}[supply]")
    with simulated(tmp_path_factory.mktemp("simulated"), board) as served:
        yield served


def state(resources: dict[str, str]) -> tuple[str, ...]:
    """Closed relays of both devices, the outputs of source and supply, over wires of our own."""
    board = open_serial_link(resources["relay_board"])
    try:
        relays = board.ask("CLOSED?")
    finally:
        board.close()
    switch = asked(resources["switch"], "ROUT:CLOS:STAT?")
    return (
        switch,
        relays,
        asked(resources["source"], "OUTP:STAT?;:OUTP:SMOD?"),
        asked(resources["supply"], "OUTP:STAT?"),
    )


SAFE = ("(@)", "NONE", "0;HIMP", "0")


def bench_file(resources: dict[str, str]) -> str:
    bench = supplied_bench(resources, list(PINS)) + '[wiring.hold]\nD2 = "relay_board 9"\n'
    return bench.replace("[wiring.select]", '[wiring.add]\n"100 nF" = "relay_board 6"\n[wiring.select]')


def run_own(tmp_path: Path, resources: dict[str, str], body: str) -> RunResult:
    (tmp_path / "mine.py").write_text(
        "import sys\nimport numpy as np\n"
        "from results.record.observation import Observation\nfrom results.record.trace import Trace\n\n\n"
        "def mine(bench, trial, settings):\n"
        "    bench.deselect()\n    rail_v = bench.rail_voltage()\n"
        f"    {body}\n"
        "    return Observation(Trace(np.arange(3.0), np.zeros(3)), rail_v=rail_v)\n"
    )
    plan = plan_text(list(PINS), trials='procedure = "mine.py"')
    return run_plan(tmp_path, plan, bench_file(resources), procedures=[tmp_path])


@pytest.mark.parametrize(
    ("body", "told"),
    [
        (
            "h = bench.held(['D2'], 3.3); h.__enter__(); bench.kept = h",
            "must let go of D2, which it holds, before it returns",
        ),
        (
            "bench.select('D1'); g = bench.grounded(); g.__enter__(); bench.kept = g",
            "must part the pin from ground before it returns",
        ),
        (
            "bench.add('100 nF'); bench.select('D1')\n    with bench.pressed('D1', 'relay', 3.3): sys.exit(7)",
            "the procedure failed: SystemExit: 7",
        ),
        (
            "with bench.bare() as bus, bus.forced(3.3): raise ValueError('in the middle')",
            "the procedure failed: ValueError: in the middle",
        ),
        (
            "b = bench.bare(); c = b.__enter__().closed('press'); c.__enter__(); bench.kept = c, b",
            "must end what it has begun before it returns: measure rail",
        ),
        ("bench.set_rail(3.6)", "must set the rail back to 3.3 V before it returns, it is at 3.6 V"),
        ("bench.power_off()", "must set the rail back to 3.3 V before it returns, it is off"),
    ],
    ids=["held", "grounded", "capacitor", "bare bus", "bare bus kept", "other rail", "no rail"],
)
def test_what_is_left_energised_grounded_or_changed_ends_the_run(
    body: str, told: str, resources: dict[str, str], tmp_path: Path
) -> None:
    result = run_own(tmp_path, resources, body)
    assert isinstance(result.error, UserFileError)
    assert str(result.error) == f"{(tmp_path / 'mine.py').resolve()}: D1 reset default none #1: {told}"
    assert result.not_verified == ()
    assert state(resources) == SAFE


def test_a_supply_that_is_to_stay_on_and_is_not_proven_is_said(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Used to be struck out when the guard, which knows nothing of such a supply, had proven all the others."""
    monkeypatch.setattr("harness.safety.GIVE_UP_S", 0.2)
    plan = plan_text(["D1"]).replace("[rail]\n", '[rail]\nat_end = "on"\n')
    with FaultyWire(resources["supply"], at=r"VOLT:LEV:IMM:AMPL 3\.3|^VOLT 3\.3", nth=2, fault="closed") as wire:
        result = run_plan(tmp_path, plan, bench_file({**resources, "supply": wire.resource}))
    (problem,) = result.not_verified
    assert problem.startswith("supply: not proven at its nominal voltage: ")
    assert state(resources)[:3] == SAFE[:3]
