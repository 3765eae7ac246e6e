"""Net pin current and leakage at each settled trial, and the voltage of the pin without the meter.

At rest, what comes out of the pin flows through everything outside: I_net(V) = V · G, with V where the bench touches
the node and G the trial resistor, meter and fixture together (Kirchhoff's current law). A series resistance s on the
board carries the same current, so the pin itself is at V · (1 + s·G). V and G come from different instruments and are
taken as independent; meter input resistance and fixture leakage are as exact as their tolerances say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from results.analysis.findings import Value
from results.record.run_record import Fixture, MeterModel
from results.record.trial import Resistor

_CLEARLY_APART = 5.0
"""A slope is only taken between two voltages that differ by five standard uncertainties."""


@dataclass(frozen=True)
class RestPoint:
    """A node at rest: resistor name, `touch` voltage (V), conductance outside (S) with and without the bench's load,
    series resistance on the board (ohm)."""

    resistor: str
    touch: Value
    outside: Value
    fitted: Value
    series_ohm: float

    @property
    def pin(self) -> Value:
        """Voltage at the pin itself in volt, bench connected."""
        factor = 1.0 + self.series_ohm * self.outside.value
        return Value(
            self.touch.value * factor,
            math.hypot(self.touch.u * factor, self.touch.value * self.series_ohm * self.outside.u),
        )

    @property
    def net_current(self) -> Value:
        """I_net = V · G in ampere, out of the pin; u² = (V u_G)² + (G u_V)² (JCGM 100:2008, eq. 10)."""
        return Value(
            self.touch.value * self.outside.value,
            math.hypot(self.touch.value * self.outside.u, self.outside.value * self.touch.u),
        )

    def leakage(self, pull_down: Value) -> Value:
        """I_leak = I_net + V_pin · G_pd in ampere, for a pull-down conductance in siemens that is taken as linear.

        With V_pin = V (1 + s·G) this is V · (G + G_pd (1 + s·G)): the same V in both terms, so that its parts add
        with their signs before they are squared.
        """
        volts, outside, inside = self.touch.value, self.outside.value, pull_down.value
        factor = 1.0 + self.series_ohm * outside
        parts = (
            (outside + inside * factor) * self.touch.u,
            volts * (1.0 + self.series_ohm * inside) * self.outside.u,
            volts * factor * pull_down.u,
        )
        return Value(volts * (outside + inside * factor), math.hypot(*parts))


def bench_load(meter: MeterModel, fixture: Fixture) -> float | None:
    """Conductance in siemens that meter and fixture hang on the node; None where the meter's input is not stated."""
    return None if meter.input_ohm is None else 1.0 / meter.input_ohm + fixture.conductance_s


def bench_load_u(meter: MeterModel, fixture: Fixture) -> float:
    """Standard uncertainty of that conductance in siemens, from the tolerances of both (rectangular)."""
    input_s = 0.0 if meter.input_ohm is None else 1.0 / meter.input_ohm
    half_widths = (input_s * meter.input_tolerance, fixture.conductance_s * fixture.conductance_tolerance)
    return math.hypot(*half_widths) / math.sqrt(3.0)


def rest_point(
    touch: Value, resistor: Resistor, load_s: float | None, series_ohm: float, load_u_s: float = 0.0
) -> RestPoint:
    """A settled trial as a rest point; without a stated load only what is fitted counts."""
    fitted = Value(resistor.conductance_s, resistor.conductance_u_s)
    outside = Value(fitted.value + (load_s or 0.0), fitted.u if load_s is None else math.hypot(fitted.u, load_u_s))
    return RestPoint(resistor.name, touch, outside, fitted, series_ohm)


def local_slopes(points: Sequence[RestPoint], above_v: float) -> Mapping[str, Value]:
    """dI_net/dV in siemens at the rest points of each resistor, as the chord to the nearest other resistor.

    Only points that rest above `above_v` count, so that both ends lie on the upper branch. A resistor is missing from
    the answer where no other one rests clearly apart from it, or where the chord is no stable slope (it must fall).
    As a chord stands for the tangent, the slope is given a rectangular half-width as large as itself.
    """
    means = {
        name: _mean([point for point in points if point.resistor == name and point.pin.value > above_v])
        for name in {point.resistor for point in points if point.pin.value > above_v}
    }
    slopes: dict[str, Value] = {}
    for name, here in means.items():
        apart = [
            there
            for other, there in means.items()
            if other != name and abs(there[0] - here[0]) > _CLEARLY_APART * math.hypot(there[2], here[2])
        ]
        if not apart:
            continue
        nearest = min(apart, key=lambda there: abs(there[0] - here[0]))
        slope = (nearest[1] - here[1]) / (nearest[0] - here[0])
        if slope < 0.0:
            slopes[name] = Value(slope, -slope / math.sqrt(3.0))
    return slopes


def _mean(points: Sequence[RestPoint]) -> tuple[float, float, float]:
    """Mean voltage, mean net current, and the largest standard uncertainty of the voltages."""
    count = len(points)
    volts = sum(point.pin.value for point in points) / count
    return volts, sum(point.net_current.value for point in points) / count, max(point.pin.u for point in points)


def without_load(
    point: RestPoint,
    load_s: float | None,
    slope_s: Value | None,
    weakest_pull_down_ohm: float,
    rail_v: float = math.inf,
) -> Value:
    """The voltage at which the pin would rest without meter and fixture, in volt.

    Taking a load off raises the node by V · ΔG / (G − dI_net/dV), exact for a straight I_net; ΔG and G as the pin
    sees them through its series resistance. With `slope_s` (dI_net/dV with its standard uncertainty) the node is
    corrected. Without it, −dI_net/dV is taken to be at least the conductance of the weakest pull-down: the shift lies
    between 0 and that bound, rectangular (JCGM 100:2008, 4.3.7), and never beyond `rail_v`: that is all that can be
    said of a bare pin without a pull-down (`weakest_pull_down_ohm` infinite). An unknown load is not corrected.
    """
    pin = point.pin
    if not load_s:
        return pin
    seen_with = _through(point.outside.value, point.series_ohm)
    seen_without = _through(point.fitted.value, point.series_ohm)
    lifted = pin.value * (seen_with - seen_without)
    if slope_s is None:
        steepness = seen_without + 1.0 / weakest_pull_down_ohm
        most = max(rail_v - pin.value, 0.0)
        shift = 0.5 * (min(lifted / steepness, most) if steepness > 0.0 else most)
        return Value(pin.value + shift, math.hypot(pin.u, shift / math.sqrt(3.0)))
    steepness = seen_without - slope_s.value
    shift = lifted / steepness
    load_u = math.sqrt(max(point.outside.u**2 - point.fitted.u**2, 0.0)) / load_s
    return Value(pin.value + shift, math.hypot(pin.u, shift * slope_s.u / steepness, shift * load_u))


def _through(conductance_s: float, series_ohm: float) -> float:
    return conductance_s / (1.0 + series_ohm * conductance_s)
