"""Signals ask; nothing is raised into running code, and nothing puts a program to sleep whose bench is open."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import harness
from harness.signals import AWAKE, StopRequest, stop_on_signals

HOUSE = Path(harness.__file__).parent.parent


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_asks_however_often_it_comes_and_the_first_reason_stays(name: str) -> None:
    stop = StopRequest()
    before = signal.getsignal(getattr(signal, name))
    with stop_on_signals(stop):
        for _ in range(3):
            signal.raise_signal(getattr(signal, name))
        signal.raise_signal(signal.SIGINT)
    assert (stop.asked(), stop.reason) == (True, name)
    assert signal.getsignal(getattr(signal, name)) == before


@pytest.mark.parametrize(("name", "said"), [("SIGTSTP", f"{AWAKE}\n"), ("SIGTTIN", ""), ("SIGTTOU", "")])
def test_nothing_puts_a_program_to_sleep_whose_bench_is_open(
    name: str, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    stop = StopRequest()
    with stop_on_signals(stop):
        signal.raise_signal(getattr(signal, name))
    assert not stop.asked()
    assert capfd.readouterr().err == said


REENTERED = """
import signal, time
from harness.signals import StopRequest


class Now:
    stop = StopRequest()


signal.signal(signal.SIGALRM, lambda *_: Now.stop.ask("again"))
until_s, count = time.monotonic() + 0.5, 0
while time.monotonic() < until_s:
    Now.stop = StopRequest()
    count += 1
    signal.setitimer(signal.ITIMER_REAL, 1e-6 * (1 + count % 40))
    Now.stop.ask("first")
    assert Now.stop.asked()
signal.setitimer(signal.ITIMER_REAL, 0)
print("never stuck")
"""


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="no such timer here")
def test_a_signal_that_comes_while_another_asks_does_not_stop_everything() -> None:
    """The request had a lock: a second Ctrl-C within some microseconds of the first waited for itself for ever, and the
    run went on."""
    ended = subprocess.run(
        [sys.executable, "-c", REENTERED], capture_output=True, text=True, check=False, cwd=HOUSE, timeout=30
    )
    assert (ended.stdout, ended.stderr) == ("never stuck\n", "")


def test_each_look_at_the_request_is_a_sign_of_life() -> None:
    stop, looks = StopRequest(), [0]

    def looked() -> None:
        looks[0] += 1

    stop.on_look = looked
    stop.asked()
    stop.asked()
    assert looks == [2]


def test_a_ctrl_c_while_the_program_is_loaded_is_one_line(tmp_path: Path) -> None:
    """Used to be a traceback of whatever import it came into."""
    (tmp_path / "typer.py").write_text("raise KeyboardInterrupt\n")
    code = f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(HOUSE)!r}]; from harness.entry import main; main()"
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=HOUSE)
    assert (ended.returncode, ended.stderr) == (4, "stuckpin: interrupted\n")


@pytest.mark.skipif(os.name == "nt", reason="a shell closes streams there in another way")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_streams_that_were_closed_before_it_began_change_nothing(closed: str) -> None:
    """With its output closed it used to end in a defect, and its first socket took the number of the output."""
    ended = subprocess.run(
        ["sh", "-c", f'"{sys.executable}" -m harness.cli --version {closed}'],
        capture_output=True,
        text=True,
        check=False,
        cwd=HOUSE,
    )
    assert ended.returncode == 0, ended.stderr
    assert "Traceback" not in ended.stderr
