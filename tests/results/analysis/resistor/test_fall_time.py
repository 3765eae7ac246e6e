"""How long a pin takes to V_IL with a resistor that nobody fitted: by its curve, its line, or what was measured."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import Decay, LeakLine, PinFinding
from results.analysis.resistor.fall_time import fall_time, quadrature
from results.analysis.value import Value
from results.record.run_record import Fixture
from results.record.trial import NO_RESISTOR, Pin
from tests.procedures.curve_bench import linear, mid_level
from tests.results.analysis.made_pins import PIN, RULES, Bench, analysed, d1, record_of
from tests.results.report.made_sweeps import swept_run

RECORD = record_of(Bench())
BARE = replace(RECORD, fixture=Fixture())


def test_a_constant_leak_on_a_resistor_as_an_independent_simulator_has_it() -> None:
    """ngspice: 10 MΩ, 100 pF, 30 nA, from 3.3 V: 0.8 V at 1.791759 ms (= RC ln 6)."""
    seconds = quadrature(lambda volts: np.full_like(volts, 30e-9), 1e-7, 100e-12, 3.3, 0.8)
    assert seconds == pytest.approx(1.791759e-3, abs=1e-9)


def test_where_the_node_rests_on_the_way_there_is_no_time() -> None:
    assert quadrature(d1, 1 / 10e3, 1e-9, 3.3, 0.8) is None
    assert quadrature(d1, 1 / 8.2e3, 1e-9, 3.3, 0.8) is not None


def test_a_swept_pin_is_slower_near_the_fold_than_an_rc() -> None:
    """On 8.2 kΩ, 1 nF: the integral over the made law itself, and twice the time of the RC alone."""
    pin = next(one for one in swept_run().pins if one.pin == "D1")
    record = replace(swept_run().record, fixture=Fixture())
    seconds, said = fall_time(record, Pin("D1", node_capacitance_f=1e-9), pin, 8.2e3)
    law = mid_level(linear(60e3))
    volts = np.linspace(0.8, 3.3, 20001)
    drawn = volts * (1 / 8.2e3 + 1e-7) - np.array([law(float(v)) for v in volts])
    exact = float(np.trapezoid(1e-9 / drawn, volts))
    assert seconds == pytest.approx(exact, rel=0.02)
    assert exact > 2.0 * 8.2e3 * 1e-9 * math.log(3.3 / 0.8)
    assert said == "from the sweep and the plan's node capacitance"
    assert fall_time(record, Pin("D1", node_capacitance_f=1e-9), pin, 10e3) == (
        None,
        "does not fall below V_IL, by the sweep",
    )


def _lined(finding: PinFinding) -> PinFinding:
    line = LeakLine(3, Value(30e-6, 1e-7), Value(1 / 60e3, 1e-7), 0.0, 1.0, 1, 0.5, True, "")
    return replace(finding, line=line)


def test_a_line_and_a_capacitance_from_a_measured_time_constant() -> None:
    """C = τ · G with the conductance it was measured with; then RC with the leak's own rest level."""
    finding = _lined(analysed(d1))
    decay = Decay(8.2e-6, 1e-8)
    rows = tuple(
        replace(row, trace=replace(row.trace, decay=decay))
        if row.trace is not None and row.trial.resistor == "8.2 kΩ"
        else row
        for row in finding.rows
    )
    finding = replace(finding, rows=rows, pull_down=Value(60e3, 100.0))
    seconds, said = fall_time(BARE, PIN, finding, 4.7e3)
    farad = 8.2e-6 * (1 / 8.2e3 + 1e-7 + 1 / 60e3)
    total_s = 1 / 4.7e3 + 1e-7 + 1 / 60e3
    rest_v = 30e-6 / total_s
    assert seconds == pytest.approx(farad / total_s * math.log((3.3 - rest_v) / (0.8 - rest_v)), rel=1e-6)
    assert said == "from the plain-leak line and a measured time constant"


def test_of_an_unmeasured_pull_down_the_strongest_counts_which_is_the_slow_side() -> None:
    """C = τ · G with 1/30 kΩ, the strong end of the plan's range, for a pull-down that nobody measured."""
    finding = _lined(analysed(d1))
    rows = tuple(
        replace(row, trace=replace(row.trace, decay=Decay(8.2e-6, 1e-8)))
        if row.trace is not None and row.trial.resistor == "8.2 kΩ"
        else row
        for row in finding.rows
    )
    known = replace(finding, rows=rows, pull_down=Value(60e3, 17e3), pull_down_from="hold level")
    measured, _ = fall_time(BARE, PIN, known, 4.7e3)
    expected, _ = fall_time(BARE, PIN, replace(known, pull_down_from="plan range"), 4.7e3)
    assert measured is not None
    assert expected is not None
    outside_s = 1 / 8.2e3 + 1e-7
    assert expected / measured == pytest.approx((outside_s + 1 / 30e3) / (outside_s + 1 / 60e3), rel=1e-6)


def test_the_series_resistance_and_the_fixture_slow_it_down() -> None:
    finding = _lined(analysed(d1))
    alone, _ = fall_time(BARE, replace(PIN, node_capacitance_f=1e-9), finding, 4.7e3)
    with_fixture = replace(BARE, fixture=Fixture(0.0, 1e-9))
    slower, _ = fall_time(with_fixture, replace(PIN, node_capacitance_f=1e-9), finding, 4.7e3)
    behind, _ = fall_time(BARE, replace(PIN, node_capacitance_f=1e-9, series_ohm=1e3), finding, 4.7e3)
    assert alone is not None
    assert behind is not None
    assert slower == pytest.approx(2.0 * alone, rel=1e-9)
    assert behind > 1.1 * alone


def test_without_a_curve_only_what_was_measured_counts() -> None:
    """8.2 kΩ released in 1 ms: measured for itself, an upper limit for less, and nothing for more."""
    finding = analysed(d1)
    assert fall_time(RECORD, PIN, finding, 8.2e3) == (1e-3, "measured")
    assert fall_time(RECORD, PIN, finding, 6.8e3) == (1e-3, "at most, as measured with 8.2 kΩ")
    assert fall_time(RECORD, PIN, finding, 12e3) == (
        None,
        "neither a curve nor a release with as large a resistor tells it",
    )


def test_a_resistor_that_stuck_once_tells_no_time() -> None:
    finding = analysed(d1, Bench(rules=RULES, repeats=2))
    rows = list(finding.rows)
    first = next(number for number, row in enumerate(rows) if row.trial.resistor == "8.2 kΩ")
    trace = rows[first].trace
    assert trace is not None
    rows[first] = replace(rows[first], trace=replace(trace, release_time_s=None))
    said = fall_time(RECORD, PIN, replace(finding, rows=tuple(rows)), 8.2e3)
    assert said == (None, "neither a curve nor a release with as large a resistor tells it")
    assert all(row.trial.resistor != NO_RESISTOR or row.verdict == "stuck high" for row in rows)
