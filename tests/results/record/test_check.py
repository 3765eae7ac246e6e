"""A check of a bench is a file that a run finds again, whole or not at all."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from results.errors import RecordError
from results.record.check import CheckItem, CheckRecord, InPlace, checks_in, read_check, sha256_of, write_check

CHECK = CheckRecord(
    bench_name="rack 2",
    bench_sha256=sha256_of("[bench]\n"),
    checked_utc="2027-01-14T10:00:00+00:00",
    valid_until_utc="2027-01-15T10:00:00+00:00",
    version="0.1.0",
    items=(
        CheckItem("rail", "pass", 3.305, "V", 1e-3, 3.135, 3.465),
        CheckItem("resistor 8.2 kΩ", "fail", 6.8e3, "Ω", 3.0, 8118.0, 8282.0, "relay contact and wiring included"),
    ),
    resistors=(InPlace("fit.8.2 kΩ", 6.8e3, 3.0),),
    meter_ohm=10e6,
    meter_u_ohm=4e4,
)


def test_a_check_reads_back_as_it_was_written(tmp_path: Path) -> None:
    path = write_check(CHECK, tmp_path / "checks")
    assert path.name == f"20270114T100000Z_{CHECK.bench_sha256[:12]}.json"
    assert read_check(path) == CHECK
    assert [item.name for item in CHECK.failed] == ["resistor 8.2 kΩ"]


def test_the_newest_check_comes_first_and_no_folder_holds_none(tmp_path: Path) -> None:
    newer = replace(CHECK, checked_utc="2027-01-14T13:00:00+02:00", operator="second")
    write_check(newer, tmp_path)
    write_check(CHECK, tmp_path)
    assert [check.operator for check in checks_in(tmp_path)] == ["second", ""]
    (tmp_path / "guard-report.json").write_text("{}", encoding="utf-8")
    assert len(list(checks_in(tmp_path))) == 2
    assert list(checks_in(tmp_path / "nowhere")) == []


def test_a_check_expires_after_its_last_moment() -> None:
    assert not CHECK.is_expired(CHECK.valid_until_utc)
    assert CHECK.is_expired("2027-01-15T10:00:01+00:00")
    assert not CHECK.is_expired("2027-01-15T11:30:00+02:00")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", "not JSON"),
        ("{}", "bench_name: Field required"),
        ('{"bench_name": 1}', "bench_name: Input should be a valid string"),
    ],
)
def test_a_damaged_check_is_one_clear_line(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "20270114T100000Z_0123.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=told) as refused:
        list(checks_in(tmp_path))
    assert "\n" not in str(refused.value)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_check_that_is_a_pipe_or_a_link_is_refused(tmp_path: Path) -> None:
    """A pipe used to be waited for without an end."""
    os.mkfifo(tmp_path / "pipe.json")
    (tmp_path / "link.json").symlink_to("/dev/zero")
    for name, rule in (("pipe", "is not a regular file"), ("link", "is a link, which may lead out of the folder")):
        with pytest.raises(RecordError) as caught:
            read_check(tmp_path / f"{name}.json")
        assert str(caught.value) == f"{tmp_path / name}.json: cannot be read: {rule}"


def test_a_check_without_readable_moments_is_refused(tmp_path: Path) -> None:
    path = write_check(replace(CHECK, valid_until_utc="2027-01-15"), tmp_path)
    with pytest.raises(RecordError, match="must be moments with a time zone"):
        read_check(path)
