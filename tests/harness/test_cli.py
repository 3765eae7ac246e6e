"""The command line: one clear line and the right exit status, whatever it is given; nobody sees a traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import harness
from harness import cli, commands
from harness.events import Event, RunEnded
from harness.signals import StopRequest
from tests.harness.whole_bench import bench_text, plan_text

HOUSE = Path(harness.__file__).parent.parent
RECORDED_PLAN = HOUSE / "examples" / "recorded" / "plan.toml"


def stuckpin(*arguments: str | Path, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(sys, "argv", ["stuckpin", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert isinstance(ended.value.code, int)
    return ended.value.code


def recorded(folder: Path, voltage_v: np.ndarray, time_s: np.ndarray) -> Path:
    """A folder with one trace of pin D1, with no resistor."""
    folder.mkdir()
    rows = "".join(f"{t:.7g},{v:.7g}\n" for t, v in zip(time_s, voltage_v, strict=True))
    (folder / "d1.csv").write_text(f"time_s,voltage_v\n{rows}")
    (folder / "trials.csv").write_text("file,pin,trial_resistor_ohm,pin_setup,repeat\nd1.csv,D1,,reset default,1\n")
    return folder


def latched() -> tuple[np.ndarray, np.ndarray]:
    time_s = np.arange(-0.02, 0.12, 1e-4)
    level_v = np.where(time_s < 0.0, 3.246, 2.03 + 1.216 * np.exp(-np.clip(time_s, 0.0, None) / 3e-4))
    return level_v + np.random.default_rng(1).normal(0.0, 2e-4, time_s.size), time_s


WRONG = [
    (["bogus"], "No such command 'bogus'."),
    (["run"], "Missing argument 'plan'."),
    (["run", "x.toml"], "Missing option '--bench'."),
    (["run", "x.toml", "--bench", "y.toml"], "x.toml: no such file"),
    (["run", ".", "--bench", "y.toml"], ".: is a folder, not a file"),
    (["import", ".", "--plan", str(RECORDED_PLAN)], "trials.csv: missing: it says which file is which trial"),
    (["report", "."], "run.json: missing: not a run folder"),
    (["verify", "."], "run.json: missing: not a run folder"),
    (["report", "file"], "file/run.json: cannot be read: Not a directory"),
    (["replay", "."], ".: no wire log that can be read"),
    (["replay", "nowhere"], "nowhere: cannot be read: No such file or directory"),
    (["replay", ".", "--from", "0"], "Invalid value for '--from': Input should be greater than or equal to 1"),
    (["simulate", "nowhere.toml"], "nowhere.toml: cannot be read: No such file or directory"),
    (["simulate", "deep.toml"], "deep.toml: not TOML: nested too deeply"),
    (["simulate", "--speed", "nan"], "--speed: must be above 0: nan"),
    (["simulate", "x.toml", "--files", "y"], "--files: goes with the Fernhill board only, not with x.toml"),
    (["simulate", "--files", "file/x"], "file/x: cannot be written: Not a directory"),
    (["demo", "--runs", "file"], "file/demo-files: cannot be written: Not a directory"),
]


@pytest.mark.parametrize(("arguments", "line"), WRONG, ids=[" ".join(words)[:30] for words, _ in WRONG])
def test_what_is_wrong_is_one_line_and_status_2(
    arguments: list[str],
    line: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("")
    Path("deep.toml").write_text(f"a = {'[' * 5000}{']' * 5000}")
    assert stuckpin(*arguments, monkeypatch=monkeypatch) == 2
    assert capsys.readouterr().err == f"stuckpin: {line}\n"
    assert not Path("stuckpin-defect.txt").exists()


def test_the_version_is_said(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert stuckpin("--version", monkeypatch=monkeypatch) == 0
    assert capsys.readouterr().out.startswith("stuckpin 0.")


def test_import_and_report_say_which_pin_sticks_and_leave_the_evidence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    source = recorded(tmp_path / "source", *latched())
    made = ["--plan", RECORDED_PLAN, "--runs", tmp_path / "runs", "--no-pdf"]
    assert stuckpin("import", source, *made, monkeypatch=monkeypatch) == 1
    assert "D1: stuck high, rests at 2.03 V, stuck in 1 of 1 trials" in capsys.readouterr().out
    [run] = (tmp_path / "runs").iterdir()
    evidence = {path.name: path.read_bytes() for path in run.iterdir()}
    assert stuckpin("report", run, "--no-pdf", monkeypatch=monkeypatch) == 1
    assert {path.name: path.read_bytes() for path in run.iterdir()} == evidence


def test_millivolts_called_volts_are_no_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Such a trace used to be stuck high at 2.03 kV."""
    level_v, time_s = latched()
    source = recorded(tmp_path / "source", level_v * 1e3, time_s)
    arguments = ["--plan", RECORDED_PLAN, "--runs", tmp_path / "runs", "--no-pdf"]
    assert stuckpin("import", source, *arguments, monkeypatch=monkeypatch) == 1
    assert "D1: failed" in capsys.readouterr().out
    [trials] = (tmp_path / "runs").glob("*/trials.csv")
    row = trials.read_text().splitlines()[1]
    assert "more than 2 times the plan's rail of 3.3 V: wrong unit, or wrong rail" in row


@pytest.mark.parametrize("name", ["trials.csv", "pins.csv", "report.pdf"])
def test_a_derived_file_that_cannot_be_written_is_named(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder in its place stands for whatever forbids it; it used to be a defect with a traceback in a file."""
    monkeypatch.chdir(tmp_path)
    recorded(tmp_path / "source", *latched())
    stuckpin("import", "source", "--plan", RECORDED_PLAN, "--no-pdf", monkeypatch=monkeypatch)
    [run] = Path("runs").iterdir()
    (run / name).unlink(missing_ok=True)
    (run / name).mkdir()
    capsys.readouterr()
    assert stuckpin("report", run, monkeypatch=monkeypatch) == 2
    assert capsys.readouterr().err == f"stuckpin: {run / name}: cannot be written: Is a directory\n"


def test_a_closed_output_changes_no_verdict_and_no_exit_status(tmp_path: Path) -> None:
    """`stuckpin import … | head -1`: the status used to be that of a defect, or of another verdict."""
    source = recorded(tmp_path / "source", *latched())
    command = [sys.executable, "-m", "harness.cli", "import", str(source), "--plan", str(RECORDED_PLAN), "--no-pdf"]
    program = subprocess.Popen(
        [*command, "--runs", str(tmp_path / "runs")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=HOUSE,
    )
    assert program.stdout is not None
    program.stdout.close()
    _, err = program.communicate(timeout=60)
    assert (program.returncode, err) == (1, "")
    assert len(list((tmp_path / "runs").glob("*/pins.csv"))) == 1


def test_a_run_whose_reader_went_away_stops_and_is_made_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    """The next event after the output closed asks the run to stop; nothing is raised into it."""
    stop = StopRequest()

    def closed(event: Event) -> None:
        raise BrokenPipeError

    silenced: list[OSError] = []
    monkeypatch.setattr(commands, "silent", [])
    monkeypatch.setattr(commands, "silence", lambda error: (silenced.append(error), commands.silent.append("gone")))
    commands.shown_to(closed, stop)(RunEnded("", interrupted=False))
    assert len(silenced) == 1
    assert (stop.asked(), stop.reason) == (True, "the output was closed")


def test_ctrl_c_where_no_bench_is_open_is_one_line_and_status_4(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def interrupted(path: Path, *, pdf: bool) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "report_folder", interrupted)
    monkeypatch.setattr(sys, "argv", ["stuckpin", "report", str(tmp_path)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 4
    assert capsys.readouterr().err == "stuckpin: interrupted\n"


def test_verify_tells_which_file_changed_and_report_warns_and_still_reports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    source = recorded(tmp_path / "scope", *latched())
    assert stuckpin("import", source, "--plan", RECORDED_PLAN, "--no-pdf", monkeypatch=monkeypatch) == 1
    (run,) = (tmp_path / "runs").iterdir()
    capsys.readouterr()
    assert stuckpin("verify", run, monkeypatch=monkeypatch) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "journal.jsonl: as sealed" in lines
    assert "pins.csv: as written" in lines
    assert lines[-1] == "all as sealed"

    with (run / "run.json").open("a", encoding="utf-8") as file:
        file.write("\n")
    assert stuckpin("verify", run, monkeypatch=monkeypatch) == 1
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("run.json: changed: SHA-256 ") for line in lines)
    assert lines[-1] == "not as it was: run.json"
    assert stuckpin("report", run, "--no-pdf", monkeypatch=monkeypatch) == 1
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "WARNING: the evidence has changed since it was sealed: run.json"
    assert out[-1].startswith("written in ")


def test_a_table_of_samples_that_cannot_be_read_is_reported_with_its_trials_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    source = recorded(tmp_path / "scope", *latched())
    stuckpin("import", source, "--plan", RECORDED_PLAN, "--no-pdf", monkeypatch=monkeypatch)
    (run,) = (tmp_path / "runs").iterdir()
    (run / "traces.parquet").write_bytes(b"PAR1 and nothing more")
    capsys.readouterr()
    assert stuckpin("report", run, "--no-pdf", monkeypatch=monkeypatch) == 1
    captured = capsys.readouterr()
    assert captured.err == ""
    assert captured.out.startswith("WARNING: the evidence has changed since it was sealed: traces.parquet\n")
    row = (run / "trials.csv").read_text(encoding="utf-8").splitlines()[1]
    assert ",failed," in row
    assert "samples of trial 1 are damaged" in row


@pytest.mark.parametrize("command", ["run", "check"])
def test_a_library_that_nobody_allowed_is_not_loaded(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.toml").write_text(plan_text(("D1",)))
    nowhere = {role: f"TCPIP::127.0.0.1::{n}::SOCKET" for n, role in enumerate(("meter", "source", "switch"), start=1)}
    text = bench_text({**nowhere, "relay_board": "/dev/nowhere"}, ("D1",), console=False)
    (tmp_path / "bench.toml").write_text(text.replace("[bench]", '[bench]\nvisa = "/tmp/evil.so"'))
    files = ("plan.toml", "--bench", "bench.toml", "--plain") if command == "run" else ("--bench", "bench.toml")
    assert stuckpin(command, *files, monkeypatch=monkeypatch) == 2
    assert "bench.visa: a VISA library is code" in capsys.readouterr().err
    assert stuckpin(command, *files, "--visa-library", "/tmp/evil.so", monkeypatch=monkeypatch) == 3
    assert "VISA library '/tmp/evil.so' cannot be used" in capsys.readouterr().err
