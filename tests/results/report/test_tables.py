"""trials.csv and pins.csv: the promised columns, SI numbers, and no cell that could start a formula."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from results.analysis.analysis import analyse
from results.analysis.findings import Decay, PinFinding, RunFinding, Value
from results.record.observation import Observation
from results.record.run_record import RunRecord, Unit
from results.record.trial import Trial
from results.report.csv_file import text_cell
from results.report.tables import write_pins_csv, write_trials_csv
from tests.results.analysis.made_pins import SETUP, Bench, analysed, d1, d3, d4, record_of

TRIAL_HEADER = (
    "sequence,unit,pin,pin_setup,trial_resistor_ohm,repeat,rail_v,temperature_c,before_v,hold_v,settled_v,settled_u_v,"
    "release_time_s,time_constant_s,time_constant_u_s,time_constant_is_upper_bound,verdict,reads,net_pin_current_a,"
    "net_pin_current_u_a,leakage_a,leakage_u_a,note"
)
PIN_HEADER = (
    "unit,pin,pin_setup,rail_v,temperature_c,verdict,trials,stuck_trials,stuck_rate_upper95,pull_down_ohm,"
    "pull_down_u_ohm,pull_down_from,leakage_a,leakage_u_a,plain_leak,safe_resistance_ohm,safe_resistance_low_ohm,"
    "safe_resistance_high_ohm,safe_resistance_from,recommended_ohm,note"
)


def finding_of(*pins: PinFinding, record: RunRecord | None = None) -> RunFinding:
    rows = tuple(row for pin in pins for row in pin.rows)
    return RunFinding(record or record_of(Bench()), rows, pins)


def trials_of(finding: RunFinding, path: Path) -> list[dict[str, str]]:
    write_trials_csv(finding, path / "trials.csv")
    with (path / "trials.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def pins_of(finding: RunFinding, path: Path) -> list[dict[str, str]]:
    write_pins_csv(finding, path / "pins.csv")
    with (path / "pins.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_promised_columns_come_first_and_in_order(tmp_path: Path) -> None:
    finding = finding_of(analysed(d1))
    assert list(trials_of(finding, tmp_path)[0])[:23] == TRIAL_HEADER.split(",")
    assert list(pins_of(finding, tmp_path)[0])[:21] == PIN_HEADER.split(",")


def test_one_row_a_trial_with_its_numbers(tmp_path: Path) -> None:
    pin = analysed(d1)
    rows = trials_of(finding_of(pin), tmp_path)
    assert len(rows) == 6
    second, found = rows[1], pin.rows[1]
    assert found.settled is not None
    assert found.leakage is not None
    assert (second["unit"], second["pin"], second["pin_setup"]) == ("FH-2417-001", "D1", "reset default")
    assert (second["trial_resistor_ohm"], second["repeat"], second["verdict"]) == ("47000", "1", "stuck between")
    assert float(second["settled_v"]) == pytest.approx(found.settled.value, rel=1e-8)
    assert float(second["settled_u_v"]) == pytest.approx(found.settled.u, rel=1e-8)
    assert float(second["leakage_a"]) == pytest.approx(found.leakage.value, rel=1e-8)
    assert rows[0]["trial_resistor_ohm"] == ""


def test_one_row_a_pin_with_its_numbers(tmp_path: Path) -> None:
    rows = pins_of(finding_of(analysed(d1), analysed(d4), analysed(d3)), tmp_path)
    mid, plain, sound = rows
    assert (mid["verdict"], mid["trials"], mid["stuck_trials"], mid["stuck_rate_upper95"]) == (
        "stuck high",
        "1",
        "1",
        "1",
    )
    assert (mid["safe_resistance_low_ohm"], mid["safe_resistance_high_ohm"]) == ("8200", "10000")
    assert (mid["safe_resistance_ohm"], mid["safe_resistance_from"], mid["recommended_ohm"]) == ("", "trials", "4700")
    assert (mid["plain_leak"], plain["plain_leak"], sound["plain_leak"]) == ("no", "yes", "untested")
    assert float(plain["safe_resistance_ohm"]) == pytest.approx(37209, rel=0.03)
    assert (plain["safe_resistance_from"], plain["recommended_ohm"]) == ("line", "22000")
    assert float(mid["pull_down_ohm"]) == pytest.approx(60e3, rel=0.03)
    assert mid["pull_down_from"] == "hold level"
    assert (sound["recommended_ohm"], sound["stuck_rate_upper95"]) == ("", "0.95")


def test_what_the_bracket_proves_stands_beside_it(tmp_path: Path) -> None:
    """8.2 kΩ - 1 % with 10 MΩ beside it, 10 kΩ + 1 %; five releases exclude only rates above 45 % (0.05 = 0.55^5)."""
    mid, sound = pins_of(finding_of(analysed(d1, Bench(repeats=5)), analysed(d3)), tmp_path)
    assert float(mid["safe_resistance_at_least_ohm"]) == pytest.approx(1 / (1 / 8118 + 1e-7), rel=1e-8)
    assert float(mid["safe_resistance_below_ohm"]) == pytest.approx(10.1e3, rel=1e-8)
    assert mid["safe_resistance_low_presses"] == "5"
    assert float(mid["safe_resistance_low_rate_upper95"]) == pytest.approx(0.4507, abs=5e-5)
    assert float(sound["safe_resistance_at_least_ohm"]) == pytest.approx(1e7)
    assert sound["safe_resistance_below_ohm"] == ""


def test_what_is_not_determined_is_empty_and_never_nan(tmp_path: Path) -> None:
    trial = Trial(1, "press_release", "D1", "none", SETUP, 1)
    finding = analyse(record_of(Bench(), [trial]), [])
    row = trials_of(finding, tmp_path)[0]
    assert row["verdict"] == "not tested"
    filled = {"sequence", "unit", "pin", "pin_setup", "repeat", "verdict", "as_found", "capacitor"}
    assert {name for name, cell in row.items() if cell} == filled
    pin = analysed(d1)
    strange = replace(pin, leakage=Value(math.nan, 1e-9), stuck_rate_upper95=math.inf)
    again = pins_of(finding_of(strange), tmp_path)[0]
    assert (again["leakage_a"], again["leakage_u_a"], again["stuck_rate_upper95"]) == ("", "", "")


def test_what_the_board_read_stands_in_one_cell(tmp_path: Path) -> None:
    pin = analysed(d3)
    seen = pin.rows[0].observation
    assert seen is not None
    read = replace(seen, reads_before="low", reads_held="high", reads_settled="low")
    partly = replace(seen, reads_settled="low")
    rows = (replace(pin.rows[0], observation=read), replace(pin.rows[1], observation=partly), pin.rows[2])
    cells = [row["reads"] for row in trials_of(finding_of(replace(pin, rows=rows)), tmp_path)]
    assert cells == ["low/high/low", "//low", ""]


def test_a_time_constant_that_is_only_a_bound_says_so(tmp_path: Path) -> None:
    pin = analysed(d3)
    trace = pin.rows[0].trace
    assert trace is not None
    decays = (Decay(1e-4, None, is_upper_bound=True), Decay(5e-3, 1e-5), Decay(None, reason="no release edge"))
    rows = tuple(replace(pin.rows[i], trace=replace(trace, decay=decay)) for i, decay in enumerate(decays))
    found = trials_of(finding_of(replace(pin, rows=rows)), tmp_path)
    columns = ("time_constant_s", "time_constant_u_s", "time_constant_is_upper_bound")
    assert [tuple(row[name] for name in columns) for row in found] == [
        ("0.0001", "", "yes"),
        ("0.005", "1e-05", "no"),
        ("", "", ""),
    ]


def test_measured_rail_and_temperature_stand_in_the_trial(tmp_path: Path) -> None:
    pin = analysed(d3)
    seen = Observation(pin.rows[0].observation.trace, rail_v=3.2987, temperature_c=23.4)  # type: ignore[union-attr]
    warm = replace(pin.rows[1], trial=replace(pin.rows[1].trial, condition=replace(SETUP, temperature_c=60.0)))
    rows = trials_of(finding_of(replace(pin, rows=(replace(pin.rows[0], observation=seen), warm))), tmp_path)
    assert (rows[0]["rail_v"], rows[0]["temperature_c"]) == ("3.2987", "23.4")
    assert (rows[1]["rail_v"], rows[1]["temperature_c"]) == ("3.3", "60")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "  =1", "\u00a0=1", "＝1", "＠A1"])
def test_no_text_can_start_a_formula(text: str) -> None:
    assert text_cell(text) == "'" + text


@pytest.mark.parametrize("start", ["\t", "\r", "\n", "\x00", "\x1b", "\u200b", "\ufeff", "\u202e", "\ud800"])
def test_what_a_program_would_obey_or_pass_over_is_shown_in_a_cell(start: str) -> None:
    """A formula behind a mark of no width was one to a spreadsheet that drops such marks."""
    assert text_cell(f"{start}=1") == f"[U+{ord(start):04X}]=1"


@pytest.mark.parametrize("text", ["", "D1", "stuck high", "contact = not proven", "8.2 kΩ"])
def test_other_text_stays_as_it_is(text: str) -> None:
    assert text_cell(text) == text


def test_names_and_notes_from_the_user_cannot_start_a_formula(tmp_path: Path) -> None:
    pin = analysed(d3)
    row = replace(pin.rows[0], note="=HYPERLINK(0)", trial=replace(pin.rows[0].trial, pin="-D1"))
    record = replace(record_of(Bench()), unit=Unit("board", "+49"))
    evil = replace(pin, pin="@D1", note='=cmd|"a"!A1, "quoted"\nsecond', rows=(row,))
    finding = finding_of(evil, record=record)
    trial, one = trials_of(finding, tmp_path)[0], pins_of(finding, tmp_path)[0]
    assert (trial["unit"], trial["pin"], trial["note"]) == ("'+49", "'-D1", "'=HYPERLINK(0)")
    assert (one["unit"], one["pin"], one["note"]) == ("'+49", "'@D1", '\'=cmd|"a"!A1, "quoted"[U+000A]second')


def test_negative_numbers_stay_numbers(tmp_path: Path) -> None:
    pin = analysed(d3)
    rows = (replace(pin.rows[0], settled=Value(-1.25e-5, 3e-4)),)
    assert trials_of(finding_of(replace(pin, rows=rows)), tmp_path)[0]["settled_v"] == "-1.25e-05"


def test_a_data_frame_reads_both_files_as_they_are(tmp_path: Path) -> None:
    finding = finding_of(analysed(d1), analysed(d4))
    trials_of(finding, tmp_path)
    pins_of(finding, tmp_path)
    trials = pd.read_csv(tmp_path / "trials.csv")
    pins = pd.read_csv(tmp_path / "pins.csv")
    assert trials["settled_v"].dtype == trials["leakage_a"].dtype == float
    assert trials["trial_resistor_ohm"].isna().sum() == 2
    assert list(pins["recommended_ohm"]) == [4700, 22000]
    raw = (tmp_path / "trials.csv").read_bytes()
    assert b"\r" not in raw
    assert raw.endswith(b"\n")
    assert not raw.startswith(b"\xef\xbb\xbf")
