"""Where what hangs on a node ends: a trial resistor at the rest level, meter and fixture at ground.

Both are one voltage, 0 V, where pins are pressed to the rail. In the mirror image of a run that presses to ground
(mirror.py) the rest level, the rail, is at 0 V and ground is not: there the meter drives the node instead of
discharging it, and its own zero lies elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from results.analysis.findings import Value
from results.record.run_record import MeterModel


@dataclass(frozen=True)
class MirroredMeter(MeterModel):
    """The meter in the mirror image of a run: ground, and with it the meter's own zero, is at `ground_v` (volt).

    `ground_u_v`: standard uncertainty of the rail that the mirror stands at.
    """

    ground_v: float = 0.0
    ground_u_v: float = 0.0


def ground_of(meter: MeterModel) -> Value:
    """Where ground lies in the voltages at hand, in volt: 0, but in a mirror image."""
    return Value(meter.ground_v, meter.ground_u_v) if isinstance(meter, MirroredMeter) else Value(0.0, 0.0)


@dataclass(frozen=True)
class Ends:
    """Where the conductances on a node end, in volt.

    `load_v`: those of meter and fixture. `fitted_v`: the trial resistor. Where that one was read (a rail), `own_u_v` is
    what of its standard uncertainty is its own, and `read_v` what the meter of the node read, so that the relative
    standard uncertainty `gain_u` of its gain acts on both readings alike; `read_v` 0: not read by it.
    """

    load_v: float = 0.0
    fitted_v: float = 0.0
    own_u_v: float = 0.0
    read_v: float = 0.0
    gain_u: float = 0.0

    @property
    def fitted_u_v(self) -> float:
        """Standard uncertainty of `fitted_v`."""
        return math.hypot(self.own_u_v, self.gain_u * self.read_v)

    def covariance_v2(self, node_v: float) -> float:
        """Of the node at `node_v` with `fitted_v`: one meter, one gain (JCGM 100:2008, 5.2.2)."""
        return self.gain_u**2 * self.read_v * (node_v - self.load_v)


AT_ZERO = Ends()


def taken_s(load_s: float, load_v: float, node_v: float) -> float:
    """The conductance to 0 V that takes as much from a node at `node_v` as a load that ends at `load_v`, in siemens.

    Negative where the load drives the node.
    """
    return load_s * (1.0 - load_v / node_v)
