"""run.json says all that the files say, in SI, and what they leave open."""

from __future__ import annotations

import json
import math

import pytest

from harness.bench_file import bench_from_text
from harness.plan import plan_from_text
from harness.record import instrument_record, make_record, press_settings, recorded_meter, trial_resistors
from harness.sequence import trials_in_order
from results.record.run_json import as_json, from_json
from results.record.run_record import (
    DwellRules,
    InstrumentRecord,
    PressLevelRules,
    RateAsked,
    RemedyRules,
    RunRecord,
    SourceModel,
    SweepRules,
)
from results.record.trial import Pin, Resistor
from tests.harness.wrong_files import BENCH, PLAN, changed, swept_bench

RECORDED = """
[recorded]
meter_resistance = "10 MΩ"
accuracy_reading = "0.01 %"
accuracy = "0.5 mV"
line_frequency = "50 Hz"
"""


def bench_record() -> RunRecord:
    fixture = '[fixture]\ncapacitance = "120 pF"\nleakage_resistance = "10 GΩ"\n\n[wiring]\n'
    plan, bench = plan_from_text(PLAN), bench_from_text(changed(BENCH, ("[wiring]\n", fixture)))
    return make_record(
        plan,
        bench,
        trials_in_order(plan, bench),
        run="r1",
        started_utc="2026-05-01T08:00:00Z",
        version="0.1.0",
        instruments=[instrument_record(bench, "meter", "Invented Instruments,M1,1,1.0")],
        operator="A. Tester",
        bench_checked="2026-05-01",
        software={"numpy": "2"},
        notes=["first"],
    )


def test_tolerances_of_the_load_come_from_the_bench_file() -> None:
    """Unless stated they are zero: taken as exact."""
    fixture = '[fixture]\nleakage_resistance = "10 GΩ"\nleakage_tolerance = "50 %"\n\n[wiring]\n'
    stated = 'input_resistance = "10 MΩ"\ninput_resistance_tolerance = "1 %"'
    bench = bench_from_text(changed(BENCH, ("[wiring]\n", fixture), ('input_resistance = "10 MΩ"', stated)))
    plan = plan_from_text(PLAN)
    record = make_record(plan, bench, [], run="r1", started_utc="2026-05-01T08:00:00Z", version="0.1.0")
    assert (record.meter.input_tolerance, record.fixture.conductance_tolerance) == (0.01, 0.5)
    exact = bench_record()
    assert (exact.meter.input_tolerance, exact.fixture.conductance_tolerance) == (0.0, 0.0)
    recorded = plan_from_text(PLAN + RECORDED.replace('"10 MΩ"', '"10 MΩ"\nmeter_resistance_tolerance = "2 %"'))
    assert recorded_meter(recorded).input_tolerance == 0.02


def test_the_decision_rule_of_the_plan_stands_in_the_record() -> None:
    assert (bench_record().rules.guard_rule, bench_record().rules.guard_factor) == ("w = U", 1.0)
    plan = plan_from_text(PLAN + '\n[decision]\nrule = "w = 0.83U"\n')
    record = make_record(plan, None, [], run="r1", started_utc="2026-05-01T08:00:00Z", version="0.1.0")
    assert (record.rules.guard_rule, record.rules.guard_factor) == ("w = 0.83 U", 0.83)
    assert record.rules.guard_band(0.01) == pytest.approx(0.0166)


def test_a_run_json_without_rule_and_tolerances_reads_as_it_was_decided() -> None:
    """As written before there were any: w = U, and the load taken as exact."""
    raw = json.loads(as_json(bench_record()))
    del raw["rules"]["guard_rule"], raw["rules"]["guard_factor"], raw["meter"]["input_tolerance"]
    del raw["fixture"]["conductance_tolerance"]
    assert from_json(json.dumps(raw)) == bench_record()


def test_record_of_a_bench_run() -> None:
    record = bench_record()
    assert (record.origin, record.press_path, record.bench_name) == ("bench", "relay", "rack")
    assert (record.rail_v, record.rail_tolerance) == (3.3, 0.05)
    assert (record.levels.v_il, record.levels.v_ih) == (0.8, 2.0)
    assert record.pins == (Pin("D1", pytest.approx(150e-12)), Pin("D2"))  # type: ignore[arg-type]
    assert record.resistors == (
        Resistor("none", None),
        Resistor("47 kΩ", 47e3, 0.01),
        Resistor("8.2 kΩ", 8.2e3, 0.01, 8203.0, 2.0),
    )
    assert len(record.planned) == 2 * 3 * 3
    rules = record.rules
    assert (rules.pull_down_low_ohm, rules.pull_down_high_ohm) == (30e3, 90e3)
    assert (rules.allowed_s, rules.log_s, rules.coverage) == (0.05, 0.12, 2.0)
    assert (rules.series, rules.advised_tolerance, rules.margin) == ("E12", 0.01, 0.2)
    meter = record.meter
    assert (meter.accuracy_reading, meter.accuracy_v, meter.input_ohm) == (pytest.approx(1e-4), 5e-4, 10e6)
    assert (meter.aperture_s, meter.step_s, meter.range_v, meter.line_hz) == (0.5e-4, 0.0, 10.0, 50.0)
    assert record.fixture.capacitance_f == pytest.approx(120e-12)
    assert record.fixture.conductance_s == pytest.approx(1e-10)
    assert record.notes == ("first",)


def test_a_stuck_rate_that_is_asked_for_stands_in_the_record_and_in_its_notes() -> None:
    plan = plan_from_text(changed(PLAN, ("repeats = 3", 'stuck_rate_below = "1 %"')))
    bench = bench_from_text(BENCH)
    record = make_record(plan, bench, trials_in_order(plan, bench), run="r", started_utc="", version="0")
    assert record.rate_asked == RateAsked(0.01, 0.95, 299)
    assert record.notes == (
        "asked: rate below 1 % with 95 % confidence: 299 presses of each pin with no resistor, if none sticks",
    )
    assert from_json(as_json(record)) == record


def test_a_long_dwell_stands_in_the_record_and_in_what_the_procedure_is_given() -> None:
    plan = plan_from_text(changed(PLAN, ("[advice]", '[dwell]\nhold = "5 s"\ninterval = "40 ms"\n\n[advice]')))
    bench = bench_from_text(BENCH)
    record = make_record(plan, bench, trials_in_order(plan, bench), run="r", started_utc="", version="0")
    assert record.dwell == DwellRules(5.0, 300.0, 0.04, 0.02, 0.8, 15.0)
    assert record.dwell.samples == 7896
    assert press_settings(plan, bench).dwell == record.dwell
    assert from_json(as_json(record)) == record
    assert make_record(plan, None, [], run="r", started_utc="", version="0").dwell is None


def test_a_sweep_and_the_source_that_makes_it_stand_in_the_record() -> None:
    both = '["reset default", "buffer off"]'
    table = f'[sweep]\nsteps = 40\nsettled = "5 nA"\nleak_setups = {both}\n\n[advice]'
    plan = plan_from_text(changed(PLAN, ("[advice]", table), ('["reset default"]', both)))
    bench = bench_from_text(swept_bench())
    record = make_record(plan, bench, trials_in_order(plan, bench), run="r", started_utc="", version="0")
    assert record.source == SourceModel(pytest.approx(1e-3), pytest.approx(10e-9))  # type: ignore[arg-type]
    assert record.sweep == SweepRules(40, 8, pytest.approx(5e-9), 1.0, ("reset default", "buffer off"))  # type: ignore[arg-type]
    assert from_json(as_json(record)) == record
    settings = press_settings(plan, bench)
    assert settings.sweep == record.sweep
    assert settings.series_ohm == {"D1": 0.0, "D2": 0.0}
    assert bench_record().source is None
    assert bench_record().sweep is None


def test_record_survives_the_file() -> None:
    record = bench_record()
    assert from_json(as_json(record)) == record


def test_instrument_record_carries_the_calibration_date() -> None:
    bench = bench_from_text(
        changed(BENCH, ('accuracy = "0.5 mV"', 'accuracy = "0.5 mV"\ncalibration_due = 2027-03-31'))
    )
    resource = "TCPIP::192.168.0.5::5025::SOCKET"
    assert instrument_record(bench, "meter", "I,M") == InstrumentRecord("meter", resource, "I,M", "2027-03-31")
    with pytest.raises(KeyError, match="source"):
        instrument_record(bench, "source", "I,S")


def imported(text: str) -> RunRecord:
    plan = plan_from_text(text)
    planned = trials_in_order(plan)
    return make_record(plan, None, planned, run="r", started_utc="2026-05-01T08:00:00Z", version="0")


def test_record_of_traces_recorded_elsewhere() -> None:
    record = imported(PLAN + RECORDED)
    assert (record.origin, record.press_path, record.bench_name) == ("recorded", "recorded", "")
    assert (record.meter.input_ohm, record.meter.accuracy_v, record.meter.line_hz) == (10e6, 5e-4, 50.0)
    assert record.meter.accuracy_reading == pytest.approx(1e-4)
    assert (record.meter.aperture_s, record.meter.step_s, record.meter.range_v) == (0.0, 0.0, None)
    assert record.resistors[2] == Resistor("8.2 kΩ", 8.2e3, 0.01)
    assert record.notes == ()


def test_what_the_recording_leaves_open_is_said() -> None:
    accuracy = "the accuracy of what logged the traces is not stated in full: uncertainties leave it out"
    load = "the input resistance of the meter is not stated: its load on the node is not corrected"
    assert imported(PLAN).notes == (accuracy, load)
    assert imported(PLAN).meter.input_ohm is None
    assert imported(PLAN + RECORDED.replace('accuracy = "0.5 mV"\n', "")).notes == (accuracy,)
    assert imported(PLAN + RECORDED.replace('meter_resistance = "10 MΩ"\n', "")).notes == (load,)


def test_settings_of_a_procedure() -> None:
    plan, bench = plan_from_text(PLAN), bench_from_text(BENCH)
    settings = press_settings(plan, bench)
    assert (settings.path, settings.rail_v, settings.v_il, settings.v_ih) == ("relay", 3.3, 0.8, 2.0)
    assert (settings.hold_s, settings.log_before_s, settings.log_s, settings.interval_s) == (0.02, 0.02, 0.12, 1e-4)
    assert (settings.aperture_s, settings.pull_down_high_ohm, settings.meter_ohm) == (0.5e-4, 90e3, 10e6)
    assert settings.resistors == {resistor.name: resistor for resistor in trial_resistors(plan, bench)}
    assert (settings.press_v, settings.source_accuracy_reading, settings.source_accuracy_a) == (None, 0.0, 0.0)
    # 1/8203 S ± 2/8203² S: the measured value counts, not the nominal one.
    assert math.isclose(settings.resistors["8.2 kΩ"].conductance_s, 1.0 / 8203.0)


def test_settings_of_a_press_by_source() -> None:
    source = """
[source]
resource = "GPIB0::24::INSTR"
accuracy_reading = "0.1 %"
accuracy = "10 nA"

[wiring]
source = "switch 202"
"""
    plan = plan_from_text(changed(PLAN, ('path = "relay"', 'path = "source"\nvoltage = "3.2 V"')))
    settings = press_settings(plan, bench_from_text(changed(BENCH, ("\n[wiring]\n", source))))
    assert (settings.path, settings.press_v) == ("source", 3.2)
    assert (settings.source_accuracy_reading, settings.source_accuracy_a) == pytest.approx((1e-3, 10e-9))


def test_what_is_asked_of_pins_that_latch_stands_in_the_record_and_in_the_settings() -> None:
    tables = """
[press_level]
resolution = "10 mV"

[remedies]
tried = ["polled buffer", "driven low"]
driver_current = "4 mA"
polls = 7

[advice]"""
    plan, bench = plan_from_text(changed(PLAN, ("[advice]", tables))), bench_from_text(BENCH)
    record = make_record(plan, bench, [], run="r", started_utc="2027-01-14T10:15:00+00:00", version="0")
    remedies = RemedyRules(("polled buffer", "driven low"), 4e-3, "polled buffer", 0.05, 20e-6, 7, "reset default")
    assert (record.press_level, record.remedies) == (PressLevelRules(0.01, 3), remedies)
    assert from_json(as_json(record)) == record
    settings = press_settings(plan, bench)
    assert (settings.press_level, settings.remedies, settings.allowed_s) == (record.press_level, remedies, 0.05)
    without = make_record(
        plan_from_text(PLAN), bench, [], run="r", started_utc="2027-01-14T10:15:00+00:00", version="0"
    )
    assert (without.press_level, without.remedies) == (None, None)
