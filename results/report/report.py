"""report.pdf: the dictionary of results/report/content.py and the figures, typeset by typst as PDF/A-2b.

Everything goes to the typesetter as one JSON text: no temporary files, no file of a run folder read by it, no system
font. Equal findings and an equal time of writing give equal bytes.
"""

from __future__ import annotations

import json
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any

from results.analysis.findings import RunFinding
from results.errors import ReportError
from results.record.durable import write_derived
from results.report.content import report_content
from results.report.glyphs import clean


def write_report(finding: RunFinding, path: Path, *, written_utc: datetime) -> None:
    """Write the report of a run as PDF to `path`, replacing what is there only once the whole is typeset.

    `written_utc` is the time of writing that the report and its metadata carry; it needs a time zone (ValueError).
    Raises ReportError where the report cannot be typeset, RecordError where the file cannot be written.
    """
    pdf = report_pdf(finding, written_utc=written_utc)
    write_derived(path, pdf)


def report_pdf(finding: RunFinding, *, written_utc: datetime) -> bytes:
    """The report of a run as the bytes of a PDF/A-2b file. Raises ReportError; ValueError as write_report."""
    content = clean(report_content(finding, written_utc=written_utc))
    _add_figures(content, finding)
    return _typeset(json.dumps(content, ensure_ascii=False, allow_nan=False), written_utc)


def _add_figures(content: dict[str, Any], finding: RunFinding) -> None:
    """Put the SVGs in: of each suspect, each swept pin, each further section; empty where there is nothing to draw."""
    from results.report.by_condition import suspects_of
    from results.report.figure_current import current_svg
    from results.report.figure_sweep import sweep_svg
    from results.report.figure_traces import traces_svg
    from results.report.more_sections import more_sections
    from results.report.swept import swept_of

    for section, made in zip(content["more"], more_sections(finding), strict=True):
        for shown, figure in zip(section["figures"], made.figures, strict=True):
            shown["svg"] = figure.draw()
    for shown, pin in zip(content["suspects"], suspects_of(finding), strict=True):
        shown["traces"] = traces_svg(pin, finding.record) or ""
        shown["current"] = current_svg(pin, finding.record) or ""
    for shown, pin in zip(content["sweeps"], swept_of(finding), strict=True):
        shown["figure"] = sweep_svg(pin, finding.record) or ""


def _typeset(data: str, written_utc: datetime) -> bytes:
    import matplotlib
    import typst

    # The DejaVu faces that come with matplotlib: the same on every machine, and those of the figures.
    faces = str(Path(matplotlib.get_data_path()) / "fonts" / "ttf")
    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[faces])
    with resources.as_file(resources.files("results.report")) as here:
        try:
            # The root is the package's own folder: nothing in it is a user's, and the document reads no file.
            compiler = typst.Compiler(layout(), root=here, font_paths=fonts, sys_inputs={"data": data})
            pdf, warnings = compiler.compile_with_warnings(format="pdf", pdf_standards="a-2b", timestamp=written_utc)
        except typst.TypstError as exc:
            raise ReportError(f"report.typ: cannot be typeset: {exc.message}") from exc
    if warnings:
        # An unknown font is only a warning there, and would change every page.
        raise ReportError(f"report.typ: {len(warnings)} warnings, the first: {warnings[0].message}")
    assert isinstance(pdf, bytes)
    return pdf


def layout() -> bytes:
    """The typst document that the dictionary is set in."""
    return (resources.files("results.report") / "report.typ").read_bytes()
