"""An uncertainty budget: every source of error of a quantity, what it contributes, and what they come to together.

JCGM 100:2008 (GUM): a model is carried through the `uncertainties` package to first order, one variable a source. A
source keeps its name wherever it enters, so that two quantities with the same meter or the same resistor are known to
err together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from results.record.trace import FloatArray

PROBABILITY = 0.9545
"""Of the coverage interval: what k = 2 covers of a normal distribution (JCGM 100:2008, table G.1)."""

Evaluation = Literal["A", "B"]
"""By the statistics of repeated readings, or by anything else (JCGM 100:2008, 4.2 and 4.3)."""

Shape = Literal["normal", "t", "scaled t", "rectangular", "arcsine"]
"""`t`: normal, but with a scatter that is itself known from few readings only; u is that of the readings, s/√n, and the
coverage factor makes up for their number (JCGM 100:2008, 4.2.3 and G.3). `scaled t`: the same, but u is the standard
deviation of the t distribution already, √(ν/(ν − 2)) times as much (JCGM 101:2008, 6.4.9.2), which is not counted a
second time by a coverage factor."""

Model = Callable[[Mapping[str, Any]], Any]
"""Estimates of the sources by name in, the quantity out. It must work on plain numbers, on arrays of draws and on the
variables of the `uncertainties` package alike: arithmetic only, or functions handed in for the purpose."""


@dataclass(frozen=True)
class Source:
    """One source of error: its estimate with standard uncertainty `u` and degrees of freedom.

    `evaluation` and `shape` as above. An error without a value of its own (an offset, say) has the estimate 0. `unit`
    is that of estimate and u; "1": relative.
    """

    name: str
    evaluation: Evaluation
    shape: Shape
    u: float
    dof: float = math.inf
    estimate: float = 0.0
    unit: str = "1"

    @property
    def welch_dof(self) -> float:
        """Degrees of freedom that the coverage factor has to make up for."""
        return math.inf if self.shape == "scaled t" else self.dof


def rectangular(name: str, half_width: float, estimate: float = 0.0, unit: str = "1") -> Source:
    """A limit or tolerance: u = a/√3 (JCGM 100:2008, 4.3.7)."""
    return Source(name, "B", "rectangular", abs(half_width) / math.sqrt(3.0), estimate=estimate, unit=unit)


@dataclass(frozen=True)
class Contribution:
    """A source with the sensitivity ∂f/∂x of the quantity to it."""

    source: Source
    sensitivity: float

    @property
    def amount(self) -> float:
        """What it contributes, with its sign, in the unit of the quantity: sensitivity times u."""
        return self.sensitivity * self.source.u


@dataclass(frozen=True)
class Correlation:
    """The correlation coefficient of two sources, by name."""

    first: str
    second: str
    coefficient: float


@dataclass(frozen=True)
class Budget:
    """The budget of one quantity: its value in `unit`, and its contributions.

    `correlations` of sources that are not independent of each other (readings taken at the same time).
    """

    quantity: str
    unit: str
    value: float
    contributions: tuple[Contribution, ...]
    correlations: tuple[Correlation, ...] = ()

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100:2008, eq. 16; eq. 10 without correlations)."""
        return math.sqrt(max(covariance(self, self), 0.0))

    @property
    def effective_dof(self) -> float:
        """Welch-Satterthwaite: ν = u⁴ / Σ(u_i⁴/ν_i) (JCGM 100:2008, G.4.1, eq. G.2b); infinite where nothing limits it.

        The equation asks for independent contributions: those that are correlated count as one, with the fewest
        degrees of freedom among them.
        """
        total = 0.0
        for group in self._independent():
            dof = min(part.source.welch_dof for part in group)
            total += self._variance(group) ** 2 / dof
        return self.u**4 / total if total > 0.0 else math.inf

    @property
    def coverage(self) -> float:
        """Coverage factor for `PROBABILITY`: the quantile of the t distribution (JCGM 100:2008, G.3.4, table G.2)."""
        return coverage_factor(self.effective_dof)

    @property
    def expanded(self) -> float:
        """U = k · u (JCGM 100:2008, 6.2.1)."""
        return self.coverage * self.u

    def _variance(self, group: Sequence[Contribution]) -> float:
        part = Budget(self.quantity, self.unit, self.value, tuple(group), self.correlations)
        return max(covariance(part, part), 0.0)

    def _independent(self) -> list[list[Contribution]]:
        """The contributions in groups of which no two are correlated."""
        groups: list[list[Contribution]] = [[part] for part in self.contributions]
        for pair in self.correlations:
            joined = [group for group in groups if {part.source.name for part in group} & {pair.first, pair.second}]
            groups = [group for group in groups if group not in joined]
            groups.append([part for group in joined for part in group])
        return [group for group in groups if group]


def coverage_factor(dof: float, probability: float = PROBABILITY) -> float:
    """The factor that covers `probability` of a t distribution on both sides of zero; of a normal one for infinite
    degrees of freedom."""
    from scipy.stats import norm, t

    tail = 0.5 * (1.0 - probability)
    return float(norm.isf(tail) if math.isinf(dof) else t.isf(tail, dof))


def propagate(
    quantity: str, unit: str, sources: Iterable[Source], model: Model, correlations: Sequence[Correlation] = ()
) -> Budget:
    """The budget of `model` at the estimates of the sources, to first order (JCGM 100:2008, 5.1 and 5.2).

    A source without uncertainty counts as a constant. Raises ValueError where two sources have the same name.
    """
    from uncertainties import UFloat, ufloat

    known: dict[str, Source] = {}
    for source in sources:
        if source.name in known:
            raise ValueError(f"{quantity}: two sources of the name {source.name!r}")
        known[source.name] = source
    uncertain = {name: ufloat(one.estimate, one.u, tag=name) for name, one in known.items() if one.u > 0.0}
    found = model({name: uncertain.get(name, one.estimate) for name, one in known.items()})
    if not isinstance(found, UFloat):
        return Budget(quantity, unit, float(found), ())
    slopes = found.derivatives
    parts = tuple(
        Contribution(known[name], float(slopes[variable])) for name, variable in uncertain.items() if variable in slopes
    )
    present = {part.source.name for part in parts}
    kept = tuple(pair for pair in correlations if {pair.first, pair.second} <= present)
    return Budget(quantity, unit, float(found.nominal_value), parts, kept)


def covariance(first: Budget, second: Budget) -> float:
    """Covariance of two quantities from the sources that they share (JCGM 100:2008, 5.2 and F.1.2.3)."""
    there = {part.source.name: part.amount for part in second.contributions}
    total = sum(part.amount * there.get(part.source.name, 0.0) for part in first.contributions)
    here = {part.source.name: part.amount for part in first.contributions}
    for pair in dict.fromkeys((*first.correlations, *second.correlations)):
        both = here.get(pair.first, 0.0) * there.get(pair.second, 0.0)
        total += pair.coefficient * (both + here.get(pair.second, 0.0) * there.get(pair.first, 0.0))
    return total


def correlation(first: Budget, second: Budget) -> float:
    """Correlation coefficient of two quantities (JCGM 100:2008, eq. 14); 0 where one of them is certain."""
    scale = first.u * second.u
    return covariance(first, second) / scale if scale > 0.0 else 0.0


def means_of(names: Sequence[str], readings: FloatArray) -> tuple[tuple[Source, ...], tuple[Correlation, ...]]:
    """Means of readings taken together, of shape (sets, quantities), as correlated sources of type A.

    u = s/√n with n − 1 degrees of freedom; correlations from the scatter of the sets (JCGM 100:2008, 4.2.3 and 5.2.3,
    eq. 17). Raises ValueError for fewer than two sets, or for readings that do not fit the names.
    """
    import numpy as np

    sets, width = readings.shape
    if sets < 2 or width != len(names):
        raise ValueError(f"needs two sets of {len(names)} readings: shape {readings.shape}")
    spread = np.atleast_2d(np.cov(readings, rowvar=False)) / sets
    u = np.sqrt(np.diag(spread))
    means = readings.mean(axis=0)
    sources = tuple(Source(name, "A", "t", float(u[i]), sets - 1.0, float(means[i])) for i, name in enumerate(names))
    pairs = tuple(
        Correlation(names[i], names[j], float(spread[i, j] / (u[i] * u[j])))
        for i in range(width)
        for j in range(i + 1, width)
        if u[i] > 0.0 and u[j] > 0.0
    )
    return sources, pairs


__all__ = [
    "PROBABILITY",
    "Budget",
    "Contribution",
    "Correlation",
    "Model",
    "Shape",
    "Source",
    "correlation",
    "covariance",
    "coverage_factor",
    "means_of",
    "propagate",
    "rectangular",
]
