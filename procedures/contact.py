"""Is the needle on the unit? Contact is proven by something that only the unit can do (design: in every trial).

A fixture with an open needle follows the rail and falls to zero beautifully; its trace alone proves nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from procedures.settings import PressSettings
from results.analysis.findings import Value
from results.analysis.pull_down.held_node import net_current_while_held
from results.record.observation import ContactProof, Reading

CONFIDENT = 3.0
"""A current proves or disproves contact only where it differs from the other case by three standard uncertainties."""

HELD_SHARE = 0.1
"""A node resting above this share of the rail, with the press path open, is held there by the unit."""


@dataclass(frozen=True)
class HoldLevel:
    """What was seen while holding: node and open-circuit press voltage (V), press resistor with u (ohm).

    `source_a` is the current that a source-measure unit delivered, where it did the pressing; then it is used instead
    of the drop over the press resistor. `rail_v` as measured; None: not measured.
    """

    hold_v: float | None
    press_v: float | None
    press_ohm: float | None
    press_u_ohm: float | None
    source_a: float | None = None
    source_u_a: float = 0.0
    rail_v: float | None = None


def pin_current(seen: HoldLevel, resistor: str, settings: PressSettings) -> tuple[float, float] | None:
    """Current into the pin (pressed to ground: out of it) while holding, and its standard uncertainty, in ampere.

    None where it cannot be known.
    """
    if seen.hold_v is None:
        return None
    fitted = settings.resistors[resistor]
    meter_s = 1.0 / settings.meter_ohm if settings.meter_ohm else 0.0
    to_rail, rail_v = settings.press_to == "rail", settings.rail_v if seen.rail_v is None else seen.rail_v
    # Pressed to ground, all is taken from the rail down (results.analysis.mirror); the meter alone ends at ground.
    rail_u_v = settings.accuracy_v if seen.rail_v is not None else settings.rail_tolerance * rail_v
    back = None if to_rail else Value(meter_s * rail_v, fitted.conductance_s * rail_u_v / math.sqrt(3.0))
    source_a = seen.source_a if to_rail or seen.source_a is None else -seen.source_a
    net = net_current_while_held(
        settings.mirrored(seen.hold_v, rail_v),
        Value(fitted.conductance_s + meter_s, fitted.conductance_u_s),
        press_v=None if seen.press_v is None else settings.mirrored(seen.press_v, rail_v),
        press_ohm=seen.press_ohm,
        press_u_ohm=seen.press_u_ohm,
        source=None if source_a is None else Value(source_a, seen.source_u_a),
        accuracy_reading=settings.accuracy_reading,
        accuracy_v=settings.accuracy_v,
        injected=back,
        press_is_read=to_rail,
    )
    return None if net is None else (-net.value, net.u)


def _by_current(seen: HoldLevel, resistor: str, settings: PressSettings) -> bool | None:
    """True: the pin draws or drives current. False: it would have to, and does not. None: cannot be told."""
    known = pin_current(seen, resistor, settings)
    if known is None or seen.hold_v is None:
        return None
    current_a, u_a = known
    least_a = 0.5 * abs(settings.mirrored(seen.hold_v, seen.rail_v)) / settings.pull_down_high_ohm
    if abs(current_a) > max(least_a, CONFIDENT * u_a):
        return True
    return False if abs(current_a) + CONFIDENT * u_a < 2.0 * least_a else None


def prove_contact(
    seen: HoldLevel,
    resistor: str,
    settings: PressSettings,
    *,
    reads_before: Reading = "",
    reads_held: Reading = "",
    rest_v: float | None = None,
) -> ContactProof:
    """By what contact is proven; `disproven` where a proof was possible and failed; else `not proven`.

    `rest_v` is the node after the release, given only where it is not the press path that holds it. A proof outweighs
    a failed one: a board that reads low although its pin draws the right current has a dead input buffer, not an open
    needle; a pin that draws nothing although the board reads its press has no pull-down.
    """
    released, pressed = ("low", "high") if settings.press_to == "rail" else ("high", "low")
    if reads_before == released and reads_held == pressed:
        return "board reading"
    by_current = _by_current(seen, resistor, settings)
    if by_current:
        return "press current" if seen.source_a is not None else "hold level"
    if rest_v is not None and _unit_holds(rest_v, resistor, settings, seen.rail_v):
        return "rest level"
    reads_wrong = reads_held == released and seen.hold_v is not None and settings.is_pressed(seen.hold_v)
    return "disproven" if by_current is False or reads_wrong else "not proven"


def _unit_holds(rest_v: float, resistor: str, settings: PressSettings, rail_v: float | None) -> bool:
    """Whether a node rests clearly beside where the bench alone would leave it: at 0 V; with a trial resistor to the
    rail, near the rail."""
    rail_v = settings.rail_v if rail_v is None else rail_v
    fitted_s = settings.resistors[resistor].conductance_s if settings.press_to == "ground" else 0.0
    meter_s = 1.0 / settings.meter_ohm if settings.meter_ohm else 0.0
    alone_v = rail_v * fitted_s / (fitted_s + meter_s) if fitted_s else 0.0
    return abs(rest_v - alone_v) > HELD_SHARE * rail_v
