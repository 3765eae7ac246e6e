"""May a pin of this board be pressed, and how far: by its rail as just measured. Pure, no I/O.

A pin has a clamp diode to each of its rails. Driven above its rail it feeds the rail, and with the supply off it powers
the board. So a press is refused that goes above the rail, and any into a board whose rail is not what it is set to: one
that is off, and one that another line feeds through such a diode, which reads some tenths of a volt below that line.
"""

from __future__ import annotations

from drivers.errors import LimitError
from drivers.limits import Limits

FED_V = 0.3
"""A rail that reads more is fed by something: leakage alone leaves millivolts (common practice, no source)."""

ROUNDED_V = 1e-9
"""A level that was computed as a rail and a limit on it, in another order, is the same level."""


def check_powered(what: str, limits: Limits, rail_v: float, set_v: float | None, feeds: str = "") -> None:
    """Raises LimitError where the rail is not what it is set to (`set_v`, None: nobody has said) within
    `limits.powered_share`, or not there at all. `feeds`: what is known that may feed it, for the message."""
    if set_v is None:
        if rail_v < FED_V:
            raise LimitError(f"{what}: the board is not powered: its rail reads {rail_v:.3f} V")
        return
    share = limits.powered_share
    if rail_v < share * set_v:
        fed = f"; fed through another line? {feeds}".rstrip() if rail_v >= FED_V else ""
        raise LimitError(
            f"{what}: the board is not powered: its rail reads {rail_v:.3f} V, below limits.powered_share of "
            f"{share:.0%} of the {set_v:.4g} V that it is set to{fed}"
        )
    if not rail_v <= (2.0 - share) * set_v:
        fed = f"another line feeds the board. {feeds}".rstrip()
        raise LimitError(f"{what}: the rail reads {rail_v:.3f} V and is set to {set_v:.4g} V: {fed}")


def allowed_levels(limits: Limits, rail_v: float | None) -> tuple[float, float]:
    """What a source may force into a pin: lowest and highest volts. `rail_v` None: not known, and then not above 0 V by
    more than a pin bears without any rail."""
    beyond_v = limits.above_rail_v + ROUNDED_V
    high_v = (0.0 if rail_v is None else max(rail_v, 0.0)) + beyond_v
    return max(-beyond_v, -limits.voltage_v), min(high_v, limits.voltage_v)


def check_level(what: str, limits: Limits, level_v: float, rail_v: float | None) -> None:
    """Raises LimitError where a source may not force a pin to this level, or the level is no number."""
    low_v, high_v = allowed_levels(limits, rail_v)
    if low_v <= level_v <= high_v:
        return
    if level_v < low_v:
        raise LimitError(
            f"{what}: {level_v:.4g} V is below 0 V by more than limits.above_rail of {limits.above_rail_v:.4g} V"
        )
    if rail_v is None:
        raise LimitError(
            f"{what}: {level_v:.4g} V may be above the rail, which this bench cannot measure as things stand"
        )
    raise LimitError(
        f"{what}: {level_v:.4g} V is above the rail of {rail_v:.4g} V as just measured by more than limits.above_rail "
        f"of {limits.above_rail_v:.4g} V"
    )
