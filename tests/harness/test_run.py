"""Whatever ends a run, the bench is made safe, what was committed is kept, and the exit status says what happened."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.errors import StopRequestedError
from drivers.serial_link import open_serial_link
from harness.errors import UserFileError
from harness.events import BenchMadeSafe, Event, RunEnded, RunStarted, TrialFinished
from harness.run import GUARD_REPORT
from harness.signals import StopRequest
from results.record.run_folder import RunFolder
from tests.harness.whole_bench import (
    LATCHES,
    SOUND,
    bench_text,
    board_text,
    found,
    near_nothing,
    plan_text,
    run_plan,
    simulated,
)

PINS = {"D1": SOUND, "D2": LATCHES}
NAMES = tuple(PINS)


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with simulated(tmp_path_factory.mktemp("simulated"), board_text(PINS)) as served:
        yield served


def closed_relays(resources: dict[str, str]) -> tuple[str, str]:
    """What switch and relay board say of themselves, over fresh connections."""
    _, host, port, _ = resources["switch"].split("::")
    with socket.create_connection((host, int(port)), timeout=5) as switch:
        switch.sendall(b"ROUT:CLOS:STAT?\n")
        of_switch = switch.recv(100).decode().strip()
    board = open_serial_link(resources["relay_board"])
    try:
        return of_switch, board.ask("CLOSED?")
    finally:
        board.close()


RUN = ("run", "plan.toml", "--bench", "bench.toml", "--plain", "--no-pdf")


def command(
    tmp_path: Path, resources: dict[str, str], plan: str, *more: str, words: tuple[str, ...] = RUN
) -> subprocess.Popen[str]:
    """The run as the user starts it, in a process of its own."""
    (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(bench_text(resources, NAMES), encoding="utf-8")
    return subprocess.Popen(
        [sys.executable, "-m", "harness.cli", *words, *more],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_trial(process: subprocess.Popen[str]) -> None:
    """Read the plain lines up to the first finished trial."""
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("1/"):
            return
    raise AssertionError("the run ended before its first trial")


def test_events_come_in_order_and_the_folder_is_sealed(resources: dict[str, str], tmp_path: Path) -> None:
    events: list[object] = []
    result = run_plan(tmp_path, plan_text(NAMES), bench_text(resources, NAMES), events=events)  # type: ignore[arg-type]
    finding = found(result)
    kinds = [type(event) for event in events]
    assert kinds[0] is RunStarted
    assert kinds.count(TrialFinished) == len(finding.trials) == 2
    assert kinds[-2:] == [BenchMadeSafe, RunEnded]
    assert {one.role for one in finding.record.instruments} == {"meter", "source", "switch", "relay_board", "board"}
    assert all(one.identity for one in finding.record.instruments)
    assert closed_relays(resources) == ("(@)", "NONE")


def test_the_same_seed_and_label_give_the_same_trial_whatever_came_before(
    resources: dict[str, str], tmp_path: Path
) -> None:
    first = found(run_plan(tmp_path / "a", plan_text(("D2",)), bench_text(resources, NAMES)))
    other = found(run_plan(tmp_path / "b", plan_text(("D1", "D2")), bench_text(resources, NAMES)))
    one, two = first.trials[0], other.trials[1]
    assert one.trial.label == two.trial.label
    assert one.verdict == two.verdict
    assert one.settled is not None
    assert two.settled is not None
    assert one.settled.value == pytest.approx(two.settled.value, abs=1e-4)


def test_a_stop_request_ends_the_run_and_keeps_what_was_made(resources: dict[str, str], tmp_path: Path) -> None:
    stop = StopRequest()

    class StopsAfterFirst(list[object]):
        def append(self, event: object) -> None:
            super().append(event)
            if isinstance(event, TrialFinished):
                stop.ask("test")

    events = StopsAfterFirst()
    plan = plan_text(NAMES, trials="repeats = 5").replace("repeats = 1\n", "")
    result = run_plan(tmp_path, plan, bench_text(resources, NAMES), stop=stop, events=events)  # type: ignore[arg-type]
    assert type(result.error).__name__ == "StopRequestedError"
    assert result.not_verified == ()
    assert result.folder is not None
    assert not result.folder.sealed
    begun = RunFolder.open(result.folder.path)
    assert len(begun.observations()) == 1
    assert closed_relays(resources) == ("(@)", "NONE")

    made: list[Event] = []
    again = run_plan(tmp_path, plan, bench_text(resources, NAMES), resumed=begun, events=made)
    assert again.folder is not None
    assert again.folder.path == begun.path
    assert [event.trial.sequence for event in made if isinstance(event, TrialFinished)] == list(range(2, 11))
    assert len(found(again).trials) == 10


def test_ctrl_c_ends_with_status_4_and_everything_let_go(resources: dict[str, str], tmp_path: Path) -> None:
    plan = plan_text(NAMES).replace("repeats = 1\n", "repeats = 100\n")
    process = command(tmp_path, resources, plan)
    wait_for_trial(process)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 4, err
    assert "bench safe: every pin let go, every output off; the bus reads 0.000 V" in near_nothing({"bus": out})["bus"]
    assert "Traceback" not in out + err
    assert closed_relays(resources) == ("(@)", "NONE")
    (folder,) = (tmp_path / "runs").iterdir()
    assert (folder / "trials.csv").exists()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL here")
def test_a_killed_run_is_made_safe_by_its_guard(resources: dict[str, str], tmp_path: Path) -> None:
    plan = plan_text(NAMES).replace("repeats = 1\n", "repeats = 100\n")
    process = command(tmp_path, resources, plan)
    wait_for_trial(process)
    process.kill()
    process.communicate(timeout=60)
    deadline = time.monotonic() + 30.0
    while closed_relays(resources) != ("(@)", "NONE"):
        assert time.monotonic() < deadline, "the guard has not let go"
        time.sleep(0.05)
    (folder,) = (tmp_path / "runs").glob("*_T-1")
    assert RunFolder.open(folder).observations()
    report = tmp_path / "runs" / GUARD_REPORT
    while not (report.exists() and report.read_text()):
        assert time.monotonic() < deadline, "the guard has not said what it did"
        time.sleep(0.05)
    assert near_nothing(json.loads(report.read_text())) == {
        "reason": "run ended",
        "not_verified": {},
        "bus": "the bus reads 0.000 V",
    }


def test_the_exit_status_is_1_when_a_pin_sticks_and_0_when_none_does(resources: dict[str, str], tmp_path: Path) -> None:
    for name, expected in (("D1", 0), ("D2", 1)):
        folder = tmp_path / name
        folder.mkdir()
        process = command(folder, resources, plan_text((name,)))
        out, err = process.communicate(timeout=60)
        assert process.returncode == expected, err
        assert "Traceback" not in err
        assert "written in " in out


def test_an_instrument_that_is_not_there_ends_with_status_3(resources: dict[str, str], tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    gone = {**resources, "meter": f"TCPIP::127.0.0.1::{port}::SOCKET"}
    process = command(tmp_path, gone, plan_text(NAMES))
    _, err = process.communicate(timeout=60)
    assert process.returncode == 3
    assert err.startswith(f"stuckpin: meter TCPIP::127.0.0.1::{port}::SOCKET: ")
    assert err.count("\n") == 1


def test_two_runs_on_one_bench_are_one_too_many(resources: dict[str, str], tmp_path: Path) -> None:
    """The second is refused and told who holds the bench; when the first has ended, however, the next one runs."""
    first, second, third = (tmp_path / name for name in ("first", "second", "third"))
    for folder in (first, second, third):
        folder.mkdir()
    holder = command(first, resources, plan_text(NAMES).replace("repeats = 1\n", "repeats = 100\n"))
    wait_for_trial(holder)
    refused = command(second, resources, plan_text(("D1",)))
    _, err = refused.communicate(timeout=60)
    assert refused.returncode == 3
    told = (
        rf"stuckpin: \w+ \S+: in use by process {holder.pid} "
        r"\(.* run .*, since \S+ \S+ UTC, bench file (\S+), folder (\S+)\) \(lock file \S+\)\n$"
    )
    named = re.match(told, err)
    assert named, err
    assert named.groups() == (str(first / "bench.toml"), str(first / "runs"))
    check = command(second, resources, plan_text(("D1",)), words=("check", "--bench", "bench.toml"))
    _, err = check.communicate(timeout=60)
    assert check.returncode == 3
    assert f": in use by process {holder.pid} (" in err
    assert holder.poll() is None
    holder.kill()
    holder.communicate(timeout=60)
    deadline = time.monotonic() + 30.0
    while not (first / "runs" / GUARD_REPORT).exists():
        assert time.monotonic() < deadline, "the guard has not said what it did"
        time.sleep(0.05)
    next_one = command(third, resources, plan_text(("D1",)))
    _, err = next_one.communicate(timeout=60)
    assert next_one.returncode == 0, err


def own(tmp_path: Path, body: str) -> tuple[Path, str]:
    """Folder with a procedure file of this body, `press` being a press of the pin, and the plan that names it."""
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "mine.py").write_text(
        "import os, sys, time\nimport numpy as np\nfrom drivers.errors import StopRequestedError\n"
        "from results.record.observation import Observation\nfrom results.record.trace import Trace\n\n\n"
        "def mine(bench, trial, settings):\n"
        "    bench.select(trial.pin)\n"
        "    press = bench.pressed(trial.pin, settings.path, 3.3, settings.hold_s)\n"
        f"    {body}\n"
        "    return Observation(Trace(np.arange(3.0), np.zeros(3)))\n"
    )
    return folder, plan_text(NAMES, trials='procedure = "mine.py"')


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("with press: raise ValueError('two\\nlines')", "the procedure failed: ValueError: two lines"),
        ("with press: sys.exit(0)", "the procedure failed: SystemExit: 0"),
        ("with press: raise KeyboardInterrupt", "the procedure failed: KeyboardInterrupt"),
        ("press.__enter__(); bench.kept = press", "must let go of the pin before it returns"),
        ("bench.start_log(1e-3, 100)", "must read its log before it returns"),
    ],
)
def test_a_procedure_that_misbehaves_ends_the_run_safely(
    body: str, told: str, resources: dict[str, str], tmp_path: Path
) -> None:
    folder, plan = own(tmp_path, body)
    result = run_plan(tmp_path, plan, bench_text(resources, NAMES), procedures=[folder])
    assert isinstance(result.error, UserFileError)
    assert str(result.error) == f"{folder.resolve() / 'mine.py'}: D1 reset default none #1: {told}"
    assert result.not_verified == ()
    assert result.folder is not None
    assert RunFolder.open(result.folder.path).observations() == []
    assert closed_relays(resources) == ("(@)", "NONE")


def test_a_procedure_that_swallows_the_stop_request_is_stopped_all_the_same(
    resources: dict[str, str], tmp_path: Path
) -> None:
    """Used to go on to the last trial."""
    body = "try:\n        while True: bench.clock.wait(1.0)\n    except StopRequestedError: pass"
    folder, plan = own(tmp_path, body)
    stop = StopRequest()
    asker = threading.Timer(0.8, stop.ask, ("test",))
    asker.start()
    result = run_plan(tmp_path, plan, bench_text(resources, NAMES), procedures=[folder], stop=stop)
    asker.join()
    assert isinstance(result.error, StopRequestedError)
    assert result.folder is not None
    assert len(RunFolder.open(result.folder.path).observations()) <= 1


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL here")
def test_a_procedure_that_hangs_with_a_pin_pressed_is_ended_by_the_guard(
    resources: dict[str, str], tmp_path: Path
) -> None:
    _, plan = own(tmp_path, "with press: time.sleep(1e6)")
    process = command(tmp_path, resources, plan, "--procedures", "own")
    _, err = process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    # The guard holds the same standard error, and the output has ended only when the guard has.
    assert near_nothing({"bus": err})["bus"] == (
        "stuckpin guard: the run hung while a pin was pressed, and was ended\n"
        "stuckpin guard: everything made safe; the bus reads 0.000 V\n"
    )
    assert closed_relays(resources) == ("(@)", "NONE")
    told = json.loads((tmp_path / "runs" / GUARD_REPORT).read_text())
    assert near_nothing(told) == {"reason": "lease", "not_verified": {}, "bus": "the bus reads 0.000 V"}


def test_a_wrong_file_ends_with_status_2_before_an_instrument_is_touched(
    resources: dict[str, str], tmp_path: Path
) -> None:
    gone = dict.fromkeys(("meter", "source", "switch"), "TCPIP::127.0.0.1::1::SOCKET")
    process = command(tmp_path, {**resources, **gone}, plan_text(NAMES).replace("repeats = 1", "repeats = 0"))
    _, err = process.communicate(timeout=60)
    assert process.returncode == 2
    assert err == "stuckpin: plan.toml: trials.repeats: must be 1 to 1000: 0\n"
