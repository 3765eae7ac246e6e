"""The section on the pull-down four ways, and pull_downs.csv: what each way found, and whether they agree."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.pull_down_ways import PullDownWay, PullDownWays
from results.analysis.uncertainty.estimate import Estimate
from results.analysis.uncertainty.normalised_error import NormalisedError
from results.analysis.value import Value
from results.quantity import show
from results.report.by_condition import short_texts
from results.report.csv_file import Cell as CsvCell
from results.report.csv_file import with_u, write_csv
from results.report.numbers import NOT_DETERMINED, Cell, cell
from results.report.section import Column, Section, Table
from results.words import words_for

COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "way",
    "speaks_of",
    "at_v",
    "pull_down_ohm",
    "pull_down_u_ohm",
    "based_on",
    "normalised_error",
    "normalised_error_against",
    "agrees",
    "falls_per_volt",
    "falls_per_volt_u",
    "note",
)


def pull_down_sections(finding: RunFinding) -> list[Section]:
    """One section; none where no pin was tried in more than one way."""
    told = _told(finding)
    if not told:
        return []
    coverage, press_to = finding.record.rules.coverage, finding.record.press_to
    tables = (_found(told, coverage, press_to), _agreement(told, press_to), _bends(told, coverage, press_to))
    said = tuple(words_for(press_to, one) for one in _said(told))
    return [Section(words_for(press_to, "Pull-down, four ways"), said, tables, notes=_missing(told, press_to))]


def has_pull_down_ways(finding: RunFinding) -> bool:
    return bool(_told(finding))


def write_pull_downs_csv(finding: RunFinding, path: Path) -> None:
    """One row a pin and way. Raises RecordError where the file cannot be written."""
    unit = finding.record.unit.serial or finding.record.unit.name
    write_csv(path, COLUMNS, (_row(unit, pin, ways, way) for pin, ways in _told(finding) for way in ways.ways))


def resistance(conductance: Estimate | None) -> Value | None:
    """In ohm, inverted last; None where there is no conductance that is surely above nothing."""
    if conductance is None or conductance.value <= conductance.u:
        return None
    return conductance.inverted().as_value


def _told(finding: RunFinding) -> list[tuple[PinFinding, PullDownWays]]:
    return [(pin, pin.pull_down_ways) for pin in finding.pins if pin.pull_down_ways is not None]


def _said(told: list[tuple[PinFinding, PullDownWays]]) -> tuple[str, ...]:
    apart = [f"{pin.pin} ({pair.first} and {pair.second})" for pin, ways in told for pair in ways.disagreeing]
    bent = [pin.pin for pin, ways in told if ways.is_resistor is False]
    said = [
        f"Ways that do not agree within their uncertainties: {', '.join(apart)}."
        if apart
        else "All ways that speak of the same voltage agree within their uncertainties (E_n at most 1)."
        if any(ways.comparisons for _, ways in told)
        else "No two ways speak of the same voltage: nothing could be compared."
    ]
    if bent:
        said.append(f"No resistor: the pull-down of {', '.join(bent)} conducts less at a higher voltage.")
    if not all(ways.alone for _, ways in told):
        said.append("The plan names no pin setup with the input buffer off: a leak that is left is in these numbers.")
    return tuple(said)


def _names(told: list[tuple[PinFinding, PullDownWays]]) -> dict[int, str]:
    """Each finding by its pin and, where there are several, what tells its condition from the others."""
    under = short_texts(pin.condition for pin, _ in told)
    return {id(pin): f"{pin.pin}, {under[pin.condition]}" if len(under) > 1 else pin.pin for pin, _ in told}


def _found(told: list[tuple[PinFinding, PullDownWays]], coverage: float, press_to: str) -> Table:
    columns = (
        Column("Pin"),
        Column("Way", wide=True),
        Column("Speaks of"),
        Column(words_for(press_to, "Pull-down"), "right"),
        Column("From", "right"),
    )
    names = _names(told)
    rows: list[tuple[str | Cell, ...]] = [
        (
            names[id(pin)],
            words_for(press_to, way.name),
            words_for(press_to, _voltage(way)),
            cell(resistance(way.conductance), "Ω", coverage),
            str(way.based_on or ""),
        )
        for pin, ways in told
        for way in ways.ways
        if way.conductance is not None
    ]
    return Table(columns, tuple(rows), "What each way found, with its expanded uncertainty; from how many points")


def _agreement(told: list[tuple[PinFinding, PullDownWays]], press_to: str) -> Table:
    columns = (Column("Pin"), Column("One", wide=True), Column("Other", wide=True), Column("E_n", "right"), Column(""))
    names = _names(told)
    pairs = [(names[id(pin)], pair) for pin, ways in told for pair in ways.comparisons]
    rows: list[tuple[str | Cell, ...]] = [
        (
            name,
            words_for(press_to, pair.first),
            words_for(press_to, pair.second),
            f"{pair.value:.2f}",
            "agrees" if pair.agrees else "disagrees",
        )
        for name, pair in pairs
    ]
    marked = frozenset(number for number, (_, pair) in enumerate(pairs) if not pair.agrees)
    return Table(columns, tuple(rows), "Normalised errors; what two ways have in common is left out", marked)


def _bends(told: list[tuple[PinFinding, PullDownWays]], coverage: float, press_to: str) -> Table:
    columns = (
        Column("Pin"),
        *(Column(words_for(press_to, at), "right") for at in ("at 0 V", "at V_IL", "at the rail")),
        Column("Falls by, a volt", "right"),
        Column("", wide=True),
    )
    names = _names(told)
    rows: list[tuple[str | Cell, ...]] = [
        (
            names[id(pin)],
            *(cell(resistance(one), "Ω", coverage) for one in _swept(ways)),
            _share(ways.bend, coverage),
            NOT_DETERMINED if ways.is_resistor is None else "no bend beyond U" if ways.is_resistor else "bends",
        )
        for pin, ways in told
        if any(_swept(ways))
    ]
    said = "Resistance V/I of the pull-down by the sweep, and how its conductance falls"
    return Table(columns, tuple(rows), said if press_to == "rail" else _BELOW_THE_RAIL)


_BELOW_THE_RAIL = "Resistance of the pull-up by the sweep, (rail − V)/I, and how its conductance falls further below it"


def _swept(ways: PullDownWays) -> tuple[Estimate | None, ...]:
    """What the sweep says at 0 V, at V_IL and at the rail."""
    return _way(ways, "low-voltage sweep"), ways.at_v_il, ways.at_rail


def _missing(told: list[tuple[PinFinding, PullDownWays]], press_to: str) -> tuple[str, ...]:
    """Every way that is not determined: pins with the same reasons together, and ways with the same reason."""
    pins: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for pin, ways in told:
        missing = [(words_for(press_to, way.name), way.note) for way in ways.ways if way.conductance is None]
        missing += [("curvature", ways.bend_note)] if ways.bend is None else []
        same = pins.setdefault(tuple(missing), [])
        same += [pin.pin] if pin.pin not in same else []
    return tuple(
        f"Not determined on {', '.join(names)}: {_reasons(missing)}." for missing, names in pins.items() if missing
    )


def _reasons(missing: tuple[tuple[str, str], ...]) -> str:
    """Ways with the same reason together: "time constant, several resistors (the decay is too fast)"."""
    ways: dict[str, list[str]] = {}
    for name, why in missing:
        ways.setdefault(why, []).append(name)
    return "; ".join(f"{', '.join(names)} ({why})" for why, names in ways.items())


def _way(ways: PullDownWays, name: str) -> Estimate | None:
    return next((way.conductance for way in ways.ways if way.name == name), None)


def _voltage(way: PullDownWay) -> str:
    return f"{show(way.at_v, 'V', 3)}" if way.speaks_of == "rail" else "small voltages"


def _share(bend: Estimate | None, coverage: float) -> str:
    """A share in per cent with its expanded uncertainty."""
    if bend is None:
        return NOT_DETERMINED
    from uncertainties import ufloat

    if bend.u <= 0.0:
        return f"{100.0 * bend.value:.3g} %"
    number, _, expanded = f"{ufloat(100.0 * bend.value, 100.0 * coverage * bend.u):.2uf}".partition("+/-")
    return f"({number} ± {expanded}) %".replace("-", "\u2212").replace(" ", "\u00a0")


def _row(unit: str, pin: PinFinding, ways: PullDownWays, way: PullDownWay) -> dict[str, CsvCell]:
    worst = max(_with(ways, way), key=lambda pair: pair.value, default=None)
    bend = ways.bend if way.name == "low-voltage sweep" else None
    return {
        "unit": unit,
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "way": way.name,
        "speaks_of": way.speaks_of,
        "at_v": None if way.conductance is None else way.at_v,
        **with_u("pull_down", resistance(way.conductance), "ohm"),
        "based_on": way.based_on or None,
        "normalised_error": None if worst is None else worst.value,
        "normalised_error_against": "" if worst is None else worst.second if worst.first == way.name else worst.first,
        "agrees": None if worst is None else worst.agrees,
        "falls_per_volt": None if bend is None else bend.value,
        "falls_per_volt_u": None if bend is None else bend.u,
        "note": way.note,
    }


def _with(ways: PullDownWays, way: PullDownWay) -> Iterator[NormalisedError]:
    return (pair for pair in ways.comparisons if way.name in (pair.first, pair.second))
