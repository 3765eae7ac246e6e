"""The figures of a pin: every trace and point in them, told apart without colour, equal bytes for equal findings."""

import re
from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import Edge
from results.record.trace import Trace
from results.record.trial import Pin
from results.report.figure_current import current_svg, point_at_pin
from results.report.figure_traces import thinned, traces_svg
from results.report.figures import looks, spread
from tests.results.report.made_findings import RESISTORS, fernhill


def _pin(name="D3"):
    finding = fernhill()
    return next(pin for pin in finding.pins if pin.pin == name), finding.record


def _words(svg):
    return re.findall(r">([^<>\n]+)</t", svg)


def test_each_trial_resistor_is_labelled_at_the_end_of_its_traces():
    words = _words(traces_svg(*_pin()))
    assert [word for word in words if word in {r.name for r in RESISTORS}] == [
        "4.7 kΩ",
        "8.2 kΩ",
        "10 kΩ",
        "22 kΩ",
        "47 kΩ",
        "none",
    ]


def test_repeats_that_ended_apart_are_labelled_apart():
    words = _words(traces_svg(*_pin("D15")))
    assert {"none, 1/3", "none, 2/3"} <= set(words)


def test_no_two_resistors_share_a_dash_or_a_marker():
    styles = looks(fernhill().record)
    assert len({str(look.dash) for look in styles.values()}) == len(RESISTORS)
    assert len({look.marker for look in styles.values()}) == len(RESISTORS)


def test_the_current_figure_names_load_lines_the_advice_and_a_line_that_passes():
    assert {"47 kΩ", "none", "fit 18 kΩ", "plain-leak line"} <= set(_words(current_svg(*_pin("D12"))))
    assert "plain-leak line" not in _words(current_svg(*_pin("D3")))


def test_equal_findings_give_equal_bytes():
    assert traces_svg(*_pin()) == traces_svg(*_pin())
    assert current_svg(*_pin()) == current_svg(*_pin())


def test_nothing_measured_gives_no_figure():
    pin, record = _pin("D22")
    assert current_svg(pin, record) is None
    assert traces_svg(replace(pin, rows=tuple(replace(row, observation=None) for row in pin.rows)), record) is None


def test_series_resistance_moves_the_point_to_the_pin():
    pin, record = _pin("D12")
    # 47 kΩ: 40 µA / (1/60 kΩ + 1/47.03 kΩ + 1/10 MΩ) = 1.0518 V at the node; 22.470 µA through 10 kΩ add 0.2247 V.
    assert point_at_pin(pin.rows[3], 10e3)[1] == pytest.approx(1.0518 + 0.2247, abs=1e-4)
    behind = replace(record, pins=tuple(Pin(p.name, series_ohm=10e3) for p in record.pins))
    assert current_svg(pin, behind) != current_svg(pin, record)


@pytest.mark.parametrize(
    "trace",
    [
        Trace(np.array([0.0]), np.array([3.3])),
        Trace(np.arange(5.0), np.full(5, np.nan)),
        Trace(np.arange(3000) * 1e-4, np.full(3000, 3.3)),
    ],
    ids=["one sample", "all overload", "no edge"],
)
def test_odd_traces_are_drawn(trace):
    pin, record = _pin()
    rows = tuple(
        replace(row, observation=replace(row.observation, trace=trace), trace=replace(row.trace, edge=None))
        for row in pin.rows
    )
    assert "none" in traces_svg(replace(pin, rows=rows), record)


def test_a_time_axis_without_an_edge_does_not_claim_one():
    pin, record = _pin()
    rows = tuple(replace(row, trace=None) for row in pin.rows)
    words = _words(traces_svg(replace(pin, rows=rows), record))
    assert "time from the start (no edge known) / ms" in words
    some = traces_svg(replace(pin, rows=rows[:9] + pin.rows[9:]), record)
    assert "time from the release edge / ms" in _words(some)


def test_an_edge_at_the_last_sample_is_drawn():
    pin, record = _pin()
    edge = Edge(0, 0, 0.1399, 1e-5, 3.3, False, 1)
    rows = tuple(replace(row, trace=replace(row.trace, edge=edge)) for row in pin.rows)
    assert traces_svg(replace(pin, rows=rows), record) is not None


def test_a_resistor_name_is_text_and_never_a_formula():
    finding = fernhill()
    record = replace(finding.record, resistors=(*RESISTORS[:-1], replace(RESISTORS[-1], name="$\\frac<$&\U0001f9ea")))
    rows = tuple(
        replace(row, trial=replace(row.trial, resistor=record.resistors[-1].name))
        if row.trial.resistor == RESISTORS[-1].name
        else row
        for row in finding.pins[2].rows
    )
    svg = traces_svg(replace(finding.pins[2], rows=rows), record)
    assert "$\\frac&lt;$&amp;[" in svg


def test_labels_keep_their_distance_and_stay_inside():
    placed = spread([0.0, 0.0, 0.01, 0.5, 1.0], 0.1, 0.0, 1.0)
    assert placed == pytest.approx([0.0, 0.1, 0.2, 0.5, 1.0])
    assert spread([0.9, 0.95, 1.0], 0.1, 0.0, 1.0) == pytest.approx([0.8, 0.9, 1.0])
    assert spread([0.5] * 11, 0.2, 0.0, 1.0) == pytest.approx(np.linspace(0.0, 1.0, 11))
    assert spread([], 0.1, 0.0, 1.0) == []


def test_a_thinned_trace_keeps_every_extreme_and_its_order():
    rng = np.random.default_rng(7)
    time_s = np.arange(10_007) * 1e-4
    volts = rng.normal(0.0, 1e-3, time_s.size)
    volts[4321], volts[9999] = 3.0, -2.0
    kept_s, kept = thinned(time_s, volts, 100)
    assert kept.max() == 3.0
    assert kept.min() == -2.0
    assert np.all(np.diff(kept_s) > 0)
    assert kept.size <= 200


def test_thinning_keeps_overload_a_gap():
    volts = np.ones(1000)
    volts[400:600] = np.nan
    volts[399] = 3.0
    # Columns of 30 samples: the one that ends with the overload keeps its peak.
    _, kept = thinned(np.arange(1000.0), volts, 34)
    assert np.isnan(kept).sum() >= 6
    assert np.nanmax(kept) == 3.0
