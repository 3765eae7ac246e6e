"""The distribution of a quantity by Monte Carlo (JCGM 101:2008), and whether it bears the first-order budget out.

Where a model bends (1/x near zero, a product of uncertain factors) the first-order uncertainty may be wrong: the same
sources are drawn from their distributions and put through the same model.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from results.analysis.uncertainty.budget import PROBABILITY, Budget, Correlation, Model, Shape, Source, coverage_factor
from results.record.trace import FloatArray

DRAWS = 100_000
"""The ends of a 95 % interval are then certain to about 0.9 % of u: a fifth of the tolerance below, or less."""

DIGITS = 1
"""Significant digits of u that are taken as meaningful in the comparison (JCGM 101:2008, 7.9.2)."""


@dataclass(frozen=True)
class Simulation:
    """A quantity as drawn: mean, standard deviation, and the probabilistically symmetric coverage interval (JCGM
    101:2008, 7.6 and 7.7), in the unit of the quantity. An end is infinite where the model has no limit there. A `t` of
    two degrees of freedom or fewer has no standard deviation: where one counts, mean and u say nothing, the interval
    does."""

    mean: float
    u: float
    low: float
    high: float
    probability: float = PROBABILITY


@dataclass(frozen=True)
class Comparison:
    """First-order interval against Monte Carlo interval (JCGM 101:2008, 8.1).

    `low_apart`, `high_apart`: distances of the ends. `tolerance`: the numerical tolerance of u. `validated` where
    neither end is further apart than that.
    """

    simulation: Simulation
    low_apart: float
    high_apart: float
    tolerance: float

    @property
    def validated(self) -> bool:
        return self.low_apart <= self.tolerance and self.high_apart <= self.tolerance


@dataclass(frozen=True)
class Stated:
    """A budget as it is stated, with what it is `about` in words. `comparison`: with Monte Carlo, where the model
    bends."""

    budget: Budget
    about: str = ""
    comparison: Comparison | None = None


def simulate(
    sources: Iterable[Source],
    model: Model,
    *,
    correlations: Sequence[Correlation] = (),
    draws: int = DRAWS,
    probability: float = PROBABILITY,
) -> Simulation:
    """Draw every source from its distribution and put the draws through the model.

    Equal evidence gives equal numbers: the draws of a place in the list are always the same. Correlated sources must
    be normal (a `t` is drawn as normal there): raises ValueError for another shape.
    """
    known = tuple(sources)
    drawn: dict[str, FloatArray | float] = {
        source.name: source.estimate + source.u * _standard(source.shape, source.dof, place, draws)
        if source.u > 0.0
        else source.estimate
        for place, source in enumerate(known)
    }
    if correlations:
        drawn |= _correlated(known, correlations, draws)
    tail = 0.5 * (1.0 - probability)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):  # 1/x may come upon zero
        values = np.broadcast_to(np.asarray(model(drawn), dtype=np.float64), (draws,))
        low, high = (float(end) for end in np.quantile(values, [tail, 1.0 - tail]))
        return Simulation(float(values.mean()), float(values.std(ddof=1)), low, high, probability)


def compare(budget: Budget, simulation: Simulation, digits: int = DIGITS) -> Comparison:
    """Does the first-order interval y ± U agree with the drawn one within the numerical tolerance of u?"""
    expanded = coverage_factor(budget.effective_dof, simulation.probability) * budget.u
    return Comparison(
        simulation,
        abs(budget.value - expanded - simulation.low),
        abs(budget.value + expanded - simulation.high),
        numerical_tolerance(budget.u, digits),
    )


def numerical_tolerance(u: float, digits: int = DIGITS) -> float:
    """Half of the last of so many significant digits of u: u = c · 10^l with an integer c of `digits` digits,
    δ = ½ · 10^l (JCGM 101:2008, 7.9.2). 0 for a u of 0."""
    if u <= 0.0:
        return 0.0
    exponent = math.floor(math.log10(u)) - digits + 1
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1  # 0.0996 has the two digits 10, not 100
    return 0.5 * 10.0**exponent


@lru_cache(maxsize=64)
def _standard(shape: Shape, dof: float, place: int, draws: int) -> FloatArray:
    """Draws around 0 in units of u, shape (draws,): JCGM 101:2008, 6.4.2, 6.4.6, 6.4.7 and 6.4.9.

    Of variance 1, but for `t`, whose u is its scale.
    """
    chance = np.random.default_rng([101, place])
    if shape == "rectangular":
        return chance.uniform(-math.sqrt(3.0), math.sqrt(3.0), draws)
    if shape == "arcsine":
        return math.sqrt(2.0) * np.sin(chance.uniform(-math.pi, math.pi, draws))
    if shape in ("t", "scaled t") and math.isfinite(dof):
        from scipy.special import stdtrit

        # One draw from each of as many equal parts of the probability: of one degree of freedom the tails are so long
        # that draws from the whole would leave the ends uncertain by 4 %.
        drawn = stdtrit(dof, (chance.permutation(draws) + chance.random(draws)) / draws)
        scale = math.sqrt((dof - 2.0) / dof) if shape == "scaled t" and dof > 2.0 else 1.0
        return np.asarray(scale * drawn, dtype=np.float64)
    return chance.standard_normal(draws)


def _correlated(known: Sequence[Source], correlations: Sequence[Correlation], draws: int) -> dict[str, FloatArray]:
    """Jointly normal draws of the sources that are correlated (JCGM 101:2008, 6.4.8)."""
    joint = {name for pair in correlations for name in (pair.first, pair.second)}
    among = [source for source in known if source.name in joint]
    wrong = [source.name for source in among if source.shape not in ("normal", "t", "scaled t")]
    if wrong:
        raise ValueError(f"correlated sources must be normal: {wrong[0]!r} is not")
    place = {source.name: number for number, source in enumerate(among)}
    matrix = np.eye(len(among))
    for pair in correlations:
        first, second = place[pair.first], place[pair.second]
        matrix[first, second] = matrix[second, first] = pair.coefficient
    values, vectors = np.linalg.eigh(matrix)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    independent = np.stack([_standard("normal", math.inf, number, draws) for number in range(len(among))])
    mixed = root @ independent
    return {source.name: source.estimate + source.u * mixed[number] for number, source in enumerate(among)}


__all__ = ["DIGITS", "DRAWS", "Comparison", "Simulation", "Stated", "compare", "numerical_tolerance", "simulate"]
