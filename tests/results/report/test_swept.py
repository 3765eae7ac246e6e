"""The report shows of each swept pin its curve, its numbers with their intervals, and what could not be determined."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from results.analysis.findings import LeakAlone, Value
from results.report.content import report_content
from results.report.figure_sweep import sweep_svg
from results.report.report import report_pdf
from results.report.swept import swept
from results.report.tables import write_pins_csv, write_sweeps_csv
from tests.results.report.made_findings import fernhill
from tests.results.report.made_sweeps import swept_run

WRITTEN = datetime(2026, 9, 14, 9, 0, tzinfo=UTC)
HEADER = (
    "unit,pin,pin_setup,branch,step,voltage_v,voltage_u_v,source_current_a,net_pin_current_a,net_pin_current_u_a,"
    "reads,note"
)


def numbers_of(index: int) -> dict[str, str]:
    shown = report_content(swept_run(), written_utc=WRITTEN)["sweeps"][index]
    return {entry["label"]: entry["text"] for entry in shown["numbers"]}


def test_the_numbers_of_a_pin_that_latches() -> None:
    numbers = numbers_of(0)
    assert re.fullmatch(
        r"9\.37\d kΩ \(9\.3\d+ kΩ to 9\.3\d+ kΩ\), from the (down|up) branch; the range holds 95 %",
        numbers["Largest safe resistance"],
    )
    assert numbers["Hysteresis"].startswith("none seen; largest difference")
    assert re.fullmatch(r"about 60\d\u00a0mV unstable, about 2\.03\u00a0V stable", numbers["Rests on no resistor"])
    assert numbers["Rests on 8.2 kΩ"] == "none: released"
    assert numbers["Sweep and trials"] == "not compared"
    assert numbers["Recommended"].startswith("6.8\u00a0kΩ to ground: margin 3")


def test_memory_of_a_pin_is_said_with_its_size() -> None:
    numbers = numbers_of(1)
    assert re.match(r"down less up \(−23\.99\d+\s±\s0\.00\d+\)\sµA at 1\.\d+\sV", numbers["Hysteresis"])
    assert "from the up branch" in numbers["Largest safe resistance"]


def test_a_pin_that_needs_nothing_and_one_that_failed() -> None:
    assert numbers_of(2)["Largest safe resistance"].startswith("no resistor needed")
    assert numbers_of(3)["Largest safe resistance"] == "not determined"
    failed = report_content(swept_run(), written_utc=WRITTEN)["sweeps"][3]
    assert failed["remarks"] == "sweep: failed: a short"


def test_the_leak_alone_is_told_where_the_plan_asks_for_it() -> None:
    assert "Leak alone, largest" not in numbers_of(0)
    finding = swept_run()
    assert finding.record.sweep is not None
    rules = replace(finding.record.sweep, leak_setups=("reset default", "buffer off"))
    record = replace(finding.record, sweep=rules)
    first, second = finding.pins[:2]
    assert first.sweep is not None
    told = replace(first, sweep=replace(first.sweep, leak=LeakAlone(Value(118.2e-6, 40e-9), 1.4)))
    said = {
        pin.pin: {entry["label"]: entry["text"] for entry in swept(pin, record)["numbers"]} for pin in (told, second)
    }
    assert said["D1"]["Leak alone, largest"] == (
        "(118.200\u00a0±\u00a00.080)\u00a0µA at 1.4\u00a0V, less the sweep with buffer off"
    )
    assert said["D2"]["Leak alone, largest"] == "not determined"


def test_the_method_of_the_sweep_is_told_only_where_there_was_one() -> None:
    def titles(content: dict[str, list[dict[str, str]]]) -> list[str]:
        return [part["title"] for part in content["method"]]

    assert "Forced-voltage sweep" in titles(report_content(swept_run(), written_utc=WRITTEN))
    plain = report_content(fernhill(), written_utc=WRITTEN)
    assert "Forced-voltage sweep" not in titles(plain)
    assert plain["sweeps"] == []


def test_the_figure_tells_branches_and_rest_points_apart_without_colour() -> None:
    pin = swept_run().pins[0]
    svg = sweep_svg(pin, swept_run().record)
    assert svg is not None
    for label in ("down branch", "up branch", "stable rest point", "unstable rest point", "largest safe 9.37"):
        assert label in svg
    assert svg == sweep_svg(pin, swept_run().record)
    assert sweep_svg(swept_run().pins[3], swept_run().record) is None
    assert sweep_svg(fernhill().pins[0], fernhill().record) is None


def test_a_pin_that_needs_nothing_has_no_load_line_of_a_largest_safe_resistance() -> None:
    svg = sweep_svg(swept_run().pins[2], swept_run().record)
    assert svg is not None
    assert "largest safe" not in svg
    assert "rest point" not in svg


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_report_has_a_section_of_sweeps(tmp_path: Path) -> None:
    (tmp_path / "x.pdf").write_bytes(report_pdf(swept_run(), written_utc=WRITTEN))
    done = subprocess.run(["pdftotext", "-layout", str(tmp_path / "x.pdf"), "-"], capture_output=True, check=True)
    text = re.sub(r"\s+", " ", done.stdout.decode())
    assert "Forced-voltage sweeps" in text
    assert "Source current accuracy (limits)" in text


def test_one_row_a_step_with_the_promised_columns_first(tmp_path: Path) -> None:
    finding = swept_run()
    write_sweeps_csv(finding, tmp_path / "sweeps.csv")
    text = (tmp_path / "sweeps.csv").read_text(encoding="utf-8")
    assert text.startswith(HEADER + ",")
    rows = list(csv.DictReader(text.splitlines()))
    sweep = finding.pins[0].sweep
    assert sweep is not None
    mine = [row for row in rows if row["pin"] == "D1"]
    assert [row["step"] for row in mine] == [str(step) for step in range(1, len(sweep.points) + 1)]
    first, point = mine[0], sweep.points[0]
    assert point.voltage is not None
    assert point.source is not None
    assert point.net_current is not None
    assert (first["branch"], first["pass"], first["reads"], first["note"]) == ("down", "1", "high", "")
    assert float(first["voltage_v"]) == pytest.approx(point.voltage.value, rel=1e-8)
    assert float(first["voltage_u_v"]) == pytest.approx(point.voltage.u, rel=1e-8)
    assert float(first["source_current_a"]) == pytest.approx(point.source.value, rel=1e-8)
    assert float(first["net_pin_current_a"]) == pytest.approx(point.net_current.value, rel=1e-8)
    assert float(first["net_pin_current_u_a"]) == pytest.approx(point.net_current.u, rel=1e-8)


def test_the_row_of_a_pin_carries_both_branches_and_the_interval(tmp_path: Path) -> None:
    finding = swept_run()
    write_pins_csv(finding, tmp_path / "pins.csv")
    with (tmp_path / "pins.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["pin"]: row for row in csv.DictReader(file)}
    sweep, row = finding.pins[1].sweep, rows["D2"]
    assert sweep is not None
    assert sweep.safe is not None
    assert sweep.safe_low_ohm is not None
    assert row["safe_resistance_from"] == "sweep"
    assert float(row["safe_resistance_ohm"]) == pytest.approx(sweep.safe.value, rel=1e-8)
    assert float(row["safe_resistance_lower95_ohm"]) == pytest.approx(sweep.safe_low_ohm, rel=1e-8)
    assert float(row["sweep_up_ohm"]) < float(row["sweep_down_ohm"])
    assert float(row["hysteresis_a"]) == pytest.approx(-24e-6, rel=0.1)
    assert rows["D3"]["safe_resistance_lower95_ohm"] == rows["D3"]["sweep_down_ohm"] == ""
    assert rows["D4"]["sweep_agreement"] == "not compared"
