"""Do two results of one quantity agree? The normalised error E_n compares their difference with its uncertainty.

ISO/IEC 17043:2010, B.3.1.3 and ISO 13528:2015: E_n = (x1 − x2)/√(U1² + U2²) with expanded uncertainties of k = 2 of
independent results; |E_n| <= 1 agrees (memory). Two ways on one bench are not independent: what they share (the same
meter, the same resistor) is in their difference only as far as it does not cancel (JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from results.analysis.uncertainty.estimate import Estimate

COVERAGE = 2.0
"""The factor that E_n is defined with, whatever a report expands by."""

LIMIT = 1.0


@dataclass(frozen=True)
class NormalisedError:
    """Two results by name, their difference `first` less `second` with its standard uncertainty, and |E_n|."""

    first: str
    second: str
    difference: float
    u: float

    @property
    def value(self) -> float:
        """|E_n|; infinite where two results differ that claim to be certain."""
        if self.difference == 0.0:
            return 0.0
        return abs(self.difference) / (COVERAGE * self.u) if self.u > 0.0 else math.inf

    @property
    def agrees(self) -> bool:
        return self.value <= LIMIT


def normalised_error(first: str, one: Estimate, second: str, other: Estimate) -> NormalisedError:
    """Compare two results of the same quantity in the same unit."""
    difference = one.plus(other, -1.0)
    return NormalisedError(first, second, difference.value, difference.u)


def pairwise_errors(results: Sequence[tuple[str, Estimate]]) -> tuple[NormalisedError, ...]:
    """Every pair of the results, in their order."""
    return tuple(normalised_error(*first, *second) for first, second in combinations(results, 2))
