"""The derived files of a run folder: trials.csv, pins.csv, other tables where there are any, report.pdf, and
derived.sha256, their checksums. Evidence is never changed."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from results.analysis.analysis import analyse_folder
from results.analysis.findings import RunFinding


def write_derived(path: Path, *, pdf: bool = True) -> RunFinding:
    """Analyse a run folder and write what is derived from it. Raises ResultsError (no run folder, not writable)."""
    from results.record import manifest
    from results.report.more_tables import write_more_tables
    from results.report.tables import write_pins_csv, write_trials_csv

    finding = analyse_folder(path)
    write_trials_csv(finding, path / "trials.csv")
    write_pins_csv(finding, path / "pins.csv")
    names = ["trials.csv", "pins.csv", *write_more_tables(finding, path)]
    if pdf:
        from results.report.report import write_report

        write_report(finding, path / "report.pdf", written_utc=datetime.now(UTC).replace(microsecond=0))
        names.append("report.pdf")
    manifest.write(path, names, manifest.DERIVED)
    return finding
