"""One bench serves one run at a time; whoever comes second is told who is there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers import claim as lock_module
from drivers.claim import claim, lock_name
from drivers.errors import LinkError

METER = "TCPIP::127.0.0.1::5025::SOCKET"
SWITCH = "GPIB0::7::INSTR"
DAY = timedelta(days=1)

HOLDER = """
import sys, pathlib
from drivers.claim import claim
held = claim([sys.argv[1]], pathlib.Path(sys.argv[2]), facts={"bench file": "/lab/bench.toml"})
print("held", flush=True)
sys.stdin.read()
"""
ROOT = Path(__file__).parents[2]


@contextmanager
def holder(resource: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the resource until it is ended."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, resource, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def refused(resource: str, folder: Path) -> str:
    with pytest.raises(LinkError) as caught:
        claim([resource], folder)
    message = str(caught.value)
    assert message.isprintable()
    return message


def test_a_second_run_is_told_which_process_holds_the_instrument(tmp_path: Path) -> None:
    with holder(METER, tmp_path) as first:
        told = re.fullmatch(
            rf"{METER}: in use by process {first.pid} \((.*), since (\S+ \S+) UTC, bench file /lab/bench.toml\) "
            rf"\(lock file {re.escape(str(tmp_path / lock_name(METER)))}\)",
            refused(METER, tmp_path),
        )
        assert told
        assert told[1].startswith(f"{sys.executable} -c ")
        assert abs(datetime.fromisoformat(f"{told[2]}+00:00") - datetime.now(UTC)) < DAY
        assert refused("tcpip0::localhost::05025::socket", tmp_path).startswith("tcpip0::localhost::05025::socket: in")
    # However a process ends, its claim ends with it, and the name that it left in the file means nothing.
    assert (tmp_path / lock_name(METER)).read_text().startswith(f"{first.pid} {METER}\n")
    with claim([METER], tmp_path) as held:
        assert held.resources == (METER,)
        assert (tmp_path / lock_name(METER)).read_text().startswith(f"{os.getpid()} {METER}\n")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="the system does not tell who lives")
@pytest.mark.parametrize("recycled", [False, True], ids=["gone", "its number is another's"])
def test_what_a_dead_run_left_behind_holds_its_bench_until_it_is_safe(tmp_path: Path, recycled: bool) -> None:
    """Its guard holds the lock then; the number in the file is nobody's, or by now that of somebody else."""
    held = claim([METER], tmp_path)
    held.tell(guard="4712")
    path = tmp_path / lock_name(METER)
    number = os.getppid() if recycled else dead_process()
    path.write_text(path.read_text().replace(str(os.getpid()), str(number), 1))
    assert refused(METER, tmp_path) == (
        f"{METER}: in use by the guard of process {number}, which has ended: the guard, process 4712, makes the "
        f"instruments safe; try again in some seconds (lock file {path})"
    )
    held.close()


def dead_process() -> int:
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        process.wait()
    return process.pid


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "another process"),
        ("no number", "another process"),
        ("99999999999 x\n", "another process"),
        ("1 x\nbegan \n\x1b[2Jevil: \u202e=1\x07\n", r"process 1 \((\S.*, )?\?\[2Jevil \?=1\?\)"),
        ("1 x\nbegan \nfolder: " + "y" * 5000, r"process 1 \((\S.*, )?folder y{199}…\)"),
    ],
)
def test_what_a_stranger_wrote_into_a_lock_file_is_shown_and_not_obeyed(tmp_path: Path, text: str, told: str) -> None:
    with claim([METER], tmp_path):
        (tmp_path / lock_name(METER)).write_text(text)
        assert re.search(rf": in use by {told} \(lock file ", refused(METER, tmp_path))


def test_all_resources_are_claimed_or_none(tmp_path: Path) -> None:
    with claim([SWITCH], tmp_path):
        with pytest.raises(LinkError, match=f"{SWITCH}: in use by this process itself"):
            claim([METER, SWITCH], tmp_path)
        with claim([METER], tmp_path):
            pass


def test_a_closed_claim_is_free_and_names_nobody(tmp_path: Path) -> None:
    held = claim([METER, METER], tmp_path)
    assert (tmp_path / lock_name(METER)).read_text().startswith(f"{os.getpid()} {METER}\n")
    held.close()
    held.close()
    assert (tmp_path / lock_name(METER)).read_text() == ""
    claim([METER], tmp_path).close()


def test_a_claim_ends_with_its_block_whatever_is_raised_there(tmp_path: Path) -> None:
    with pytest.raises(KeyError), claim([METER], tmp_path):
        raise KeyError
    claim([METER], tmp_path).close()


def test_two_spellings_of_one_address_are_one_instrument(tmp_path: Path) -> None:
    port = tmp_path / "ttyACM0"
    port.touch()
    by_id = tmp_path / "by-id"
    by_id.symlink_to(port)
    assert lock_name(str(by_id)) == lock_name(str(port))
    assert lock_name("tcpip0::127.0.0.1::5025::socket") == lock_name(METER)
    assert lock_name("TCPIP::127.0.0.1::5026::SOCKET") != lock_name(METER)


def test_a_lock_file_is_not_followed_to_where_a_stranger_points_it(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (tmp_path / lock_name(METER)).symlink_to(victim)
    assert "its lock file cannot be opened" in refused(METER, tmp_path)
    assert victim.read_text() == "precious"


def test_a_folder_that_cannot_be_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LinkError, match=f"^{METER}: its lock file cannot be opened: "):
        claim([METER], tmp_path / "file" / "folder")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("planted", ["pipe", "folder", "second name"])
def test_what_a_stranger_laid_in_place_of_a_lock_file_is_refused(tmp_path: Path, planted: str) -> None:
    """A second name of a file used to be emptied, and a pipe to be one traceback."""
    path, victim = tmp_path / lock_name(METER), tmp_path / "victim"
    victim.write_text("precious")
    {"pipe": os.mkfifo, "folder": Path.mkdir, "second name": lambda place: os.link(victim, place)}[planted](path)
    assert refused(METER, tmp_path).startswith(f"{METER}: its lock file cannot be opened: ")
    assert victim.read_text() == "precious"


def test_a_folder_that_a_stranger_laid_as_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "claims").symlink_to(tmp_path / "home")
    assert f"{tmp_path / 'claims'} is a link, which somebody else" in refused(METER, tmp_path / "claims")
    assert list((tmp_path / "home").iterdir()) == []


@pytest.mark.skipif(not Path("/tmp").is_dir(), reason="this system has no such folder")
def test_every_shell_looks_into_the_same_folder_whatever_its_own_is_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two runs whose TMPDIR differed did not see each other."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    mine = f"TCPIP::192.0.2.1::{os.getpid() % 60000 + 1}::SOCKET"
    with claim([mine]):
        assert (Path("/tmp/stuckpin-claims") / lock_name(mine)).exists()
        assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/pts").is_dir(), reason="this system has no such pseudo-terminals")
def test_the_lock_of_a_pseudo_terminal_leaves_nothing_behind(tmp_path: Path) -> None:
    """It never comes again; the files of others are few, and stay."""
    master, line = os.openpty()
    name = os.ttyname(line)
    with claim([name, METER], tmp_path):
        assert refused(f"ASRL{name}::INSTR", tmp_path)
        assert len(list(tmp_path.iterdir())) == 2
    assert [path.name for path in tmp_path.iterdir()] == [lock_name(METER)]
    os.close(line)
    os.close(master)


def test_a_file_that_is_removed_while_it_is_being_locked_is_opened_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else two would hold it: one the file that is gone, the other the new one of the same name."""
    path, real, left = tmp_path / lock_name(METER), lock_module._try_lock, [1, 1]

    def removed_first(descriptor: int) -> bool:
        if left:
            left.pop()
            path.unlink()
        return real(descriptor)

    monkeypatch.setattr(lock_module, "_try_lock", removed_first)
    with claim([METER], tmp_path):
        assert left == []
        assert "this process itself" in refused(METER, tmp_path)
