"""report.pdf is one PDF/A file, the same bytes for the same findings, and no text of a file can break it."""

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources

import pytest

from results.errors import RecordError, ReportError
from results.report import report
from results.report.report import report_pdf, write_report
from tests.results.report.made_findings import fernhill

WRITTEN = datetime(2026, 9, 14, 9, 0, tzinfo=UTC)
HOSTILE = (
    '#import "x.typ": *',
    "$ x $ *bold* _it_ `raw` @ref <label> // /* \\",
    "<script>alert(1)</script> & ]]> </svg>",
    "D" * 300,
    "\U0001f9ea\u4e2d\u6587",
    "\u202emirrored\u202c \u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627",
    "a\x00b\x1b[31m\nc",
    "",
)

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return report_pdf(fernhill(), written_utc=WRITTEN)


def _text(pdf: bytes, tmp_path) -> str:
    (tmp_path / "x.pdf").write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", str(tmp_path / "x.pdf"), "-"], capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode().replace("\u200b", ""))


def _hostile():
    finding = fernhill((("D1", "mid"), ("D3", "no contact"), ("D5", "plain")), pins=len(HOSTILE))
    rename = dict(zip([pin.pin for pin in finding.pins], HOSTILE, strict=True))
    trials = {
        row.trial.sequence: replace(
            row, trial=replace(row.trial, pin=rename[row.trial.pin]), note=rename[row.trial.pin]
        )
        for row in finding.trials
    }
    pins = tuple(
        replace(
            pin,
            pin=rename[pin.pin],
            note=HOSTILE[0],
            rows=tuple(trials[row.trial.sequence] for row in pin.rows),
        )
        for pin in finding.pins
    )
    record = replace(
        finding.record,
        unit=replace(finding.record.unit, name=HOSTILE[1], serial=HOSTILE[3], lot=HOSTILE[4]),
        operator=HOSTILE[5],
        notes=HOSTILE,
        bench_checked=HOSTILE[6],
        pins=tuple(replace(pin, name=rename[pin.name], note=HOSTILE[2]) for pin in finding.record.pins),
    )
    return replace(finding, record=record, trials=tuple(trials.values()), pins=pins)


def test_the_report_is_a_pdf_with_pages(pdf):
    assert pdf.startswith(b"%PDF-")
    assert pdf.rstrip().endswith(b"%%EOF")


def test_equal_findings_give_equal_bytes(pdf):
    assert report_pdf(fernhill(), written_utc=WRITTEN) == pdf


def test_another_process_gives_the_same_bytes(pdf, tmp_path):
    code = (
        "import sys; from pathlib import Path; from datetime import UTC, datetime;"
        "from results.report.report import write_report; from tests.results.report.made_findings import fernhill;"
        "write_report(fernhill(), Path(sys.argv[1]), written_utc=datetime(2026, 9, 14, 9, 0, tzinfo=UTC))"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "report.pdf")], check=True)
    assert (tmp_path / "report.pdf").read_bytes() == pdf


@needs_poppler
def test_the_words_can_be_read_out(pdf, tmp_path):
    text = _text(pdf, tmp_path)
    for words in (
        "5 of 24 pins stay high; fit 5.6 kΩ to ground on D3, D7, D12, D20;",
        "Release test of digital inputs",
        "8.2 kΩ to 10 kΩ",
        "What limits the confidence",
        "18 of 432 planned trials are no evidence",
        "plain-leak line",
        "time from the release edge / ms",
        "Local rules and the instructions of qualified persons come first",
        "manifest.sha256",
        "page 2 of",
    ):
        assert words in text


@needs_poppler
def test_the_header_of_a_long_table_is_repeated_on_each_page(pdf, tmp_path):
    assert len(re.findall("Net pin current", _text(pdf, tmp_path))) > 6 + 432 // 100


@needs_poppler
def test_every_face_is_one_that_comes_along(pdf, tmp_path):
    (tmp_path / "x.pdf").write_bytes(pdf)
    done = subprocess.run(["pdffonts", str(tmp_path / "x.pdf")], capture_output=True, check=True, text=True)
    faces = {line.split()[0].partition("+")[2] for line in done.stdout.splitlines()[2:]}
    assert faces
    assert all(face.startswith("DejaVuSans") for face in faces), faces


def test_no_text_of_a_file_breaks_the_report(tmp_path):
    pdf = report_pdf(_hostile(), written_utc=WRITTEN)
    assert pdf.startswith(b"%PDF-")
    if shutil.which("pdftotext"):
        text = _text(pdf, tmp_path)
        assert '#import "x.typ": *' in text
        assert "<script>alert(1)</script>" in text
        assert "[U+1F9EA]" in text
        assert "[U+202E]" in text


def test_a_run_with_nothing_measured_still_has_a_report():
    finding = fernhill((), pins=2)
    trials = tuple(
        replace(row, verdict="not tested", observation=None, trace=None, settled=None, at_pin=None, net_current=None)
        for row in finding.trials
    )
    pins = tuple(
        replace(pin, verdict="not tested", trials=0, stuck_rate_upper95=None, rows=trials[n * 18 : n * 18 + 18])
        for n, pin in enumerate(finding.pins)
    )
    assert report_pdf(replace(finding, trials=trials, pins=pins), written_utc=WRITTEN).startswith(b"%PDF-")
    assert report_pdf(replace(finding, trials=(), pins=()), written_utc=WRITTEN).startswith(b"%PDF-")


@needs_poppler
def test_page_one_points_to_the_sections_as_they_are_numbered(pdf, tmp_path):
    assert "(method: section 5). Cautions: section 2." in _text(pdf, tmp_path)
    clear = _text(report_pdf(fernhill((), pins=2), written_utc=WRITTEN), tmp_path)
    assert "(method: section 4). Cautions: section 2." in clear
    assert "4 Method, uncertainty and limits" in clear


def test_writing_replaces_the_whole_file_and_leaves_nothing_else(tmp_path, pdf, monkeypatch):
    monkeypatch.setattr(report, "report_pdf", lambda finding, *, written_utc: pdf)
    path = tmp_path / "report.pdf"
    path.write_bytes(b"old")
    write_report(fernhill(), path, written_utc=WRITTEN)
    assert path.read_bytes() == pdf
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.pdf"]


def test_a_place_that_cannot_be_written_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr(report, "report_pdf", lambda finding, *, written_utc: b"%PDF-")
    with pytest.raises(RecordError, match=r"missing/report\.pdf: cannot be written: No such file or directory"):
        write_report(fernhill(), tmp_path / "missing" / "report.pdf", written_utc=WRITTEN)


def test_an_unknown_font_is_an_error_and_not_another_look(monkeypatch):
    source = (resources.files("results.report") / "report.typ").read_bytes()
    monkeypatch.setattr(report, "layout", lambda: source + b'#text(font: "No Such Face", "x")')
    with pytest.raises(ReportError, match=r"report\.typ: 1 warnings?, the first: unknown font family: no such face"):
        report_pdf(fernhill(()), written_utc=WRITTEN)


def test_importing_the_report_loads_no_heavy_library():
    code = (
        "import sys, results.report.report;"
        "print(sorted({'matplotlib', 'typst', 'scipy', 'pandas', 'uncertainties'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert done.stdout.strip() == "[]"
