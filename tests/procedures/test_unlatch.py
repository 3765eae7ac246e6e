"""A latched pin is taken low by resistors, the largest first, and never by a current."""

from __future__ import annotations

import pytest

from procedures.unlatch import largest_first, unlatch
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.procedures.curve_bench import RESISTORS, settings
from tests.procedures.latch_bench import FITS, LatchBench, acts, latches_low

UNLATCH = Trial(1, "unlatch", "D1", NO_RESISTOR, Condition("reset default", 3.3), 1, kind="unlatch")


def test_the_steps_of_the_instruction_in_their_order() -> None:
    bench = LatchBench()
    observation = unlatch(bench.as_bench(), UNLATCH, settings())
    assert bench.done == [
        "select D1",
        "fit none",
        "label D1 reset default unlatch #1",
        "discharge",
        "reset",
        "setup D1 reset default",
        "press D1 by relay to 3.3",
        "let go",
        *("fit 47 kΩ", "fit 22 kΩ", "fit 10 kΩ", "fit 8.2 kΩ", "fit none"),
    ]
    assert (observation.outcome, observation.contact) == ("measured", "board reading")


def test_each_resistor_is_read_once_the_node_is_at_rest() -> None:
    """Rest points of an independent circuit simulator: 2.0309 V, 1.8232 V, 1.0155 V; 8.2 kΩ clears the pin."""
    observation = unlatch(LatchBench().as_bench(), UNLATCH, settings())
    assert acts(observation) == ["released", "fitted 47 kΩ", "fitted 22 kΩ", "fitted 10 kΩ", "fitted 8.2 kΩ"]
    last = [float(observation.trace.voltage_v[p.first + p.count - 1]) for p in observation.probes]
    assert [last[0], last[2], last[3]] == pytest.approx([2.0309, 1.8232, 1.0155], abs=2e-4)
    assert last[4] < 0.01
    assert [probe.reads for probe in observation.probes] == ["high", "high", "high", "low", "low"]


def test_a_pin_that_does_not_latch_is_left_alone() -> None:
    bench = LatchBench(law=lambda v: -v / 60e3)
    observation = unlatch(bench.as_bench(), UNLATCH, settings())
    assert acts(observation) == ["released"]
    assert [word for word in bench.done if word.startswith("fit")] == ["fit none"]


def test_nothing_but_resistors_ever_pulls_a_pin_low() -> None:
    """A bare current would take the pin below ground once it has let go: no press but the one to the rail."""
    bench = LatchBench()
    unlatch(bench.as_bench(), UNLATCH, settings())
    assert [word for word in bench.done if word.startswith("press")] == ["press D1 by relay to 3.3"]


def test_only_switched_resistors_are_fitted_the_largest_first() -> None:
    resistors = {resistor.name: resistor for resistor in RESISTORS}
    assert largest_first(resistors, FITS) == ["47 kΩ", "22 kΩ", "10 kΩ", "8.2 kΩ", "4.7 kΩ"]
    assert largest_first(resistors, {"10 kΩ": FITS["10 kΩ"]}) == ["10 kΩ"]


def test_pressed_to_ground_it_is_the_mirror_image() -> None:
    """Resistors to the rail take the pin above V_IH: 2.5 V where V_IL is 0.8 V, with a meter that is no load."""
    below = unlatch(LatchBench(load_s=0.0).as_bench(), UNLATCH, settings())
    bench = LatchBench(law=latches_low, load_s=0.0, threshold_v=1.9, to_ground=True)
    above = unlatch(bench.as_bench(), UNLATCH, settings(press_to="ground", v_il=1.3, v_ih=2.5))
    assert "press D1 by relay to 0" in bench.done
    assert acts(above) == acts(below)
    assert 3.3 - above.trace.voltage_v == pytest.approx(below.trace.voltage_v, abs=2.1e-4)
    assert [probe.reads for probe in above.probes] == ["low", "low", "low", "high", "high"]
    assert above.contact == "board reading"
