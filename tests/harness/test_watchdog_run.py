"""A run keeps the output watchdogs of its bench fed, whatever it waits for, and names one that has tripped."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.bench_file import bench_from_text
from harness.demo import simulated_bench
from harness.errors import BENCH_FAILED, UserFileError, exit_status
from harness.run import RunResult
from tests.drivers.test_watchdog import COMMANDS
from tests.harness.test_conditions_run import asked, supplied_bench, supplied_board
from tests.harness.whole_bench import SOUND, plan_text, run_plan

PINS = {"D1": SOUND}


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A bench on which no time passes but by waiting: the computer's load trips no watchdog."""
    path = tmp_path_factory.mktemp("simulated") / "board.toml"
    path.write_text(supplied_board(PINS), encoding="utf-8")
    with simulated_bench(path, stepped=True) as served:
        yield served


def watched(bench: str, time: str = "3 s") -> str:
    commands = "\n".join(f'{purpose} = "{template}"' for purpose, template in COMMANDS.items())
    for role in ("source", "supply"):
        bench = bench.replace(f"[{role}]\n", f'[{role}]\nwatchdog = "{time}"\n')
        bench += f"[{role}.commands]\n{commands}\n"
    return bench


def run_own(tmp_path: Path, resources: dict[str, str], body: str, *, at_end: str = "off") -> RunResult:
    (tmp_path / "mine.py").write_text(
        "import numpy as np\n"
        "from results.record.observation import Observation\nfrom results.record.trace import Trace\n\n\n"
        f"def mine(bench, trial, settings):\n    {body}\n    return Observation(Trace(np.empty(0), np.empty(0)))\n"
    )
    plan = plan_text(["D1"], trials='procedure = "mine.py"').replace(
        '[rail]\nvoltage = "3.3 V"', f'[rail]\nvoltage = "3.3 V"\nat_end = "{at_end}"'
    )
    bench = watched(supplied_bench(resources, ["D1"])).replace("speed = 10", f'resource = "{resources["clock"]}"')
    return run_plan(tmp_path, plan + "[retest]\nfailures = 0\n", bench, procedures=[tmp_path])


@pytest.mark.parametrize("at_end", ["off", "on"])
def test_a_wait_of_many_times_its_time_trips_none_and_none_watches_on(
    tmp_path: Path, resources: dict[str, str], at_end: str
) -> None:
    result = run_own(tmp_path, resources, "bench.clock.wait(200.0)", at_end=at_end)
    assert result.error is None
    assert result.not_verified == ()
    for role, state in (("source", "0"), ("supply", "1" if at_end == "on" else "0")):
        assert asked(resources[role], "OUTP:PROT:WATC?;WATC:TRIP?;:OUTP:STAT?") == f"+0.000000000E+00;0;{state}"


def test_one_that_tripped_while_the_run_was_busy_elsewhere_is_named_and_all_is_safe(
    tmp_path: Path, resources: dict[str, str]
) -> None:
    result = run_own(tmp_path, resources, "bench.clock.settle(4.0); bench.clock.wait(1.0)")
    assert result.error is not None
    assert exit_status(result.error) == BENCH_FAILED
    assert "its output watchdog has tripped: it heard nothing for 3 s, and its output went off" in str(result.error)
    assert result.not_verified == ()
    assert asked(resources["supply"], "OUTP:STAT?") == "0"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            ('watchdog_off = "OUTP:PROT:WATC 0"\n', ""),
            "bench.toml: source.watchdog: needs source.commands.watchdog_off: no portable command exists",
        ),
        (('watchdog = "3 s"\n', ""), "source.commands.watchdog: needs source.watchdog, the time that it waits"),
        (('"OUTP:PROT:WATC?"', '"OUTP:PROT:WATC"'), "source.commands.watchdog_read: must be a query"),
        (('"OUTP:PROT:WATC {value}"', '"OUTP:PROT:WATC ON"'), "source.commands.watchdog: must hold exactly {value}"),
        (('watchdog = "3 s"', 'watchdog = "1 s"'), "source.watchdog: must be 2 s to 3.6 ks"),
    ],
)
def test_a_watchdog_that_could_not_be_armed_read_back_or_ended_is_refused(change: tuple[str, str], told: str) -> None:
    nowhere = {role: f"TCPIP::127.0.0.1::{n}::SOCKET" for n, role in enumerate(("meter", "source", "switch", "supply"))}
    bench = watched(supplied_bench({**nowhere, "relay_board": "/dev/nowhere", "board": "/dev/none"}, ["D1"]))
    with pytest.raises(UserFileError) as refused:
        bench_from_text(bench.replace(*change), "bench.toml")
    assert told in str(refused.value).replace("\n", " "), str(refused.value)
