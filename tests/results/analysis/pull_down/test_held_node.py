"""What a pin draws while it is held, by a press resistor or by a source, with an uncertainty that covers the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from results.analysis.findings import Value
from results.analysis.pull_down.held_node import net_current_while_held

NOTHING = Value(0.0, 0.0)


def test_by_a_press_resistor_and_by_a_source_it_is_the_same_current() -> None:
    """60 kΩ behind 1 kΩ on 3.3 V: 3.3 V / 61 kΩ = 54.1 µA (Ohm's law)."""
    hold_v = 3.3 * 60 / 61
    by_resistor = net_current_while_held(
        hold_v, NOTHING, press_v=3.3, press_ohm=1000.0, accuracy_reading=0.0, accuracy_v=0.0
    )
    by_source = net_current_while_held(
        hold_v, NOTHING, source=Value(3.3 / 61e3, 1e-8), accuracy_reading=0.0, accuracy_v=0.0
    )
    assert by_resistor is not None
    assert by_source is not None
    assert by_resistor.value == pytest.approx(-3.3 / 61e3, rel=1e-9)
    assert by_source.value == pytest.approx(by_resistor.value, rel=1e-9)
    assert (by_resistor.u, by_source.u) == (0.0, 1e-8)


def test_the_uncertainty_covers_the_truth() -> None:
    """Monte Carlo, seeded: gain common to both readings, constant part one for each, resistors within tolerance."""
    rng = np.random.default_rng(3)
    outside, errors = Value(1 / 22e3, 1 / 22e3 * 0.01 / math.sqrt(3)), []
    for _ in range(2000):
        g, e1, e2 = rng.uniform(-1e-3, 1e-3), rng.uniform(-5e-4, 5e-4), rng.uniform(-5e-4, 5e-4)
        press, fitted = 1000.0 + 5.0 * rng.standard_normal(), outside.value + outside.u * rng.standard_normal()
        hold_v = (3.3 / press) / (1.0 / press + fitted + 1.0 / 60e3)
        found = net_current_while_held(
            hold_v * (1 + g) + e1,
            outside,
            press_v=3.3 * (1 + g) + e2,
            press_ohm=1000.0,
            press_u_ohm=5.0,
            accuracy_reading=1e-3,
            accuracy_v=5e-4,
        )
        assert found is not None
        errors.append((found.value + hold_v / 60e3) / found.u)
    # Standard error of a unit deviation with 2000 draws: 0.016.
    assert float(np.std(errors)) == pytest.approx(1.0, abs=0.06)


def test_an_unknown_press_path_gives_no_current() -> None:
    assert net_current_while_held(3.2, NOTHING, press_v=3.3, accuracy_reading=0.0, accuracy_v=0.0) is None
    assert net_current_while_held(3.2, NOTHING, press_ohm=1e3, accuracy_reading=0.0, accuracy_v=0.0) is None
