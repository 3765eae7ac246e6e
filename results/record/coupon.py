"""Check coupons: known networks on select relays of their own, pressed and released like any pin before and after."""

from __future__ import annotations

from dataclasses import dataclass

RELEASED = "coupon released"
STUCK = "coupon stuck"
"""The names by which trials know them; a pin of a unit cannot be called so, because its name holds no blank."""


@dataclass(frozen=True)
class ReleasedCoupon:
    """A resistor and a capacitor to ground (ohm, farad); tolerances are relative."""

    resistor_ohm: float
    tolerance: float
    capacitance_f: float
    capacitance_tolerance: float


@dataclass(frozen=True)
class StuckCoupon:
    """A network that latches. With a trial resistor up to `safe_low_ohm` it is let go, from `safe_high_ohm` on it
    stays high, at the nominal rail of the plan."""

    safe_low_ohm: float
    safe_high_ohm: float


@dataclass(frozen=True)
class Coupons:
    """Those that the bench has; None where it lacks one."""

    released: ReleasedCoupon | None = None
    stuck: StuckCoupon | None = None
