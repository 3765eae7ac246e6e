"""What a stuck pin makes the unit draw from its supply: the finding."""

from __future__ import annotations

from dataclasses import dataclass

from results.analysis.value import Value


@dataclass(frozen=True)
class SupplyDraw:
    """One pin under one condition: `extra` (A) is by how much more the unit drew after its `stuck` bare trials than
    before them, less the same of the unit's `released` ones.

    `half_width_a`: of the 95 % interval of `extra`. `draws_more`: the whole interval is above zero. All None where not
    determined, and `reason` says why.
    """

    stuck: int
    released: int
    extra: Value | None = None
    half_width_a: float | None = None
    draws_more: bool | None = None
    reason: str = ""
