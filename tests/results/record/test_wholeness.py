"""Every file of a run folder is looked at, and what is said of it is what was done to it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from results.errors import RecordError
from results.record import manifest
from results.record.wholeness import FileFinding, wholeness
from results.record.wire_line import WireLine, header_line, line_of
from tests.results.record.runs import filled_run
from tests.results.record.test_wire_line import HEADER

DERIVED = ("trials.csv", "pins.csv")


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    folder = filled_run(tmp_path)
    folder.seal()
    for name in DERIVED:
        (folder.path / name).write_text(f"the rows of {name}\n", encoding="utf-8")
    manifest.write(folder.path, DERIVED, manifest.DERIVED)
    return folder.path


def states(path: Path) -> dict[str, str]:
    return {one.name: one.state for one in wholeness(path).files}


def test_a_sealed_folder_is_as_sealed_and_as_written(sealed: Path) -> None:
    found = wholeness(sealed)
    assert {one.name: one.state for one in found.files} == {
        **dict.fromkeys(manifest.EVIDENCE, "as sealed"),
        **dict.fromkeys(DERIVED, "as written"),
    }
    assert (found.sealed, found.wrong, found.verdict) == (True, (), "all as sealed")


@pytest.mark.parametrize("name", [*manifest.EVIDENCE, *DERIVED])
def test_one_changed_byte_is_found_in_whichever_file_it_is(sealed: Path, name: str) -> None:
    data = (sealed / name).read_bytes()
    (sealed / name).write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    found = wholeness(sealed)
    assert found.wrong == (name,)
    assert found.verdict == f"not as it was: {name}"
    assert states(sealed)[name] in ("changed", "damaged")
    assert any(one.name == name and one.state == "changed" for one in found.files)


@pytest.mark.parametrize("name", [*manifest.EVIDENCE, *DERIVED])
def test_a_missing_file_is_named(sealed: Path, name: str) -> None:
    (sealed / name).unlink()
    assert FileFinding(name, "missing") in wholeness(sealed).files
    assert wholeness(sealed).wrong[0] == name


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this system")
def test_sha256sum_says_the_same_of_a_changed_file(sealed: Path) -> None:
    """Checked against the program that wrote the format."""
    (sealed / "run.json").write_text((sealed / "run.json").read_text(encoding="utf-8") + " ", encoding="utf-8")
    command = ["sha256sum", "--check", "--quiet", "manifest.sha256"]
    done = subprocess.run(command, cwd=sealed, capture_output=True, text=True, check=False)
    said = [line.partition(":")[0] for line in done.stdout.splitlines() if line.endswith("FAILED")]
    assert tuple(said) == wholeness(sealed).wrong == ("run.json",)


def test_a_file_that_nobody_listed_is_told_and_is_no_change(sealed: Path) -> None:
    (sealed / "remarks\n.txt").write_text("mine", encoding="utf-8")
    (sealed / "run.json.part").write_text("half", encoding="utf-8")
    found = wholeness(sealed)
    assert [str(one) for one in found.files[-2:]] == [
        r"'remarks\n.txt': not listed",
        "run.json.part: not listed: left over from a file that was never put in place",
    ]
    assert found.verdict == "all as sealed"


def test_of_a_run_that_goes_on_the_journal_and_its_samples_vouch_for_themselves(tmp_path: Path) -> None:
    path = filled_run(tmp_path, 3).path
    found = wholeness(path)
    assert [str(one) for one in found.files] == [
        "plan.toml: not sealed",
        "bench.toml: not sealed",
        "run.json: not sealed",
        "journal.jsonl: whole",
        "samples.raw: whole",
    ]
    assert found.wrong == ()
    assert found.verdict.startswith("not sealed: 3 of 12 trials made, no damage found; ")


def test_damage_in_a_run_that_goes_on_is_told_by_line_and_by_trial(tmp_path: Path) -> None:
    path = filled_run(tmp_path, 3).path
    lines = (path / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (path / "journal.jsonl").write_bytes(lines[0] + lines[1].replace(b'"D2"', b'"D9"') + lines[2])
    raw = bytearray((path / "samples.raw").read_bytes())
    raw[3] ^= 1
    (path / "samples.raw").write_bytes(raw)
    found = wholeness(path)
    assert found.wrong == ("journal.jsonl", "samples.raw")
    assert [str(one) for one in found.files if one.state == "damaged"] == [
        "journal.jsonl: damaged: line 2: checksum does not match: a recorded trial cannot be read",
        "samples.raw: damaged: trial 1 (D1 reset default 8.2 kΩ #1): samples are damaged: checksum does not match",
    ]


def test_damage_that_was_sealed_is_no_change_since(tmp_path: Path) -> None:
    folder = filled_run(tmp_path, 3)
    lines = (folder.path / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (folder.path / "journal.jsonl").write_bytes(lines[0] + lines[1].replace(b'"D2"', b'"D9"') + lines[2])
    folder.seal()
    found = wholeness(folder.path)
    assert found.wrong == ()
    assert found.verdict == "all as sealed; damaged already then: journal.jsonl"
    assert states(folder.path)["samples.raw"] == "not listed"


@pytest.mark.parametrize("name", ["journal.jsonl", "samples.raw"])
def test_a_file_missing_from_a_run_that_goes_on_is_named(tmp_path: Path, name: str) -> None:
    path = filled_run(tmp_path, 3).path
    (path / name).unlink()
    assert name in wholeness(path).wrong


def test_a_seal_that_was_taken_away_is_missed(sealed: Path) -> None:
    (sealed / "manifest.sha256").unlink()
    found = wholeness(sealed)
    assert found.wrong == ("manifest.sha256",)
    assert str(found.files[0]) == "manifest.sha256: missing: the samples are sealed, their seal is gone"


def test_a_run_json_that_can_no_longer_be_read_is_a_finding_of_a_sealed_run(sealed: Path) -> None:
    (sealed / "run.json").write_text("{", encoding="utf-8")
    assert wholeness(sealed).wrong == ("run.json",)


def test_what_is_no_run_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"run\.json: missing: not a run folder"):
        wholeness(tmp_path)


def test_the_lines_of_the_wire_log_of_a_run_that_was_never_sealed_vouch_for_themselves(tmp_path: Path) -> None:
    path = filled_run(tmp_path).path
    lines = [line_of(WireLine(number, 0.1, "meter", "sent", b"A?\n")) for number in (17, 18)]
    log = path / "wire-0001.jsonl"
    log.write_bytes(header_line(HEADER) + b"".join(lines) + lines[0][:20])
    assert FileFinding(log.name, "whole") in wholeness(path).files
    log.write_bytes(log.read_bytes().replace(b"A?", b"B?", 1))
    assert FileFinding(log.name, "damaged", "line 2: checksum does not match") in wholeness(path).files
    assert wholeness(path).wrong == (log.name,)
