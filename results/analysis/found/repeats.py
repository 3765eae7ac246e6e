"""What repeats say of a run: plain data."""

from __future__ import annotations

from dataclasses import dataclass

from results.record.trial import Condition


@dataclass(frozen=True)
class OneWay:
    """A one-way analysis of variance: `count` values in `groups`, `within_sd` with `within_dof` degrees of freedom.

    `f` and `p_value` of the test whether the groups differ, and `between`, the standard deviation of their true means;
    None where there is one group only, or no scatter within them.
    """

    groups: int
    count: int
    within_dof: int
    within_sd: float
    f: float | None = None
    p_value: float | None = None
    between: float | None = None


@dataclass(frozen=True)
class Repeats:
    """Settled voltages of all pins with one resistor under one condition.

    `variance`: groups are pins, the values their repeats (volt). `claimed_v`: root mean square of the type A
    uncertainty that the traces state. `chi_square` of the repeats against it, with `p_value` for as large a one;
    `exceeds`: that is more than noise. `changing`: pins left out, because their verdict differs between repeats.
    """

    resistor: str
    condition: Condition
    variance: OneWay
    claimed_v: float
    chi_square: float
    p_value: float
    exceeds: bool = False
    changing: tuple[str, ...] = ()
