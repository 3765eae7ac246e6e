"""Numbers as the report shows them: rounded to their uncertainty, unit beside them, never "nan".

An expanded uncertainty keeps two significant digits and the value as many decimals as it (JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

from results.analysis.findings import Bracket, Value
from results.quantity import UnitSymbol, show

NOT_DETERMINED = "not determined"

Cell = dict[str, str]
"""A number in a table: {"n": "2.0300 ± 0.0010", "unit": "V"}, or {"text": "not determined"} where there is none."""

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def cell(quantity: Value | None, unit: UnitSymbol, coverage: float, *, prefixed: bool = True) -> Cell:
    """A value with its expanded uncertainty U = coverage · u, as number and unit apart.

    `prefixed` False keeps the bare unit, so that the voltages of a column compare at a glance. An uncertainty of zero
    means that none was stated: the number stands alone. Anything not finite is "not determined".
    """
    if quantity is None or not math.isfinite(quantity.value):
        return {"text": NOT_DETERMINED}
    expanded = coverage * quantity.u
    if not (math.isfinite(expanded) and expanded > 0.0):
        return bare_cell(quantity.value, unit) if prefixed else {"n": _signed(f"{quantity.value:.4g}"), "unit": unit}
    scale, prefix = _prefix(quantity.value, expanded) if prefixed else (1.0, "")
    return {"n": _plus_minus(quantity.value / scale, expanded / scale), "unit": f"{prefix}{unit}"}


def bare_cell(value: float | None, unit: UnitSymbol, digits: int = 4) -> Cell:
    """A number without uncertainty, as number and unit apart."""
    if value is None or not math.isfinite(value):
        return {"text": NOT_DETERMINED}
    number, _, shown_unit = show(value, unit, digits).partition(" ")
    return {"n": _signed(number), "unit": shown_unit}


def text_of(one: Cell) -> str:
    """The cell as one text: "2.0300 ± 0.0010 V" with a space that does not break."""
    if "text" in one:
        return one["text"]
    number = f"({one['n']})" if "±" in one["n"] and one["unit"] else one["n"]
    return f"{number}\u00a0{one['unit']}".replace(" ", "\u00a0")


def quantity_text(quantity: Value | None, unit: UnitSymbol, coverage: float, *, prefixed: bool = True) -> str:
    """A value with its expanded uncertainty for running text: "(60 ± 34) kΩ"."""
    return text_of(cell(quantity, unit, coverage, prefixed=prefixed))


def plain(value: float | None, unit: UnitSymbol, digits: int = 4) -> str:
    """A number without uncertainty for running text: "8.2 kΩ"."""
    return text_of(bare_cell(value, unit, digits))


def percent(rate: float | None, digits: int = 3) -> str:
    """A rate in per cent to that many digits, rounded up: an upper limit must not be rounded below itself."""
    if rate is None or not math.isfinite(rate):
        return NOT_DETERMINED
    scale = 10.0 ** (digits - 2)
    # The small allowance keeps 0.63 from becoming 63.1 through its binary fraction.
    return f"{math.ceil(rate * 100.0 * scale - 1e-9) / scale:g}\u00a0%"


def moment(utc: str) -> str:
    """An instant as a reader wants it, to the minute in UTC; as it stands in run.json where it cannot be read."""
    try:
        when = datetime.fromisoformat(utc)
    except ValueError:
        return utc or "not stated"
    return when.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC") if when.tzinfo else f"{utc} (zone not stated)"


def ratio_text(value: float, u: float | None = None, coverage: float = 2.0) -> str:
    """A number without a unit: counts whole, others to three digits, or to their expanded uncertainty."""
    if u:
        return _plus_minus(value, coverage * u)
    return _signed(f"{value:.0f}" if value == int(value) else f"{value:.3g}")


def bracket_text(bracket: Bracket) -> str:
    """The bracket of the largest safe resistance in words: "8.2 kΩ to 10 kΩ"."""
    low, high = (_resistor(name) for name in (bracket.low, bracket.high))
    if bracket.state == "bracketed" and low and high:
        return f"at least {low}" if high == "none" else f"{low} to {high}"
    if bracket.state == "all released" and low:
        return f"at least {low}"
    if bracket.state == "none released" and high:
        return "below any tried" if high == "none" else f"below {high}"
    if bracket.state == "none needed":
        return "none needed"
    return "intermittent" if bracket.state == "intermittent" else NOT_DETERMINED


def _resistor(name: str | None) -> str | None:
    return None if name is None else name.replace(" ", "\u00a0")


def _prefix(value: float, expanded: float) -> tuple[float, str]:
    """Scale and name of the prefix for a value with that U; a U of three digits goes to the next larger prefix."""
    # 999.6 mV would otherwise be shown as 1000 mV, and 123 nA would have more than two digits.
    return next(
        (pair for pair in _PREFIXES if max(abs(value), expanded) >= pair[0] * 0.9995 or expanded >= pair[0] * 99.5e-3),
        _PREFIXES[-1],
    )


def _plus_minus(value: float, expanded: float) -> str:
    from uncertainties import ufloat

    number, _, uncertainty = f"{ufloat(value, expanded):.2uf}".partition("+/-")
    return f"{_signed(number)} ± {uncertainty}"


def _signed(number: str) -> str:
    """With a minus sign in place of the hyphen, and no sign on a zero."""
    if number.startswith("-"):
        return "\u2212" + number[1:] if number.strip("-0.") else number[1:]
    return number
