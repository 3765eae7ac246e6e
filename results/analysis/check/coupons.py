"""Are the check coupons seen as what they are? Judged by the same reading of a trace, and the same verdict, as a pin.

A bench that cannot see a known network fall as it must, or that cannot see one stay high, says nothing about pins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from results.analysis.check.check_rule import judged, open_item
from results.analysis.ends import ground_of
from results.analysis.found.coupon_item import CouponItem, When
from results.analysis.pin_analysis import analyse_pin
from results.analysis.pin_bench import ReadTrial
from results.analysis.verdict import STUCK
from results.record.check import CheckItem, CheckVerdict
from results.record.coupon import RELEASED, ReleasedCoupon, StuckCoupon
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Pin, Resistor, Trial

FLOOR_SHARE = 1e-3
"""Of the rail, beside twice the meter's accuracy: how far from 0 V the floor of a released coupon may be."""

LET_GO = ("released", "slow")
"""A plan may allow less time than a slow coupon takes; that it falls is what counts here."""


def coupon_items(record: RunRecord, read: Sequence[ReadTrial]) -> tuple[CouponItem, ...]:
    """What the trials of the coupons say, in order; `read` holds no others."""
    first = min((trial.sequence for trial in record.planned if trial.kind != "coupon"), default=0)
    found: list[CouponItem] = []
    for one in read:
        when: When = "before" if one.trial.sequence < first else "after"
        found += [CouponItem(when, item) for item in _judged(record, one)]
    return tuple(found)


def _judged(record: RunRecord, one: ReadTrial) -> list[CheckItem]:
    trial = one.trial
    name = trial.pin if trial.resistor == NO_RESISTOR else f"{trial.pin} with {trial.resistor}"
    if one.observation is None:
        return [open_item(name, "not tried")]
    if trial.pin == RELEASED:
        coupon = record.coupons.released
        return [_verdict(record, one, name, LET_GO)] + ([] if coupon is None else _decay(record, one, coupon))
    stuck = record.coupons.stuck
    return [] if stuck is None else [_verdict(record, one, name, _expected(record, trial, stuck))]


def _expected(record: RunRecord, trial: Trial, coupon: StuckCoupon) -> tuple[str, ...]:
    ohm = None if trial.resistor == NO_RESISTOR else record.resistor(trial.resistor).nominal_ohm
    return LET_GO if ohm is not None and ohm <= coupon.safe_low_ohm else tuple(STUCK)


def _verdict(record: RunRecord, one: ReadTrial, name: str, expected: tuple[str, ...]) -> CheckItem:
    """The verdict as of a pin, against what the coupon is known to do."""
    if not any(resistor.name == NO_RESISTOR for resistor in record.resistors):
        record = replace(record, resistors=(*record.resistors, Resistor(NO_RESISTOR, None)))
    [row] = analyse_pin(record.under(one.trial.condition), one.trial.condition, Pin(one.trial.pin), [one]).rows
    if row.verdict == "failed":
        # No press was made, or none that could be read: that is no wrong reading, and no right one either.
        return open_item(name, f"the trial failed: {row.note}" if row.note else "the trial failed")
    must = "must be released" if expected == LET_GO else "must stay high"
    note = f"{row.verdict}; {must}" + (f"; {row.note}" if row.note and row.verdict not in expected else "")
    verdict: CheckVerdict = "pass" if row.verdict in expected else "fail"
    if row.settled is None:
        return CheckItem(name, verdict, note=note)
    return CheckItem(name, verdict, row.settled.value, "V", row.settled.u, note=note)


def _decay(record: RunRecord, one: ReadTrial, coupon: ReleasedCoupon) -> list[CheckItem]:
    """Time constant and floor of the released coupon against R C and 0 V, meter and fixture beside them."""
    names = (f"{RELEASED}: time constant", f"{RELEASED}: floor")
    trace = one.trace
    if trace is None or trace.problem:
        return [open_item(name, "no trace that could be read" if trace is None else trace.problem) for name in names]
    load_s = record.fixture.conductance_s + (1.0 / record.meter.input_ohm if record.meter.input_ohm else 0.0)
    tau_s = (coupon.capacitance_f + record.fixture.capacitance_f) / (1.0 / coupon.resistor_ohm + load_s)
    share = coupon.tolerance + coupon.capacitance_tolerance
    low, high = tau_s * (1.0 - share), tau_s * (1.0 + share)
    decay = trace.decay
    if decay is None or decay.time_constant_s is None:
        tau = open_item(names[0], "no edge in the trace" if decay is None else decay.reason, "s")
    else:
        note = "an upper bound" if decay.is_upper_bound else ""
        tau = judged(names[0], decay.time_constant_s, "s", decay.u_s or 0.0, low=low, high=high, note=note)
    # A load that does not end where the coupon's resistor does holds it away from there.
    here = record.under(one.trial.condition)
    held_v = ground_of(here.meter).value * load_s / (1.0 / coupon.resistor_ohm + load_s)
    limit_v = 2.0 * record.meter.accuracy_v + FLOOR_SHARE * record.rail_v + coupon.tolerance * held_v
    if trace.settled is None:
        return [tau, open_item(names[1], "it did not come to rest within the log", "V")]
    settled = trace.settled
    return [
        tau,
        judged(names[1], settled.voltage_v, "V", settled.u_noise_v, low=held_v - limit_v, high=held_v + limit_v),
    ]
