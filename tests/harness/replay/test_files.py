"""The run's own bench file serves a replay: other addresses and a clock are put in, and nothing else is touched."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.bench_file import bench_from_text
from harness.checked import checked
from harness.errors import UserFileError
from harness.replay.files import served_bench, write_replay_files
from results.record.check import CheckItem, CheckRecord
from results.record.run_folder import RunFolder
from tests.harness.whole_bench import bench_text
from tests.results.analysis.made_pins import Bench, record_of

SCPI = ("meter", "source", "switch")
LINES = ("relay_board", "board")
LOGGED = {role: f"TCPIP::h::{index}::SOCKET" for index, role in enumerate(SCPI, start=1)} | {
    "relay_board": "/dev/ttyUSB0",
    "board": "COM3",
}
SERVED = {role: f"TCPIP::127.0.0.1::4000{index}::SOCKET" for index, role in enumerate(SCPI)} | {
    role: f"socket://127.0.0.1:5000{index}" for index, role in enumerate((*LINES, "clock"))
}
HERE = Path("bench.toml")


def differing_lines(one: str, other: str) -> list[str]:
    return [line for line in other.splitlines() if line not in one.splitlines()]


def test_resources_and_clock_are_put_in_and_all_else_stays() -> None:
    text = bench_text(LOGGED, ("D1",))
    served = served_bench(text, SERVED, HERE)
    assert sorted(differing_lines(text, served)) == sorted(f'resource = "{one}"' for one in SERVED.values())
    read = bench_from_text(served, "bench.toml")
    assert {role: table.resource for role, table in read.instruments().items()} | {
        "clock": read.clock.resource
    } == SERVED
    assert read.clock.speed == 10.0


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[clock]\nspeed = 10\n", ""),
        ("[clock]\nspeed = 10\n", '[ clock ] # at ten\nspeed = 10\nresource = "socket://h:1"\n'),
        ('resource = "COM3"', "resource  =  'COM3' # the console"),
    ],
)
def test_other_ways_to_write_the_file_are_understood(old: str, new: str) -> None:
    text = bench_text(LOGGED, ("D1",))
    assert text.count(old) == 1
    tables = tomllib.loads(served_bench(text.replace(old, new), SERVED, HERE))
    assert {role: tables[role]["resource"] for role in SERVED} == SERVED


def test_a_vendor_library_gives_way_to_pyvisa_py() -> None:
    text = bench_text(LOGGED, ("D1",)).replace("[bench]\n", '[bench]\nvisa = "/opt/lib/visa.so"\n')
    assert tomllib.loads(served_bench(text, SERVED, HERE))["bench"]["visa"] == "@py"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "[meter]\nresource = 5",
            "bench.toml: source.resource: cannot be replaced by the replay's: TCPIP::127.0.0.1::40001",
        ),
        ("[meter", "bench.toml: not TOML"),
    ],
)
def test_a_file_that_the_resources_do_not_fit_is_refused_in_one_line(text: str, told: str) -> None:
    with pytest.raises(UserFileError) as refused:
        served_bench(text, {role: one for role, one in SERVED.items() if role != "meter"}, HERE)
    assert str(refused.value).startswith(told)


def test_the_check_that_the_run_relied_upon_comes_along(tmp_path: Path) -> None:
    """Used to be a question of its date: what a check measured decides what is sent."""
    check = CheckRecord(
        bench_name="test bench",
        bench_sha256="0" * 64,
        checked_utc="2020-01-01T00:00:00+00:00",
        valid_until_utc="2020-02-01T00:00:00+00:00",
        version="0.1.0",
        items=(CheckItem("meter zero", "pass", 0.0, "V"),),
        resistors=(),
    )
    record = replace(record_of(Bench()), check=check, check_state="valid")
    run = RunFolder.create(
        tmp_path, "T-1", record, "plan", bench_text(LOGGED, ("D1",)), datetime(2020, 1, 2, tzinfo=UTC)
    )
    written = write_replay_files(run.path, tmp_path / "files", SERVED)
    assert [path.name for path in written] == ["bench.toml", "plan.toml"]
    assert written[1].read_text(encoding="utf-8") == "plan"
    file = bench_from_text(written[0].read_text(encoding="utf-8"), written[0])
    known = checked(file, datetime.now(UTC), 0.01)
    assert known.state == "valid"
    assert known.check is not None
    assert known.check.items == check.items
