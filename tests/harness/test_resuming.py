"""A run goes on only with the unit, plan, bench and procedure that it began with; what differs is named."""

from __future__ import annotations

import importlib.metadata
import os
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers.claim import claim
from drivers.errors import BenchError, InstrumentError, LinkError
from harness.bench_file import read_bench
from harness.checked import checked
from harness.errors import CommandLineError, UserFileError
from harness.plan import read_plan
from harness.record import make_record
from harness.resuming import confirm_unit, is_finished, open_to_resume, resumption
from harness.same_bench import changed_in_place, interruption, refuse_another_instrument, resumed_now
from harness.sequence import trials_in_order
from results.errors import RecordError
from results.record.check import CheckItem, CheckRecord, InPlace, sha256_of, write_check
from results.record.happening import Happening
from results.record.run_folder import RunFolder
from results.record.run_record import InstrumentRecord
from tests.harness.test_same_files import BENCH, PLAN
from tests.results.record.runs import observation

STARTED = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
VERSION = importlib.metadata.version("stuckpin")
INSTRUMENTS = (
    InstrumentRecord("meter", "TCPIP::192.168.0.5::5025::SOCKET", "Invented,Voltmeter 61,0017,2.0"),
    InstrumentRecord("board", "/dev/ttyUSB0", "Test board,A,T-1,1.4"),
)
SAME = {one.role: (one.resource, one.identity) for one in INSTRUMENTS}


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    return tmp_path


def begun(lab: Path, trials: int = 2, **changes: object) -> RunFolder:
    """A run as it stands after some trials, with the record that `stuckpin run` makes."""
    plan, file = read_plan(lab / "plan.toml"), read_bench(lab / "bench.toml")
    known = checked(file, STARTED, plan.trials.tolerance)
    planned = trials_in_order(plan, known.file)
    made = make_record(plan, known.file, planned, run="", started_utc=STARTED.isoformat(), version=VERSION)
    record = replace(
        known.in_record(made),
        instruments=INSTRUMENTS,
        plan_file=str(lab / "plan.toml"),
        bench_file=str(lab / "bench.toml"),
        **changes,  # type: ignore[arg-type]
    )
    folder = RunFolder.create(lab / "runs", plan.unit.serial, record, plan.text, file.text, STARTED)
    for trial in record.planned[:trials]:
        folder.append(trial, observation(trial.sequence))
    return folder


def check_of(lab: Path, when: datetime, verdict: str = "pass", days: float = 1.0) -> CheckRecord:
    made = CheckRecord(
        bench_name="test bench",
        bench_sha256=sha256_of((lab / "bench.toml").read_text(encoding="utf-8")),
        checked_utc=when.isoformat(),
        valid_until_utc=(when + timedelta(days=days)).isoformat(),
        version=VERSION,
        items=(CheckItem("resistor fit 8.2 kΩ", verdict),),  # type: ignore[arg-type]
        resistors=(InPlace("fit.8.2 kΩ", 8211.5, 0.8),),
    )
    write_check(made, lab / "checks")
    return made


def test_the_same_files_at_their_old_place_are_found_and_may_go_on(lab: Path) -> None:
    whole = resumption(open_to_resume(begun(lab).path))
    assert (whole.plan.path, whole.file.path) == (str(lab / "plan.toml"), str(lab / "bench.toml"))
    assert whole.notes == ()


def test_a_changed_file_is_refused_by_key_and_values(lab: Path) -> None:
    folder = begun(lab)
    (lab / "bench.toml").write_text(BENCH.replace("switch 103", "switch 104"), encoding="utf-8")
    with pytest.raises(UserFileError, match=r'bench\.toml: wiring\.select\.D3: was "switch 103", now "switch 104"$'):
        resumption(folder)
    (lab / "plan.toml").write_text(PLAN.replace("T-1", "T-2"), encoding="utf-8")
    with pytest.raises(UserFileError, match=r'plan\.toml: unit\.serial: another unit: was "T-1", now "T-2"$'):
        resumption(folder)


def test_a_file_that_has_moved_is_asked_for_and_taken_from_its_new_place(lab: Path) -> None:
    folder = begun(lab)
    moved = (lab / "plan.toml").rename(lab / "elsewhere.toml")
    rule = re.escape(f"--plan: needed: {lab / 'plan.toml'}, from where the run took it, is no longer there")
    with pytest.raises(CommandLineError, match=rule):
        resumption(folder)
    assert resumption(folder, moved).plan.path == str(moved)
    moved.rename(lab / "plan.toml")
    old = begun(lab)
    old.update_record(replace(old.record, plan_file=""))
    with pytest.raises(CommandLineError, match=r"run\.json does not say where the run took it from$"):
        resumption(old)


def test_a_run_that_is_sealed_or_imported_or_still_goes_on_is_refused(lab: Path) -> None:
    folder = begun(lab)
    with claim([str(folder.path)]), pytest.raises(LinkError, match=r"_T-1: in use by this process itself "):
        open_to_resume(folder.path)
    folder.seal()
    with pytest.raises(
        CommandLineError, match=r"sealed: every planned trial was made, there is nothing to go on with$"
    ):
        open_to_resume(folder.path)
    imported = begun(lab, origin="recorded")
    with pytest.raises(CommandLineError, match=r"imported: no bench made its traces, there is nothing to go on with$"):
        open_to_resume(imported.path)


def test_a_record_that_does_not_follow_from_its_own_plan_is_refused(lab: Path) -> None:
    """Somebody has edited run.json, which no seal protects yet."""
    folder = begun(lab)
    folder.update_record(replace(folder.record, rules=replace(folder.record.rules, allowed_s=0.5)))
    with pytest.raises(UserFileError, match=r"run\.json: rules\.allowed_s: is 0\.5, plan and bench say 0\.05$"):
        resumption(folder)
    folder.update_record(replace(begun(lab).record, planned=folder.record.planned[:2]))
    with pytest.raises(UserFileError, match=r"run\.json: planned\[3\]: is "):
        resumption(folder)


def test_another_version_is_a_note_and_the_planned_order_is_that_of_the_record(lab: Path) -> None:
    folder = begun(lab, version="0.0.9")
    record = replace(folder.record, planned=folder.record.planned[::-1])
    folder.update_record(replace(record, rules=replace(record.rules, allowed_s=0.5)))
    assert resumption(folder).notes == (
        f"begun with stuckpin 0.0.9, gone on with {VERSION}",
        f"run.json: rules.allowed_s: is 0.5, {VERSION} makes 0.05 of the same files",
    )
    assert [one.sequence for one in folder.record.planned] == [6, 5, 4, 3, 2, 1]


def test_the_check_that_the_run_began_with_stays_the_one_used(lab: Path) -> None:
    check_of(lab, STARTED - timedelta(hours=1))
    folder = begun(lab)
    assert folder.record.check_state == "valid"
    assert folder.record.resistor("8.2 kΩ").measured_ohm == 8211.5
    whole = resumption(folder)
    assert whole.notes[0].startswith(
        "the check of the bench held until 2026-03-05T04:06:07+00:00; what it measured is "
    )


def test_a_check_that_failed_since_refuses_and_one_that_passed_later_lets_go_on(lab: Path) -> None:
    folder = begun(lab)
    check_of(lab, STARTED - timedelta(hours=1), "fail")
    resumption(folder)
    check_of(lab, STARTED + timedelta(hours=1), "fail")
    with pytest.raises(BenchError, match=r"bench\.toml: its check of 2026-03-04T06:06:07\+00:00 failed, after the run"):
        resumption(folder)
    check_of(lab, STARTED + timedelta(hours=2))
    resumption(folder)


def test_a_changed_procedure_file_is_refused_by_its_checksum(lab: Path) -> None:
    own = lab / "own"
    own.mkdir()
    (own / "mine.py").write_text("def mine(bench, trial, settings): ...\n", encoding="utf-8")
    text = PLAN.replace("repeats = 1", 'repeats = 1\nprocedure = "mine.py"')
    (lab / "plan.toml").write_text(text, encoding="utf-8")
    sha256 = sha256_of("def mine(bench, trial, settings): ...\n")
    folder = begun(lab, procedure_sha256=sha256)
    assert resumption(folder, procedures=[own]).procedure.sha256 == sha256
    (own / "mine.py").write_text("def mine(bench, trial, settings): pass\n", encoding="utf-8")
    with pytest.raises(UserFileError, match=rf"mine\.py: another procedure file than .* sha256 was {sha256}, now "):
        resumption(folder, procedures=[own])


def test_only_a_run_with_every_trial_made_and_the_bus_looked_at_needs_no_bench(lab: Path) -> None:
    folder = begun(lab, trials=6)
    assert not is_finished(folder)
    folder.update_record(replace(folder.record, finished_utc=STARTED.isoformat()))
    assert is_finished(folder)
    unfinished = begun(lab, trials=5, finished_utc=STARTED.isoformat())
    assert not is_finished(unfinished)


def test_trials_as_found_that_were_left_are_noted(lab: Path) -> None:
    text = PLAN.replace("repeats = 1", "repeats = 1\nas_found = true")
    (lab / "plan.toml").write_text(text, encoding="utf-8")
    (note,) = resumption(begun(lab, trials=1)).notes
    assert note.startswith("trials as found were left: the board may have been reset")
    assert resumption(begun(lab, trials=3)).notes == ()


def test_a_trial_whose_line_is_damaged_is_made_again_and_the_line_stays(lab: Path) -> None:
    folder = begun(lab, trials=3)
    lines = (folder.path / "journal.jsonl").read_bytes().splitlines(keepends=True)
    damaged = lines[1][:-9] + b"?" + lines[1][-8:]
    (folder.path / "journal.jsonl").write_bytes(lines[0] + damaged + lines[2])
    (note,) = resumption(folder).notes
    assert note.startswith("damaged, so that those trials are made again and what is left of them is kept: ")
    assert note.endswith("journal.jsonl: line 2: checksum does not match: a recorded trial cannot be read")
    assert folder.done() == {1, 3}
    folder = RunFolder.open(folder.path)
    folder.append(folder.record.planned[1], observation(2))
    assert folder.done() == {1, 2, 3}
    assert damaged in (folder.path / "journal.jsonl").read_bytes()


@pytest.mark.parametrize("harm", ["gone", "empty", "noise"])
@pytest.mark.parametrize("name", ["plan.toml", "bench.toml", "run.json", "journal.jsonl", "samples.raw"])
def test_a_folder_with_a_harmed_file_goes_on_or_is_refused_by_name(lab: Path, name: str, harm: str) -> None:
    path = begun(lab).path
    if harm == "gone":
        (path / name).unlink()
    else:
        (path / name).write_bytes(b"" if harm == "empty" else bytes(range(256)) * 9)
    before = {one.name: one.read_bytes() for one in path.iterdir()}
    try:
        whole = resumption(open_to_resume(path))
    except (RecordError, UserFileError) as exc:
        # A plan without anything in it lacks several keys, each in a line that stands for itself.
        assert all(name in line for line in str(exc).splitlines())  # noqa: PT017
    else:
        # What is lost of the two that grow is made again.
        assert name in ("journal.jsonl", "samples.raw")
        assert whole.folder.done() == frozenset()
    assert {one.name: one.read_bytes() for one in path.iterdir()} == before


def test_the_unit_is_known_by_its_console_or_by_its_serial(lab: Path) -> None:
    def nobody(text: str) -> str:
        raise AssertionError(text)

    record = begun(lab).record
    assert confirm_unit(record, None, nobody) == "what its console answers, 'Test board,A,T-1,1.4'"
    assert confirm_unit(record, "T-1", nobody) == "--unit"
    with pytest.raises(CommandLineError, match=r'^another unit: the run is of "T-1", on the bench is "T-2"$'):
        confirm_unit(record, "T-2", nobody)
    mute = replace(record, instruments=INSTRUMENTS[:1])
    asked: list[str] = []

    def person(text: str) -> str:
        asked.append(text)
        return "T-1\n"

    assert confirm_unit(mute, None, person) == "its serial, typed in by a person"
    assert asked == ["Type in the serial of the unit on the bench (or resume with --unit): the run is of T-1."]
    with pytest.raises(CommandLineError, match=r'on the bench is "T-7"$'):
        confirm_unit(mute, None, lambda text: "T-7")
    nameless = replace(record, instruments=(replace(INSTRUMENTS[1], identity="Test board"),))
    assert confirm_unit(nameless, None, nobody).endswith("'Test board', which does not hold the serial T-1")


def test_an_instrument_is_the_same_by_maker_model_and_serial_and_a_unit_by_all_that_it_answers(lab: Path) -> None:
    record = begun(lab).record
    refuse_another_instrument(record, SAME)
    refuse_another_instrument(
        record, {**SAME, "meter": ("TCPIP::10.0.0.9::5025::SOCKET", "Invented,Voltmeter 61,0017,2.1")}
    )
    other = {**SAME, "meter": ("TCPIP::192.168.0.5::5025::SOCKET", "Invented,Voltmeter 61,0018,2.0")}
    told = "another instrument than the run began with: answers 'Invented,Voltmeter 61,0018,2.0', the run has "
    with pytest.raises(InstrumentError, match=rf"^TCPIP::192\.168\.0\.5::5025::SOCKET: {told}"):
        refuse_another_instrument(record, other)
    with pytest.raises(InstrumentError, match=r"^/dev/ttyUSB0: another unit than the run began with: answers"):
        refuse_another_instrument(record, {**SAME, "board": ("/dev/ttyUSB0", "Test board,A,T-2,1.4")})
    with pytest.raises(InstrumentError, match=r"another unit than the run began with: answers ''"):
        refuse_another_instrument(record, {"meter": SAME["meter"]})


def test_another_address_and_another_firmware_are_told(lab: Path) -> None:
    moved = {**SAME, "meter": ("TCPIP::10.0.0.9::5025::SOCKET", "Invented,Voltmeter 61,0017,2.1")}
    assert list(changed_in_place(begun(lab).record, moved)) == [
        "meter: now at TCPIP::10.0.0.9::5025::SOCKET, was at TCPIP::192.168.0.5::5025::SOCKET",
        "meter: now answers 'Invented,Voltmeter 61,0017,2.1', answered 'Invented,Voltmeter 61,0017,2.0'",
    ]
    assert list(changed_in_place(begun(lab).record, SAME)) == []


def test_a_resumption_tells_when_for_the_how_many_th_time_after_what_and_how(lab: Path) -> None:
    folder = begun(lab)
    report = lab / "runs" / "guard-report.json"
    assert interruption(folder, report) == "nothing says why it ended (killed, crashed, or without power)"
    report.write_text('{"reason": "run ended", "not_verified": {"/dev/ttyACM0": "no answer"}}', encoding="utf-8")
    before = interruption(folder, report)
    assert before.endswith("; its guard (run ended) could not verify as safe: /dev/ttyACM0: no answer")
    first = resumed_now(folder, before, ["unit known by --unit"])
    assert (first.kind, first.sequence) == ("resumed", 3)
    assert first.text == f"resumed (1): 2 of 6 trials were made; {before}; unit known by --unit"
    folder.tell(first)
    folder.tell(Happening("ended early", STARTED.isoformat(), "meter: gone"))
    os.utime(report, (0, 0))
    before = interruption(folder, report)
    assert before == "it had ended early: meter: gone"
    assert (
        resumed_now(folder, before, []).text == "resumed (2): 2 of 6 trials were made; it had ended early: meter: gone"
    )


@pytest.mark.parametrize("text", ["", "[1]", "{", '"x"'])
def test_a_guard_report_that_is_none_is_left_alone(lab: Path, text: str) -> None:
    folder = begun(lab)
    report = lab / "runs" / "guard-report.json"
    report.write_text(text, encoding="utf-8")
    assert "guard" not in interruption(folder, report)
