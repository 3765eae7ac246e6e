"""Kirchhoff's current law at a node while it is held: what the pin draws is what the press path gives beyond that."""

from __future__ import annotations

import math

from results.analysis.findings import Value
from results.analysis.uncertainty.estimate import Estimate


def net_current_while_held(
    hold_v: float,
    outside: Value,
    *,
    press_v: float | None = None,
    press_ohm: float | None = None,
    press_u_ohm: float | None = None,
    source: Value | None = None,
    accuracy_reading: float,
    accuracy_v: float,
    injected: Value | None = None,
    press_is_read: bool = True,
) -> Value | None:
    """Net pin current in ampere, out of the pin (negative: it draws); None where the press path is not known.

    I = V·G − I_source where a source measured what it delivered, else I = V·G − (E − V)/R with E behind the press
    resistor R; V is `hold_v`, G the conductance `outside` (siemens). E and V are read by the same meter on the same
    range: the gain error g is common and scales I as a whole; the constant part c of its accuracy holds nonlinearity
    too and is counted once for each reading: u² = (I g)² + (c/R)² + (c (G + 1/R))² + (V u_G)² + ((E − V) u_R/R²)².
    Accuracy limits are rectangular half-widths (JCGM 100:2008, 4.3.7). `injected`: what flows back from ends of G that
    are not at 0 V (ampere; its u without the common gain). `press_is_read` False: E is ground, and no reading.
    """
    held = held_current(
        hold_v,
        outside,
        press_v=press_v,
        press_ohm=press_ohm,
        press_u_ohm=press_u_ohm,
        source=source,
        accuracy_reading=accuracy_reading,
        accuracy_v=accuracy_v,
        injected=injected,
        press_is_read=press_is_read,
    )
    return None if held is None else held.as_value


def held_current(
    hold_v: float,
    outside: Value,
    *,
    press_v: float | None = None,
    press_ohm: float | None = None,
    press_u_ohm: float | None = None,
    source: Value | None = None,
    accuracy_reading: float,
    accuracy_v: float,
    injected: Value | None = None,
    press_is_read: bool = True,
) -> Estimate | None:
    """As `net_current_while_held`, with its uncertainty by sources: "meter gain", "press resistor", "outside", …"""
    gain_u, constant_u = accuracy_reading / math.sqrt(3.0), accuracy_v / math.sqrt(3.0)
    back = injected or Value(0.0, 0.0)
    taken_a, taken_u_a = hold_v * outside.value - back.value, hold_v * outside.u
    if source is not None:
        parts = {
            "outside": taken_u_a,
            "meter gain": taken_a * gain_u,
            "hold reading": constant_u * outside.value,
            "source": -source.u,
            "rail reading": -back.u,
        }
        return Estimate(taken_a - source.value, parts)
    if press_v is None or not press_ohm:
        return None
    press_s, drop_v = 1.0 / press_ohm, press_v - hold_v
    current = taken_a - drop_v * press_s
    parts = {
        "meter gain": current * gain_u,
        "press level reading": -constant_u * press_s if press_is_read else 0.0,
        "rail reading": -back.u,
        "hold reading": constant_u * (outside.value + press_s),
        "outside": taken_u_a,
        "press resistor": drop_v * (press_u_ohm or 0.0) * press_s**2,
    }
    return Estimate(current, parts)
