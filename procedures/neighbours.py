"""The pins beside the one that is tried: left floating, pressed all the while, or pressed and released with it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.bus_check import RAIL_AGE_S, bus_label
from procedures.settings import PressSettings
from results.record.trial import Trial

PRESSED = "pressed"
TOGETHER = "released together"
HELD_SHARE = 0.5
"""A pin that is held reads at least this share of what the hold resistor and what is fitted leave of the rail."""

LIKE_SHARE = 0.2
"""How near a resistance to the rail is to the hold resistor where it is taken for it: the unit's pull-down is in it."""


@contextmanager
def neighbours_held(bench: Bench, trial: Trial, settings: PressSettings) -> Iterator[None]:
    """Around a trial: its neighbours as its condition says; let go on the way out, whatever happened inside.

    They are pressed through their own hold relays. `released together`: they are let go right before the
    tested pin, a relay after the other, while the meter logs. Raises BenchError before anything is pressed where the
    bench cannot or may not hold them.
    """
    state = trial.condition.neighbours
    if state not in (PRESSED, TOGETHER) or trial.kind != "trial":
        yield
        return
    bench.deselect()
    rail_v = bench.rail_voltage(RAIL_AGE_S, bus_label(trial)) if bench.rail_is_measurable else settings.rail_v
    pins = settings.neighbours[trial.pin]
    with bench.held(pins, rail_v, with_press=state == TOGETHER):
        for pin in pins:
            _prove_held(bench, pin, settings, rail_v)
        bench.deselect()
        yield


def _prove_held(bench: Bench, pin: str, settings: PressSettings, rail_v: float) -> None:
    """Read a pin that is held. Raises WiringError where it is not: nothing would be known of a pressed neighbour.

    Where a person would have to connect it, or nobody knows what is fitted, it is believed.
    """
    fitted = settings.resistors.get(bench.fitted)
    if pin not in bench.wiring.select or fitted is None:
        return
    bench.select(pin)
    volts = bench.voltage()
    least_v = HELD_SHARE * rail_v / (1.0 + bench.wiring.hold_ohm[pin] * fitted.conductance_s)
    if settings.mirrored(volts, rail_v) < least_v:
        raise WiringError(
            f"wiring.hold.{pin}: closed, pin {pin} reads {volts:.3f} V, must be "
            f"{'at least' if settings.press_to == 'rail' else 'at most'} {settings.mirrored(least_v, rail_v):.3f} V: "
            "the hold relay does not close, its wire is off, or the pin is shorted"
        )


def refuse_welded_hold(bench: Bench, pin: str, rail_v: float) -> None:
    """For a pin that is high with nothing pressed: is it its own hold relay? Raises WiringError where it is.

    With the discharge resistor R_d to ground the node reads V, and what feeds it from the rail has R_d (V_rail/V - 1);
    that is the hold resistor where its relay is welded. No verdict is made of such a pin.
    """
    wiring = bench.wiring
    ground_ohm, hold_ohm = wiring.discharge_ohm, wiring.hold_ohm.get(pin)
    if wiring.discharge is None or not ground_ohm or not hold_ohm or wiring.press_to != "rail":
        return
    with bench.grounded():
        volts = bench.voltage()
    if volts <= 0.0:
        return
    feeds_ohm = ground_ohm * (rail_v / volts - 1.0)
    if abs(feeds_ohm - hold_ohm) <= LIKE_SHARE * hold_ohm:
        raise WiringError(
            f"wiring.hold.{pin}: open, and pin {pin} is fed from the rail through {feeds_ohm:.4g} Ω, within "
            f"{LIKE_SHARE:.0%} of its hold resistor of {hold_ohm:.4g} Ω: the hold relay is welded"
        )
