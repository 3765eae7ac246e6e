"""Which trials of the check coupons a run begins and ends with."""

from __future__ import annotations

from collections.abc import Iterator

from harness.bench_file import BenchFile
from harness.plan import Plan, nominal_ohm
from harness.steps import COUPON
from results.record.coupon import RELEASED, STUCK, Coupons
from results.record.trial import NO_RESISTOR, Kind

SETUP = "coupon"
"""What stands for a pin setup: no firmware makes anything of a coupon."""

CouponStep = tuple[str, str, str, Kind, str]


def coupon_steps(plan: Plan, bench: BenchFile | None) -> Iterator[CouponStep]:
    """Each coupon with nothing fitted; the one that latches also with the switched trial resistors next to its limits.

    None where a person presses, or for traces recorded elsewhere.
    """
    if bench is None or plan.press.path == "hand":
        return
    if bench.coupons.released is not None:
        yield _step(RELEASED, NO_RESISTOR)
    stuck = bench.coupons.stuck
    if stuck is None:
        return
    yield _step(STUCK, NO_RESISTOR)
    switched = plan.trials.resistors if plan.trials.fitted == "switched" else ()
    ohms = {name: ohm for name in switched if (ohm := nominal_ohm(name)) is not None}
    below = [name for name in ohms if ohms[name] <= stuck.safe_low_ohm]
    above = [name for name in ohms if ohms[name] >= stuck.safe_high_ohm]
    if below:
        yield _step(STUCK, max(below, key=lambda name: ohms[name]))
    if above:
        yield _step(STUCK, min(above, key=lambda name: ohms[name]))


def _step(coupon: str, resistor: str) -> CouponStep:
    return coupon, resistor, SETUP, "coupon", COUPON


def tried_coupons(plan: Plan, bench: BenchFile) -> Coupons:
    """The coupons of the bench as a run's record knows them; none where a person presses."""
    return Coupons() if plan.press.path == "hand" else bench.record_coupons()
