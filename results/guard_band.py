"""Guard bands by the name of their rule: how far a voltage must keep from a level, and the risk that is left.

With a guard band w = r · U a level counts as kept only where the voltage stays w on its side of it. The rules are those
of ILAC-G8:09/2019, table 1, and ISO 14253-1:2017 (from memory where no text was at hand).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from results.errors import QuantityError

WIDEST = 5.0
"""More expanded uncertainties than that are a slip of the pen."""


@dataclass(frozen=True)
class GuardBand:
    """A decision rule w = `factor` · U. `source`: the standard that knows it, empty where the plan made it up."""

    rule: str
    factor: float
    source: str = ""


KNOWN = (
    GuardBand("w = U", 1.0, "ILAC-G8:09/2019"),
    GuardBand("w = 0", 0.0, "simple acceptance, ILAC-G8:09/2019"),
    GuardBand("w = 0.83 U", 0.83, "ISO 14253-1:2017"),
    GuardBand("w = 1.5 U", 1.5, "3 sigma, ILAC-G8:09/2019"),
    GuardBand("w = 3 U", 3.0, "6 sigma, ILAC-G8:09/2019"),
)
"""The default first."""

_RULE = re.compile(r"w\s*=\s*(?:(?P<factor>[0-9]{1,2}(?:\.[0-9]{1,3})?)\s*[*·]?\s*)?(?P<unit>U)?")


def guard_band(rule: str) -> GuardBand:
    """The guard band of a rule as a plan writes it: "w = U", "w = 0" or "w = 0.83 U", with any factor up to 5.

    Raises QuantityError for anything else.
    """
    found = _RULE.fullmatch(rule.strip())
    if found is None or not (found["unit"] or found["factor"]):
        raise QuantityError(f'{rule!r}: must be a guard band, such as "w = U", "w = 0" or "w = 0.83 U"')
    factor = 1.0 if found["factor"] is None else float(found["factor"])
    if factor > 0.0 and found["unit"] is None:
        raise QuantityError(f'{rule!r}: must be in expanded uncertainties, such as "w = 0.83 U"')
    if factor > WIDEST:
        raise QuantityError(f"{rule!r}: must be no more than {WIDEST:g} U")
    name = "w = 0" if factor == 0.0 else "w = U" if factor == 1.0 else f"w = {factor:g} U"
    return next((one for one in KNOWN if one.rule == name), GuardBand(name, factor))


def false_acceptance_risk(factor: float, coverage: float) -> float:
    """Specific risk, 0 to 1, that what was found exactly at the acceptance limit lies beyond the level in truth.

    Φ(−r · k) for w = r · U, U = k · u, and a normal distribution: the largest risk of a single acceptance (ILAC-
    G8:09/2019; JCGM 106:2012, 9.3.2).
    """
    return 0.5 * math.erfc(factor * coverage / math.sqrt(2.0))
