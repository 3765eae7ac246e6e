"""bench.toml (and plan.toml, where there is one) -> what a check of the bench needs to know."""

from __future__ import annotations

from dataclasses import replace

from harness.bench_file import BenchFile
from harness.plan import Plan, nominal_ohm
from harness.record import bench_source, press_settings
from procedures.check_settings import CheckSettings
from procedures.press_release import samples_for
from procedures.settings import PressSettings
from results.record.run_record import Fixture, MeterModel
from results.record.trial import NO_RESISTOR, Resistor

RAIL_V = 3.3
"""What stands in for the rail where no plan states one, until it has been measured."""

INTERVAL_S = 2e-4
MOST_SAMPLES = 5000
"""Of a log, where neither the bench file states the meter's memory nor a trial of the plan needs more."""

LOG_S = 0.1
SLACK_S = 1.0
"""However late a busy computer lets go, the log of a check shall show it: there are few of them."""
TOLERANCE = 0.01
"""Of trial resistors where no plan states theirs."""


def check_settings(file: BenchFile, plan: Plan | None) -> CheckSettings:
    """The numbers of both files, in SI; without a plan, logs as a plan's defaults make them."""
    press = _press(file) if plan is None else press_settings(plan, file)
    trial = samples_for(press.log_before_s + press.log_s + press.slack_s, press.interval_s)
    press = replace(press, slack_s=max(press.slack_s, SLACK_S), press_to=file.wiring.press_to)
    tolerance = TOLERANCE if plan is None else plan.trials.tolerance
    meter = file.meter
    accuracy_v = meter.accuracy_v + meter.accuracy_reading * press.rail_v
    leakage_ohm = file.fixture.leakage_resistance_ohm
    return CheckSettings(
        press=press,
        rail_stated=plan is not None,
        resistors=_resistors(file, tolerance),
        meter=MeterModel(
            accuracy_reading=meter.accuracy_reading,
            accuracy_v=meter.accuracy_v,
            input_ohm=meter.input_resistance_ohm,
            aperture_s=press.aperture_s,
            step_s=meter.step_response_s,
            range_v=meter.range_v,
            line_hz=file.bench.line_frequency_hz,
        ),
        fixture=Fixture(0.0 if leakage_ohm is None else 1.0 / leakage_ohm, file.fixture.capacitance_f),
        source=bench_source(file) if file.wiring.source is not None else None,
        memory=meter.memory,
        noise_v=2.0 * accuracy_v if file.check.noise_v is None else file.check.noise_v,
        current_a=file.limits.current_a,
        voltage_v=file.limits.voltage_v,
        press_time_s=file.limits.press_time_s,
        most_samples=meter.memory or max(trial, MOST_SAMPLES),
    )


def _press(file: BenchFile) -> PressSettings:
    meter, source = file.meter, file.source
    return PressSettings(
        path="source" if file.wiring.source is not None else "relay",
        rail_v=RAIL_V,
        v_il=0.25 * RAIL_V,
        v_ih=0.6 * RAIL_V,
        hold_s=0.02,
        log_before_s=0.01,
        log_s=LOG_S,
        interval_s=INTERVAL_S,
        aperture_s=INTERVAL_S / 2.0,
        pull_down_high_ohm=1e6,
        accuracy_reading=meter.accuracy_reading,
        accuracy_v=meter.accuracy_v,
        resistors={},
        meter_ohm=meter.input_resistance_ohm,
        settle_s=file.wiring.settle_s,
        source_accuracy_reading=0.0 if source is None else source.accuracy_reading,
        source_accuracy_a=0.0 if source is None else source.accuracy_a,
    )


def _resistors(file: BenchFile, tolerance: float) -> dict[str, Resistor]:
    """Every resistor behind a relay, by its wire; what the bench file says was measured goes with it."""
    wiring = file.wiring
    found = {}
    for wire in ("press", "rail", "discharge", "source"):
        table = getattr(wiring, wire)
        if table is not None:
            found[wire] = Resistor(wire, table.resistor_ohm, table.tolerance, table.measured_ohm, table.measured_u_ohm)
    for name, fit in wiring.fit.items():
        if fit.channel is not None and name != NO_RESISTOR:
            measured = (fit.measured_ohm, fit.measured_u_ohm)
            found[f"fit.{name}"] = Resistor(f"fit.{name}", nominal_ohm(name), tolerance, *measured)
    return found
