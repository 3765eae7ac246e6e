"""The report's section on conditions: each pin over rails, temperatures and states of its neighbours."""

from __future__ import annotations

from results.analysis.conditions.over_conditions import bare_settled, measured_c, stepped_pins, worst_of
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.verdict import NO_EVIDENCE, ORDER
from results.quantity import show
from results.record.trial import NO_CAPACITOR
from results.report.figure_conditions import figures_over_conditions
from results.report.numbers import NOT_DETERMINED, Cell, bare_cell, bracket_text, cell
from results.report.section import Column, Section, Table


def conditions_section(finding: RunFinding) -> list[Section]:
    """One section where any pin was tried under more than one rail, temperature or state of its neighbours."""
    stepped = stepped_pins(finding.pins)
    if not stepped:
        return []
    return [
        Section(
            "Over the conditions",
            tuple(_said(stepped)),
            (_table(finding, stepped),),
            tuple(figures_over_conditions(finding.record, stepped)),
            _notes(stepped),
        )
    ]


def _said(stepped: dict[str, list[PinFinding]]) -> list[str]:
    changing = [name for name, pins in stepped.items() if len({pin.verdict for pin in pins}) > 1]
    count = len(stepped)
    if not changing:
        return [f"The verdict of no pin changes with the conditions tried ({_pins(count)})."]
    return [f"The verdict changes with the conditions on {len(changing)} of {_pins(count)}: {', '.join(changing)}."]


def _pins(count: int) -> str:
    return "1 pin" if count == 1 else f"{count} pins"


def _table(finding: RunFinding, stepped: dict[str, list[PinFinding]]) -> Table:
    pins = [pin for of_pin in stepped.values() for pin in of_pin]
    setups = len({pin.condition.pin_setup for pin in pins}) > 1
    warm = any(pin.condition.temperature_c is not None for pin in pins)
    beside = any(pin.condition.neighbours for pin in pins)
    added = any(pin.condition.capacitor != NO_CAPACITOR for pin in pins)
    columns = [Column("Pin")]
    columns += [Column("Setup")] if setups else []
    columns += [Column("Rail", "right")]
    columns += [Column("Temperature", "right")] if warm else []
    columns += [Column("Neighbours")] if beside else []
    columns += [Column("Added")] if added else []
    columns += [
        Column("Verdict", wide=True),
        Column("Settled", "right"),
        Column("Leakage", "right"),
        Column("Largest safe", "right"),
        Column("Fit", "right"),
    ]
    rows: list[tuple[str | Cell, ...]] = []
    marked: set[int] = set()
    for name, of_pin in stepped.items():
        worst = worst_of(of_pin)
        for number, pin in enumerate(of_pin):
            if pin is worst:
                marked.add(len(rows))
            condition: list[str | Cell] = [name if number == 0 else ""]
            condition += [pin.condition.pin_setup] if setups else []
            condition += [bare_cell(pin.condition.rail_v, "V")]
            condition += [_temperature(pin)] if warm else []
            condition += [pin.condition.neighbours or "–"] if beside else []
            condition += [pin.condition.capacitor] if added else []
            rows.append((*condition, *_found(pin, finding.record.rules.coverage)))
    return Table(tuple(columns), tuple(rows), "Bold: the condition of each pin that decides.", frozenset(marked))


def _found(pin: PinFinding, coverage: float) -> tuple[str | Cell, ...]:
    settled = bare_settled(pin)
    return (
        pin.verdict,
        cell(settled, "V", coverage, prefixed=False),
        "none seen" if pin.leakage is None and pin.verdict == "released" else cell(pin.leakage, "A", coverage),
        cell(pin.safe_ohm, "Ω", coverage) if pin.safe_ohm is not None else bracket_text(pin.bracket),
        bare_cell(pin.advice.ohm, "Ω") if pin.advice.ohm is not None else _no_fit(pin),
    )


def _no_fit(pin: PinFinding) -> str:
    return "none needed" if pin.advice.needed is False else NOT_DETERMINED


def _temperature(pin: PinFinding) -> str:
    """The step and, where it was measured, what was measured."""
    if pin.condition.temperature_c is None:
        return "–"
    step, seen_c = show(pin.condition.temperature_c, "°C"), measured_c(pin)
    as_measured = None if seen_c is None else show(seen_c, "°C", 3)
    return step if as_measured in (None, step) else f"{step} ({as_measured})"


def _notes(stepped: dict[str, list[PinFinding]]) -> tuple[str, ...]:
    words = [word for word in ORDER if word not in NO_EVIDENCE]
    worst_first = f"worst first: {', '.join(words)}"
    notes = [
        f"The condition that decides has the worst verdict with no resistor ({worst_first}), and of equal ones the "
        "smallest safe resistance, then the largest leakage. What was not tried is not known: a rail or a temperature "
        "between two steps may be worse than both.",
    ]
    if any(pin.condition.temperature_c is not None for pins in stepped.values() for pin in pins):
        notes.append(
            "Temperatures: the plan's step, and in brackets, where it differs, what a person measured at the board and "
            "typed in."
        )
    return tuple(notes)
