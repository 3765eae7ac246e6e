"""Closings are counted over runs in a file beside the bench file; where a life counts on it, nothing goes without."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.bench_file import BenchFile, read_bench
from harness.contact_ledger import ContactLedger, read_kept
from harness.errors import UserFileError
from results.record.contact_count import ContactCount
from tests.harness.whole_bench import bench_text

ROLES = ("meter", "source", "switch", "relay_board", "board")
RESOURCES = {role: f"TCPIP::127.0.0.1::{5000 + n}::SOCKET" for n, role in enumerate(ROLES)}
RESOURCES |= {"relay_board": "/dev/ttyX1", "board": "/dev/ttyX2"}


def _bench(tmp_path: Path, limits: str = "") -> BenchFile:
    path = tmp_path / "rack.toml"
    path.write_text(f"{bench_text(RESOURCES, ['D1'])}\n[limits]\n{limits}\n", encoding="utf-8")
    return read_bench(path)


def _ledger(file: BenchFile, told: list[str] | None = None) -> ContactLedger:
    ledger = ContactLedger(file, ([] if told is None else told).append)
    ledger.begin()
    return ledger


def _count(ledger: ContactLedger, contact: str) -> ContactCount:
    return next(one for one in ledger.counts() if one.contact == contact)


def test_closings_go_on_where_the_run_before_left_them(tmp_path: Path) -> None:
    file = _bench(tmp_path)
    first = _ledger(file)
    first.begin_run("run 1")
    first.keep({"relay_board 1": 3})
    first.keep({"relay_board 1": 5, "switch 101": 2})
    second = _ledger(file)
    second.begin_run("run 2")
    assert second.before == {"relay_board 1": 5, "switch 101": 2}
    second.keep({"relay_board 1": 1})
    assert _count(second, "relay_board 1") == ContactCount("relay_board 1", "press", 1, 6, None)
    assert _count(second, "switch 101") == ContactCount("switch 101", "select.D1", 0, 2, None)
    assert json.loads((tmp_path / "rack.contacts.json").read_text()) == {
        "format": 1,
        "closings": {"relay_board 1": 6, "switch 101": 2},
        "run": "run 2",
        "of_run": {"relay_board 1": 1},
    }


def test_a_run_that_was_killed_and_resumed_counts_both_parts(tmp_path: Path) -> None:
    file = _bench(tmp_path)
    killed = _ledger(file)
    killed.begin_run("run 1")
    killed.keep({"relay_board 1": 7})
    resumed = _ledger(file)
    resumed.begin_run("run 1", ())
    resumed.keep({"relay_board 1": 2})
    assert (_count(resumed, "relay_board 1").closings, _count(resumed, "relay_board 1").closings_total) == (9, 9)
    # Where another run was made in between, what the record of the run says of its first part counts.
    other = _ledger(file)
    other.begin_run("run 2")
    other.keep({"relay_board 1": 10})
    late = _ledger(file)
    late.begin_run("run 1", [ContactCount("relay_board 1", "press", 9, 9)])
    late.keep({"relay_board 1": 1})
    assert (_count(late, "relay_board 1").closings, _count(late, "relay_board 1").closings_total) == (10, 20)


def test_a_contact_near_the_end_of_its_life_is_told_of(tmp_path: Path) -> None:
    file = _bench(tmp_path, 'contact_life = 1000\ncontact_lives = { "switch 101" = 10 }')
    _ledger(file).keep({"relay_board 1": 799, "switch 101": 8})
    told: list[str] = []
    ledger = _ledger(file, told)
    assert told == ["switch 101 (select.D1) has closed 8 times, 80% of limits.contact_life of 10"]
    ledger.keep({"relay_board 1": 1})
    assert len(ledger.notes()) == 2


DAMAGES = {
    "no JSON": "{",
    "not in this format": "[1]",
    "no table": '{"format": 1, "closings": 3}',
    "must be 0 to 1000000000000000 closings": '{"format": 1, "closings": {"switch 101": -1}}',
    "not UTF-8": "\udcff",
}


@pytest.mark.parametrize(("rule", "text"), DAMAGES.items(), ids=list(DAMAGES))
def test_a_damaged_file_is_one_line_and_with_a_life_nothing_is_pressed(rule: str, text: str, tmp_path: Path) -> None:
    path = tmp_path / "rack.contacts.json"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    before = path.read_bytes()
    told: list[str] = []
    ledger = _ledger(_bench(tmp_path), told)
    assert len(told) == 1
    assert told[0].startswith(f"{path}: ")
    assert rule in told[0]
    assert told[0].endswith(": contacts are counted in this run only")
    ledger.keep({"switch 101": 1})
    assert _count(ledger, "switch 101") == ContactCount("switch 101", "select.D1", 1, None, None)
    with pytest.raises(UserFileError) as caught:
        _ledger(_bench(tmp_path, "contact_life = 1000"))
    assert str(caught.value).startswith(
        f"{path}: nothing is pressed: limits.contact_life counts closings over all runs: "
    )
    assert rule in str(caught.value)
    assert "\n" not in str(caught.value)
    # What is damaged is not written over: a person may still save it.
    assert path.read_bytes() == before


def test_a_file_that_cannot_be_written_is_told_of_and_with_a_life_ends_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> None:
        from results.errors import StorageError

        raise StorageError(f"{path}: cannot write {len(data)} bytes: No space left on device")

    limited, free, told = _ledger(_bench(tmp_path, "contact_life = 9")), _bench(tmp_path), list[str]()
    monkeypatch.setattr("harness.contact_ledger.write_whole", full)
    _ledger(free, told).keep({"switch 101": 1})
    assert len(told) == 1
    assert told[0].endswith("No space left on device: contacts are counted in this run only")
    with pytest.raises(UserFileError, match=r"nothing is pressed: limits.contact_life .*: No space left on device$"):
        limited.keep({"switch 101": 1})


def test_a_bench_that_is_no_file_has_nothing_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    file = _bench(tmp_path)
    (tmp_path / "rack.toml").unlink()
    ledger = _ledger(file)
    ledger.keep({"switch 101": 3})
    assert list(tmp_path.iterdir()) == []
    assert _count(ledger, "switch 101").closings == 3


def test_no_file_is_nothing_counted_yet(tmp_path: Path) -> None:
    assert read_kept(tmp_path / "none.contacts.json").closings == {}
