"""Each remedy is tried on a latched pin as an instruction says, and whatever happens the pin is let go."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drivers.errors import WiringError
from procedures.changeover import changeover
from procedures.driven_low import driven_low
from procedures.errors import ProcedureError, TooLateError
from procedures.polled_buffer import polled_buffer
from results.record.run_record import RemedyRules
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.procedures.curve_bench import settings
from tests.procedures.latch_bench import LatchBench, acts, latches_low

RULES = RemedyRules(("driven low",), 4e-3, "polled buffer", 0.05, 20e-6, polls=3)
DRIVEN, CHANGED, POLLED = (
    Trial(number, name, "D1", NO_RESISTOR, Condition("reset default", 3.3), 1, kind="remedy")
    for number, name in enumerate(("driven_low", "changeover", "polled_buffer"), start=1)
)
BEGUN = ["select D1", "fit none", "discharge", "reset", "setup D1 reset default"]


def test_a_source_at_0_v_joins_a_latched_pin_while_the_meter_logs_and_lets_go() -> None:
    bench = LatchBench()
    observation = driven_low(bench.as_bench(), DRIVEN, settings())
    assert bench.done == [
        *BEGUN[:2],
        "label D1 reset default driven low #1",
        *BEGUN[2:],
        *("press D1 by relay to 3.3", "let go", "start log", "press D1 by source to 0", "read log", "let go"),
    ]
    assert acts(observation) == ["released", "driven low", "driven low 0.000", "driven low 0.000", "released"]
    latched, log, first, rest, after = observation.probes
    trace = observation.trace
    assert trace.voltage_v[latched.first] == pytest.approx(2.0309, abs=2e-4)
    part = trace.voltage_v[log.first : log.first + log.count]
    assert (part[0], part[-1]) == pytest.approx((2.0309, 0.0), abs=2e-4)
    assert trace.current_a is not None
    assert np.isnan(trace.voltage_v[first.first : first.first + first.count]).all()
    assert np.isfinite(trace.current_a[first.first : first.first + first.count]).all()
    assert trace.voltage_v[rest.first] == pytest.approx(0.0, abs=1e-6)
    assert trace.voltage_v[after.first] == pytest.approx(0.0, abs=1e-9)
    assert (observation.contact, observation.outcome) == ("board reading", "measured")


def test_a_source_that_joins_after_the_log_is_no_try() -> None:
    bench = LatchBench(start_late_s=0.3)
    with pytest.raises(TooLateError, match=r"driven low #1: the source joined 0\.32 s into the log"):
        driven_low(bench.as_bench(), DRIVEN, settings())
    assert bench.done[-1] == "let go"


def test_a_changeover_contact_breaks_before_it_makes_and_the_log_holds_all_of_it() -> None:
    bench = LatchBench()
    observation = changeover(bench.as_bench(), CHANGED, settings())
    assert bench.done[-6:] == ["press D1 by relay to 3.3", "start log", "ground", "part", "let go", "read log"]
    assert acts(observation) == ["pressed", "released", "grounded", "released", "released"]
    pressed, _, grounded, _, after = observation.probes
    volts = observation.trace.voltage_v
    assert volts[pressed.first] == pytest.approx(3.3 - 0.0055, abs=1e-4)
    assert np.abs(volts[grounded.first : after.first + after.count]).max() < 1e-9
    assert grounded.count == pytest.approx(0.1 / 1e-4, abs=2)


def test_a_pin_that_rises_by_itself_is_low_only_while_it_is_grounded() -> None:
    observation = changeover(LatchBench(law=lambda v: 34e-6 - v / 60e3).as_bench(), CHANGED, settings())
    _, _, grounded, parted, after = observation.probes
    volts = observation.trace.voltage_v
    assert volts[grounded.first + grounded.count // 2] == 0.0
    assert volts[parted.first + parted.count // 2] > 2.0
    assert volts[after.first] > 2.0


def test_a_polled_pin_is_read_pressed_and_released_over_all_polls() -> None:
    bench = LatchBench()
    observation = polled_buffer(bench.as_bench(), POLLED, settings(remedies=RULES))
    assert bench.done == [
        *BEGUN[:2],
        "label D1 reset default polled buffer #1",
        *BEGUN[2:],
        *("setup D1 polled buffer", "press D1 by relay to 3.3", "start log", "let go", "read log"),
    ]
    polls = [(probe.level_v, probe.reads) for probe in observation.probes if probe.act == "polled" and probe.repeat]
    assert polls == [(3.3, "high")] * 3 + [(None, "low")] * 3
    [log] = [probe for probe in observation.probes if probe.act == "released" and probe.repeat == 1]
    assert observation.trace.voltage_v[log.first] == pytest.approx(3.3 - 0.0055, abs=1e-4)
    assert observation.trace.voltage_v[log.first + log.count - 1] < 1e-3


def test_a_board_that_does_not_follow_is_not_waited_for_for_ever() -> None:
    bench = LatchBench(polled_high=lambda: True)
    observation = polled_buffer(bench.as_bench(), POLLED, settings(remedies=RULES))
    assert {probe.reads for probe in observation.probes if probe.act == "polled"} == {"high"}


@pytest.mark.parametrize(
    ("procedure", "trial"), [(driven_low, DRIVEN), (polled_buffer, POLLED)], ids=["driven low", "polled"]
)
def test_without_the_instrument_nothing_is_touched(procedure: object, trial: Trial) -> None:
    bench = LatchBench()
    bench.source = bench.board = None  # type: ignore[assignment]
    with pytest.raises(WiringError, match="this bench has no"):
        procedure(bench.as_bench(), trial, settings(remedies=RULES))  # type: ignore[operator]
    assert bench.done == []


def test_polling_needs_the_plan_to_say_how() -> None:
    with pytest.raises(ProcedureError, match=r"polled buffer #1: the plan has no \[remedies\]"):
        polled_buffer(LatchBench().as_bench(), POLLED, replace(settings(), remedies=None))


def to_ground() -> LatchBench:
    """The same pin with a pull-up, on a bench that presses to ground; its meter is no load."""
    return LatchBench(law=latches_low, load_s=0.0, threshold_v=1.9, to_ground=True)


ASKED_TO_GROUND = settings(press_to="ground", v_il=1.3, v_ih=2.5, remedies=RULES)


def test_a_pull_up_input_is_driven_to_the_rail_as_measured() -> None:
    bench = to_ground()
    bench.rail_v = 3.305
    observation = driven_low(bench.as_bench(), DRIVEN, ASKED_TO_GROUND)
    assert "press D1 by source to 3.305" in bench.done
    assert {probe.level_v for probe in observation.probes} == {None, 3.305}
    log = observation.probes[1]
    part = observation.trace.voltage_v[log.first : log.first + log.count]
    assert part[0] == pytest.approx(3.3 - 2.04, abs=0.02)
    assert part[-1] == pytest.approx(3.305, abs=1e-3)
    assert observation.contact == "board reading"


def test_the_changeover_contact_of_a_pull_up_input_leads_to_the_rail() -> None:
    observation = changeover(to_ground().as_bench(), CHANGED, ASKED_TO_GROUND)
    mirrored = changeover(LatchBench(load_s=0.0).as_bench(), CHANGED, settings())
    assert acts(observation) == acts(mirrored)
    assert 3.3 - observation.trace.voltage_v == pytest.approx(mirrored.trace.voltage_v, abs=2.1e-4)


def test_a_polled_pull_up_input_is_followed_until_it_reads_high() -> None:
    observation = polled_buffer(to_ground().as_bench(), POLLED, ASKED_TO_GROUND)
    polled = [(probe.level_v, probe.reads) for probe in observation.probes if probe.act == "polled"]
    assert polled == [*[(0.0, "low")] * 3, *[(None, "high")] * 4]
