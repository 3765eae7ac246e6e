"""Quantities as engineers write them, to SI floats and back: "8.2 kΩ", "8k2" (IEC 60062), "50 ms", "1 %".

What may be written is decided here, strictly; the conversion of prefixes is quantiphy's. Its own grammar is wider than
is safe for a bench ("1,5 kΩ" would be 15 kΩ, "5 min" 5 milli-inch), so a text must fit this one first.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Literal

from quantiphy import Quantity

from results.errors import QuantityError
from results.record.trial import NO_RESISTOR

UnitSymbol = Literal["V", "A", "Ω", "F", "s", "Hz", "S", "W", "%", "°C"]
"""The units that a quantity can be asked in. `%` is a ratio: "1 %" is 0.01. `°C` stays in degrees Celsius."""

_SPELLINGS: dict[str, tuple[str, ...]] = {
    "V": ("V", "volts", "volt"),
    "A": ("A", "amperes", "ampere"),
    "Ω": ("Ω", "\u2126", "ohms", "ohm", "Ohms", "Ohm", "OHM"),
    "F": ("F", "farads", "farad"),
    "s": ("s", "seconds", "second"),
    "Hz": ("Hz", "hertz"),
    "S": ("S", "siemens"),
    "W": ("W", "watts", "watt"),
    "%": ("%", "ppm"),
    "°C": ("°C", "degC", "\u2103"),
}
_EXAMPLES = {
    "V": "3.3 V",
    "A": "120 µA",
    "Ω": "8.2 kΩ",
    "F": "150 pF",
    "s": "50 ms",
    "Hz": "50 Hz",
    "S": "10 µS",
    "W": "250 mW",
    "%": "1 %",
    "°C": "25 °C",
}
# Units that are no SI unit with a prefix, as factors of the unit asked for (SI brochure, table 8).
_FACTORS = {"s": {"min": 60.0, "h": 3600.0}, "%": {"%": 1e-2, "ppm": 1e-6}, "°C": dict.fromkeys(_SPELLINGS["°C"], 1.0)}

_NUMBER = re.compile(r"(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(?P<rest>.*)", re.DOTALL)
_PREFIX = re.compile(r"[TGMkKmuµμnpfa]?")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|∞)\b.*|[+-]?∞.*", re.IGNORECASE | re.DOTALL)

# IEC 60062: the letter stands for the decimal point and gives the multiplier. Lower-case k is common usage.
_CODE_POWERS = {
    "Ω": {"L": -3, "R": 0, "K": 3, "k": 3, "M": 6, "G": 9, "T": 12},
    "F": {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3},
}
_CODE = re.compile(r"(?P<whole>[0-9]*)(?P<letter>[A-Za-zµμ])(?P<part>[0-9]*)")

LONGEST = 100
"""Characters of a quantity: a number of a million digits would keep the reader busy for minutes."""

_KEPT_DIGITS = 6
"""Significant digits of a resistor's name: enough for every marked value, too few for the noise of float arithmetic."""


class _Shown(Quantity):
    """quantiphy with its preferences changed for this module alone."""


_Shown.set_prefs(output_sf="TGMkmunpfa", map_sf={"u": "µ"}, spacer=" ")


def parse(text: object, unit: UnitSymbol) -> float:
    """The SI value of a quantity as written, which must carry the unit asked for.

    `text` is what stood in the file; anything but a string is refused. A number takes a decimal point, an optional
    SI prefix and the unit, with or without a space. Resistances and capacitances may be IEC 60062 codes ("8k2", "4R7",
    "R47", "4n7"), times also in `min` and `h`, ratios in `%` or `ppm`. Zero and negative values pass: what a quantity
    may be is the caller's rule. Raises QuantityError naming the text, the unit expected and an example.
    """
    if not isinstance(text, str):
        is_number = isinstance(text, int | float) and not isinstance(text, bool)
        raise _refused(text, unit, "a bare number, the unit is missing" if is_number else "not a text")
    if len(text) > LONGEST:
        raise _refused(f"{text[:LONGEST]}…", unit, f"longer than {LONGEST} characters")
    stripped = text.strip()
    code = _from_code(stripped, unit)
    value = _from_number(text, stripped, unit) if code is None else code
    if not math.isfinite(value):
        raise _refused(text, unit, "not a finite number")
    return value


def show(value: float | None, unit: UnitSymbol, digits: int = 4) -> str:
    """Engineering notation with at most `digits` significant digits: show(8200, "Ω") is "8.2 kΩ".

    A ratio is shown in per cent, temperatures without a prefix. None and NaN are "not determined".
    """
    if value is None or math.isnan(value):
        return "not determined"
    if math.isinf(value):
        return f"{'-' if value < 0 else ''}∞ {unit}"
    if unit in ("%", "°C"):
        rounded = Decimal(f"{value * (100.0 if unit == '%' else 1.0):.{digits - 1}e}")
        return f"{_plain(rounded)} {unit}"
    return str(_Shown(value, unit).render(prec=digits - 1))


def resistor_name(ohm: float | None) -> str:
    """The one name of a trial resistor of that nominal value, "8.2 kΩ"; "none" for None.

    Values that agree to six significant digits share a name. Raises QuantityError unless positive and finite.
    """
    if ohm is None:
        return NO_RESISTOR
    _check_resistance(ohm)
    return str(_Shown(ohm, "Ω").render(prec=_KEPT_DIGITS - 1)) if ohm >= 1.0 else f"{_plain(_rounded(ohm))} Ω"


def rkm(ohm: float) -> str:
    """The letter-and-digit code of a resistance (IEC 60062): "8K2", "4R7", "R47", "470R".

    Six significant digits are kept. Raises QuantityError unless positive and finite.
    """
    _check_resistance(ohm)
    rounded = _rounded(ohm)
    power, letter = next(
        (power, letter)
        for power, letter in ((12, "T"), (9, "G"), (6, "M"), (3, "K"), (0, "R"), (-3, "L"))
        # From 0.01 Ω up the code is written with R ("R10"), as it is marked; only what is smaller takes L.
        if rounded >= Decimal(1).scaleb(power) or (power == 0 and rounded >= Decimal("0.01")) or power == -3
    )
    whole, _, part = _plain(rounded.scaleb(-power)).partition(".")
    if whole == "0":
        return f"{letter}{part.ljust(2, '0')}"
    if not part and len(whole) == 1:
        part = "0"
    return f"{whole}{letter}{part}"


def _from_code(stripped: str, unit: UnitSymbol) -> float | None:
    """The value of an IEC 60062 code; None where the text is not one of that unit."""
    for spelling in _SPELLINGS["Ω"] if unit == "Ω" else ():
        stripped = stripped.removesuffix(spelling).rstrip()
    match = _CODE.fullmatch(stripped)
    if match is None or unit not in _CODE_POWERS or not (match["whole"] or match["part"]):
        return None
    power = _CODE_POWERS[unit].get(match["letter"])
    # "8 kΩ" without its unit sign is read as "8k" too, and means the same.
    return None if power is None else float(Decimal(f"{match['whole'] or '0'}.{match['part'] or '0'}").scaleb(power))


def _from_number(text: str, stripped: str, unit: UnitSymbol) -> float:
    match = _NUMBER.fullmatch(stripped)
    if match is None:
        rule = "not a finite number" if _NOT_FINITE.fullmatch(stripped) else "not a number with a unit"
        raise _refused(text, unit, rule)
    number, rest = match["number"], match["rest"].rstrip()
    if not rest:
        raise _refused(text, unit, "a bare number, the unit is missing")
    if re.match(r",\s*\d", rest):
        raise _refused(text, unit, "a comma in the number, write a decimal point")
    factor = _FACTORS.get(unit, {}).get(rest)
    if factor is not None:
        return float(Decimal(number) * Decimal(str(factor)))
    if unit in ("%", "°C"):
        raise _refused(text, unit, f"wrong unit {rest!r}")
    for spelling in _SPELLINGS[unit]:
        prefix = rest.removesuffix(spelling)
        if prefix != rest and _PREFIX.fullmatch(prefix.rstrip()):
            return float(Quantity(f"{number} {prefix.rstrip()}{unit}"))
    if _PREFIX.fullmatch(rest):
        raise _refused(text, unit, f"a prefix {rest!r} without a unit")
    raise _refused(text, unit, f"wrong unit {rest!r}")


def _refused(text: object, unit: UnitSymbol, rule: str) -> QuantityError:
    return QuantityError(f'{text!r}: {rule}: expected a quantity in {unit}, for example "{_EXAMPLES[unit]}"')


def _check_resistance(ohm: float) -> None:
    if not (math.isfinite(ohm) and ohm > 0.0):
        raise QuantityError(f"a resistance must be positive and finite: {ohm!r} Ω")


def _rounded(value: float) -> Decimal:
    return Decimal(f"{value:.{_KEPT_DIGITS - 1}e}")


def _plain(value: Decimal) -> str:
    """Without exponent and without trailing zeros."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
