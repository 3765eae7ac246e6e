"""plan.toml -> what to test. A plan that breaks a rule is refused, one line a rule, before anything is touched."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.plan_meaning import thresholds
from harness.plan_rules import plan_faults
from harness.plan_tables import PlanTables
from harness.user_file import read_tables, read_text, read_toml, refuse_faults
from results.quantity import parse
from results.record.run_record import Levels
from results.record.trial import NO_RESISTOR


@dataclass(frozen=True, kw_only=True)
class Plan(PlanTables):
    """A plan that keeps all its rules.

    `path` as given, `text` as read, `raw` the values as written (for messages), `thresholds` V_IL and V_IH with the
    full name of their standard.
    """

    path: str
    text: str
    raw: dict[str, Any]
    thresholds: Levels

    @property
    def aperture_s(self) -> float:
        """Aperture of the meter: as the plan says, else half an interval, which leaves the meter time to store."""
        return self.log.interval_s / 2.0 if self.log.aperture_s is None else self.log.aperture_s


def nominal_ohm(resistor: str) -> float | None:
    """The nominal value of a trial resistor by its name; None for `none`."""
    return None if resistor == NO_RESISTOR else parse(resistor, "Ω")


def read_plan(path: Path | str) -> Plan:
    """Read and check a plan. Raises UserFileError with every problem, one line each, in the order of the file."""
    return plan_from_text(read_text(path), path)


def plan_from_text(text: str, path: Path | str = "plan.toml") -> Plan:
    """The same from the text of a plan; `path` is what messages call it."""
    raw = read_toml(path, text)
    tables = read_tables(path, raw, PlanTables)
    refuse_faults(path, raw, plan_faults(tables, raw))
    return Plan(**vars(tables), path=str(path), text=text, raw=raw, thresholds=thresholds(tables))


__all__ = ["Plan", "nominal_ohm", "plan_from_text", "read_plan"]
