"""One bench serves one run at a time; whoever comes second is told who is there."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.claim import claim, lock_name
from drivers.errors import LinkError

METER = "TCPIP::127.0.0.1::5025::SOCKET"
SWITCH = "GPIB0::7::INSTR"

HOLDER = """
import sys, pathlib
from drivers.claim import claim
held = claim([sys.argv[1]], pathlib.Path(sys.argv[2]))
print("held", flush=True)
sys.stdin.read()
"""


def test_a_second_run_is_told_which_process_holds_the_instrument(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, METER, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=root,
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(LinkError) as caught:
            claim([METER], tmp_path)
        assert str(caught.value) == f"{METER}: in use by process {holder.pid} (lock file {tmp_path / lock_name(METER)})"
        # However a process ends, its claim ends with it.
        holder.kill()
    with claim([METER], tmp_path) as held:
        assert held.resources == (METER,)


def test_all_resources_are_claimed_or_none(tmp_path: Path) -> None:
    with claim([SWITCH], tmp_path):
        with pytest.raises(LinkError, match=f"{SWITCH}: in use by this process itself"):
            claim([METER, SWITCH], tmp_path)
        with claim([METER], tmp_path):
            pass


def test_a_closed_claim_is_free_and_names_nobody(tmp_path: Path) -> None:
    held = claim([METER, METER], tmp_path)
    assert (tmp_path / lock_name(METER)).read_text() == f"{os.getpid()} {METER}\n"
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
    with pytest.raises(LinkError, match="its lock file cannot be opened"):
        claim([METER], tmp_path)
    assert victim.read_text() == "precious"


def test_a_folder_that_cannot_be_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LinkError, match=f"^{METER}: its lock file cannot be opened: "):
        claim([METER], tmp_path / "file" / "folder")
