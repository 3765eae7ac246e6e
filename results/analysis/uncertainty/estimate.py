"""A number whose uncertainty is kept by its sources, so that what two numbers have in common drops out between them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from results.analysis.value import Value


@dataclass(frozen=True)
class Estimate:
    """`parts`: source of error -> what one standard deviation of it does to `value`, signed, in the same unit.

    Sources are independent of each other. Two estimates that name the same source share its error.
    """

    value: float
    parts: Mapping[str, float] = field(default_factory=dict)

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100:2008, 5.1.2)."""
        return math.hypot(*self.parts.values())

    @property
    def as_value(self) -> Value:
        return Value(self.value, self.u)

    def scaled(self, factor: float) -> Estimate:
        """Value and parts times a number that is certain."""
        return Estimate(factor * self.value, {name: factor * part for name, part in self.parts.items()})

    def plus(self, other: Estimate, weight: float = 1.0) -> Estimate:
        """This and `weight` times the other: what both share is added with its sign first (JCGM 100:2008, 5.2.2)."""
        names = dict.fromkeys([*self.parts, *other.parts])
        parts = {name: self.parts.get(name, 0.0) + weight * other.parts.get(name, 0.0) for name in names}
        return Estimate(self.value + weight * other.value, parts)

    def times(self, other: Estimate) -> Estimate:
        """The product, to first order in the errors."""
        names = dict.fromkeys([*self.parts, *other.parts])
        parts = {
            name: other.value * self.parts.get(name, 0.0) + self.value * other.parts.get(name, 0.0) for name in names
        }
        return Estimate(self.value * other.value, parts)

    def inverted(self) -> Estimate:
        """1/x, to first order. Raises ZeroDivisionError at zero."""
        return Estimate(1.0 / self.value, {name: -part / self.value**2 for name, part in self.parts.items()})


def mean(estimates: Iterable[Estimate]) -> Estimate:
    """The plain mean; a part that all share is not reduced by their number. Raises ValueError where there are none."""
    listed = list(estimates)
    if not listed:
        raise ValueError("mean: at least one estimate is needed")
    total = listed[0]
    for one in listed[1:]:
        total = total.plus(one)
    return total.scaled(1.0 / len(listed))
