"""How slowly a released node passes is read from its samples: at the bottleneck, or at V_IL itself."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.findings import Edge
from results.analysis.found.fold import Passage
from results.analysis.resistor.passage import read_passage
from results.record.run_record import MeterModel
from results.record.trace import Trace
from tests.procedures.curve_bench import Law, linear, mid_level, mos, plain
from tests.results.analysis.made_nodes import LOAD_S, Reading, observed

METER = MeterModel(1e-4, 0.5e-3, 10e6, aperture_s=5e-5)
EDGE = Edge(200, 201, 0.02, 3e-5, 3.2, False, 0)
NODE_F, V_IL = 100e-9, 0.8

# ngspice: 100 nF, 60 kΩ, a leak of 120 µA/(1 + exp(−(V − 0.75)/0.06))/(1 + exp((V − 1.98)/0.055)), a meter of 10 MΩ and
# a resistor of 9104.72 Ω, let go of 3.258744 V; volts from 40 µs after the release on, every 0.1 ms.
# fmt: off
NGSPICE_V = [
    3.097831, 2.729456, 2.404895, 2.120684, 1.914968, 1.789107, 1.687564, 1.599339, 1.521812, 1.453547, 1.393408,
    1.340422, 1.293732, 1.252585, 1.216314, 1.184328, 1.156106, 1.131182, 1.109145, 1.089631, 1.072318, 1.056922,
    1.043196, 1.03092, 1.019906, 1.009988, 1.001024, 0.992888, 0.985474, 0.978689, 0.972453, 0.966695, 0.961356,
    0.956382, 0.951727, 0.947352, 0.943221, 0.939301, 0.935567, 0.931991, 0.928552, 0.925229, 0.922002, 0.918855,
    0.915769, 0.912729, 0.909719, 0.906722, 0.903723, 0.900705, 0.89765, 0.894538, 0.891347, 0.888055, 0.884631,
    0.881043, 0.87725, 0.873204, 0.868842, 0.864085, 0.858829, 0.852933, 0.846203, 0.838362, 0.828995, 0.817463,
    0.802729, 0.783045, 0.755457, 0.715651, 0.660795, 0.595701, 0.529765, 0.468504, 0.413452, 0.364564, 0.321341,
]
# fmt: on


def passage_of(law: Law, ratio: float, required_s: float, seed: int = 1, *, node_f: float = NODE_F) -> Passage:
    """Of a resistor that is `ratio` of the largest safe one, the meter's load included."""
    reading = Reading(chance=np.random.default_rng(seed))
    seen = observed(law, node_f, required_s / ratio - LOAD_S, reading, log_s=0.12)
    return read_passage(seen.trace, EDGE, METER, V_IL)


def required_s(law: Law) -> float:
    """max I_net/V over V >= V_IL, on a grid fine enough for 1e-7."""
    volts = np.linspace(V_IL, 3.3, 25_001)
    return float(max(law(v) / v for v in volts))


def test_a_passage_of_a_circuit_simulator() -> None:
    """ngspice; 106.6351 µS needed, computed beside the tests of load_line; (109.933 − 106.635) µS are left."""
    held = np.full(200, 3.258744)
    volts = np.concatenate((held, NGSPICE_V, np.full(100, 0.0)))
    found = read_passage(
        Trace(np.arange(volts.size) * 1e-4, volts), Edge(199, 200, 0.02, 3e-5, 3.26, False, 0), METER, V_IL
    )
    assert found.slowest is not None
    left = 1.0 / 9104.722828854 + 1e-7 - 106.6351141451e-6
    assert found.slowest.value == pytest.approx(left / NODE_F, rel=0.03)
    assert abs(found.slowest.value - left / NODE_F) < 2.0 * found.slowest.u
    assert found.at_v == pytest.approx(0.911, abs=0.01)
    assert found.length_s == pytest.approx(6.7e-3, abs=0.1e-3)


LAWS = {
    "mid level": mid_level(linear(60e3)),
    "mid level, transistor": mid_level(mos(12e-6, 1.6), 95e-6, 0.80, 2.02),
    "plain": plain(60e-6, linear(60e3)),
}


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("ratio", [0.7, 0.9, 0.97, 0.99])
def test_the_slowest_pace_within_its_uncertainty(name: str, ratio: float) -> None:
    """scipy's solve_ivp: 100 nF, 0.1 mV of noise, 0.1 ms between samples."""
    needed = required_s(LAWS[name])
    found = passage_of(LAWS[name], ratio, needed)
    assert found.slowest is not None
    left = (needed / ratio - needed) / NODE_F
    # At V_IL the place itself is uncertain by the noise of the crossing.
    u = np.hypot(found.slowest.u, found.per_volt * 0.1e-3)
    assert abs(found.slowest.value - left) < 2.5 * u
    assert u < 0.15 * left
    assert found.slowdown is not None
    assert found.slowdown == pytest.approx(1.0 - ratio, rel=0.3)


def test_a_pull_down_alone_does_not_slow_down() -> None:
    found = passage_of(lambda v: -v / 60e3, 0.9, 1e-4)
    assert found.slowdown is not None
    assert found.slowdown > 0.9


def test_a_node_that_is_too_fast_says_so() -> None:
    assert passage_of(LAWS["mid level"], 0.9, required_s(LAWS["mid level"]), node_f=100e-12).reason == (
        "the node is below V_IL at the first sample after the release"
    )
    few = passage_of(LAWS["mid level"], 0.9, required_s(LAWS["mid level"]), node_f=5e-9)
    assert few.slowest is None
    assert few.reason == "the node passes to V_IL within 2 samples, 6 are needed"


def test_a_trace_of_nothing_but_noise_tells_no_pace() -> None:
    """Samples that scatter below 0 V have no logarithm."""
    time_s = 1e-4 * np.arange(1000)
    for seed in range(6):
        chance = np.random.default_rng(seed)
        volts = 3.3 * np.exp(-np.maximum(time_s - 0.02, 0.0) / 5e-3) + chance.normal(0.0, 0.6, time_s.size)
        if seed % 2:
            volts[EDGE.after] = -0.5
        found = read_passage(Trace(time_s, volts), EDGE, METER, V_IL)
        assert found.slowest is not None or found.reason
