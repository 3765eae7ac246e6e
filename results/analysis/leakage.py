"""Net pin current and leakage at each settled trial, and the voltage of the pin without the meter.

At rest, what comes out of the pin flows through everything outside: I_net(V) = V · G, with V where the bench touches
the node and G the trial resistor, meter and fixture together (Kirchhoff's current law). A series resistance s on the
board carries the same current, so the pin itself is at V · (1 + s·G). V and G come from different instruments and are
taken as independent; meter input resistance and fixture leakage are as exact as their tolerances say. What does not
end at 0 V (ends.py) gives a constant current back: I_net = V · G − J with J the sum of each conductance times the
voltage at its end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from results.analysis.ends import AT_ZERO, Ends
from results.analysis.findings import Value
from results.record.run_record import Fixture, MeterModel
from results.record.trial import Resistor

_CLEARLY_APART = 5.0
"""A slope is only taken between two voltages that differ by five standard uncertainties."""


@dataclass(frozen=True)
class RestPoint:
    """A node at rest: resistor name, `touch` voltage (V), conductance outside (S) with and without the bench's load,
    series resistance on the board (ohm), and where those conductances end."""

    resistor: str
    touch: Value
    outside: Value
    fitted: Value
    series_ohm: float
    ends: Ends = AT_ZERO

    @property
    def injected_a(self) -> float:
        """What flows back from ends that are not at 0 V, in ampere."""
        return self.fitted.value * self.ends.fitted_v + (self.outside.value - self.fitted.value) * self.ends.load_v

    @property
    def pin(self) -> Value:
        """Voltage at the pin itself in volt, bench connected."""
        factor = 1.0 + self.series_ohm * self.outside.value
        return Value(
            self.touch.value * factor - self.series_ohm * self.injected_a,
            self._u(factor, self.series_ohm, -self.series_ohm * self.fitted.value),
        )

    @property
    def net_current(self) -> Value:
        """I_net = V · G − J in ampere, out of the pin; u² = (V u_G)² + (G u_V)² (JCGM 100:2008, eq. 10), and what the
        reading of the resistor's end adds."""
        return Value(
            self.touch.value * self.outside.value - self.injected_a,
            self._u(self.outside.value, 1.0, -self.fitted.value),
        )

    def leakage(self, pull_down: Value) -> Value:
        """I_leak = I_net + V_pin · G_pd in ampere, for a pull-down conductance in siemens that is taken as linear.

        With V_pin = V (1 + s·G) this is V · (G + G_pd (1 + s·G)): the same V in both terms, so that its parts add
        with their signs before they are squared. The pull-down ends where the resistor does.
        """
        outside, inside = self.outside.value, pull_down.value
        pin_v = self.pin.value - self.ends.fitted_v
        factor = 1.0 + self.series_ohm * inside
        per_end = -self.fitted.value * factor - inside
        u = self._u(outside * factor + inside, factor, per_end, pin_v * pull_down.u)
        return Value(self.net_current.value + pin_v * inside, u)

    def taken_at(self, pin: Value) -> Value:
        """What all that is outside takes from the pin at that voltage, through the series resistance, in ampere."""
        factor = 1.0 + self.series_ohm * self.outside.value
        taken_a = (self.outside.value * pin.value - self.injected_a) / factor
        touch_v = pin.value - self.series_ohm * taken_a
        parts = (
            self.outside.value * pin.u,
            (touch_v - self.ends.fitted_v) * self.fitted.u,
            (touch_v - self.ends.load_v) * self.load_u_s,
            self.fitted.value * self.ends.fitted_u_v,
        )
        return Value(taken_a, math.hypot(*parts) / factor)

    @property
    def load_u_s(self) -> float:
        """Standard uncertainty of the bench's load, in siemens."""
        return math.sqrt(max(self.outside.u**2 - self.fitted.u**2, 0.0))

    def _u(self, per_touch: float, per_ampere: float, per_end: float, more: float = 0.0) -> float:
        """Standard uncertainty by the sensitivities to the node, to the current outside and to the resistor's end; node
        and end are read by one meter (JCGM 100:2008, eq. 13)."""
        both = 2.0 * per_touch * per_end * self.ends.covariance_v2(self.touch.value)
        parts = (
            per_touch * self.touch.u,
            per_ampere * (self.touch.value - self.ends.fitted_v) * self.fitted.u,
            per_ampere * (self.touch.value - self.ends.load_v) * self.load_u_s,
            per_end * self.ends.fitted_u_v,
            more,
        )
        return math.sqrt(max(sum(part**2 for part in parts) + both, 0.0))


def bench_load(meter: MeterModel, fixture: Fixture) -> float | None:
    """Conductance in siemens that meter and fixture hang on the node; None where the meter's input is not stated."""
    return None if meter.input_ohm is None else 1.0 / meter.input_ohm + fixture.conductance_s


def bench_load_u(meter: MeterModel, fixture: Fixture) -> float:
    """Standard uncertainty of that conductance in siemens, from the tolerances of both (rectangular)."""
    input_s = 0.0 if meter.input_ohm is None else 1.0 / meter.input_ohm
    half_widths = (input_s * meter.input_tolerance, fixture.conductance_s * fixture.conductance_tolerance)
    return math.hypot(*half_widths) / math.sqrt(3.0)


def rest_point(
    touch: Value,
    resistor: Resistor,
    load_s: float | None,
    series_ohm: float,
    load_u_s: float = 0.0,
    ends: Ends = AT_ZERO,
) -> RestPoint:
    """A settled trial as a rest point; without a stated load only what is fitted counts."""
    fitted = Value(resistor.conductance_s, resistor.conductance_u_s)
    outside = Value(fitted.value + (load_s or 0.0), fitted.u if load_s is None else math.hypot(fitted.u, load_u_s))
    return RestPoint(resistor.name, touch, outside, fitted, series_ohm, ends)


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

    Taking a load off raises the node by ΔI / (G − dI_net/dV), exact for a straight I_net; ΔI is what the load takes,
    V · ΔG where it ends at 0 V, and G as the pin sees it through its series resistance. With `slope_s` (dI_net/dV with
    its standard uncertainty) the node is corrected. Without it, −dI_net/dV is taken to be at least the conductance of
    the weakest pull-down: the shift lies between 0 and that bound, rectangular (JCGM 100:2008, 4.3.7), and never beyond
    `rail_v`, nor 0 V where the load drives the node: that is all that can be said of a bare pin without a pull-down
    (`weakest_pull_down_ohm` infinite). An unknown load is not corrected.
    """
    pin = point.pin
    if not load_s:
        return pin
    bare = replace(point, outside=point.fitted)
    seen_without = seen_through(point.fitted.value, point.series_ohm)
    lifted = point.taken_at(pin).value - bare.taken_at(pin).value
    if slope_s is None:
        steepness = seen_without + 1.0 / weakest_pull_down_ohm
        most = max(rail_v - pin.value, 0.0) if lifted >= 0.0 else max(pin.value, 0.0)
        shift = 0.5 * math.copysign(min(abs(lifted) / steepness, most) if steepness > 0.0 else most, lifted)
        return Value(pin.value + shift, math.hypot(pin.u, shift / math.sqrt(3.0)))
    steepness = seen_without - slope_s.value
    shift = lifted / steepness
    load_u = point.load_u_s / load_s
    return Value(pin.value + shift, math.hypot(pin.u, shift * slope_s.u / steepness, shift * load_u))


def seen_through(conductance_s: float, series_ohm: float) -> float:
    """What a conductance outside comes to behind a series resistance, in siemens."""
    return conductance_s / (1.0 + series_ohm * conductance_s)
