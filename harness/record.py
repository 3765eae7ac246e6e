"""plan x bench -> run.json, and what a procedure needs of both: here alone files become a record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from harness.bench_file import BenchFile
from harness.coupon_steps import tried_coupons
from harness.plan import Plan, nominal_ohm
from harness.plan_meaning import dwell_rules, neighbours_of, rate_asked, thresholds
from procedures.settings import PressSettings
from results.guard_band import guard_band
from results.quantity import parse, show
from results.record.coupon import Coupons
from results.record.run_record import (
    Fixture,
    InstrumentRecord,
    MeterModel,
    PressLevelRules,
    RailLevels,
    RemedyRules,
    RetestRules,
    Rules,
    RunRecord,
    SourceModel,
    SupplyModel,
    SweepRules,
    Unit,
)
from results.record.trial import NO_CAPACITOR, NO_RESISTOR, Capacitor, Pin, Resistor, Trial


def make_record(
    plan: Plan,
    bench: BenchFile | None,
    planned: Sequence[Trial],
    *,
    run: str,
    started_utc: str,
    version: str,
    instruments: Sequence[InstrumentRecord] = (),
    operator: str = "",
    bench_checked: str = "",
    software: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
) -> RunRecord:
    """The record of a run on a bench, or (bench None) of traces that another instrument saved.

    `planned` in order; `instruments` as they answered (see `instrument_record`). What the files leave open is said in
    the record's notes.
    """
    return RunRecord(
        run=run,
        started_utc=started_utc,
        version=version,
        origin="recorded" if bench is None else "bench",
        unit=Unit(**vars(plan.unit)),
        rail_v=plan.rail.voltage_v,
        rail_tolerance=plan.rail.tolerance,
        levels=plan.thresholds,
        rules=_rules(plan),
        meter=recorded_meter(plan) if bench is None else bench_meter(plan, bench),
        pins=tuple(_pins(plan)),
        resistors=trial_resistors(plan, bench),
        capacitors=() if bench is None else tuple(added_capacitors(plan, bench)),
        planned=tuple(planned),
        press_path="recorded" if bench is None else plan.press.path,
        press_to=plan.press.to,
        fixture=Fixture() if bench is None else _fixture(bench),
        instruments=tuple(instruments),
        operator=operator,
        bench_name="" if bench is None else bench.bench.name,
        damage_limit_a=None if plan.damage_watch is None else plan.damage_watch.limit_a,
        coupons=Coupons() if bench is None else tried_coupons(plan, bench),
        bench_checked=bench_checked,
        software=dict(software or {}),
        notes=(*notes, *_open_questions(plan, bench)),
        source=None if bench is None else bench_source(bench),
        sweep=None if bench is None or plan.sweep is None else SweepRules(**vars(plan.sweep)),
        rail_levels=() if bench is None else tuple(RailLevels(v, thresholds(plan, v)) for v in plan.rail.steps_v),
        supply=None if bench is None else bench_supply(bench),
        press_level=None if bench is None else press_level_rules(plan),
        remedies=None if bench is None else remedy_rules(plan),
        rate_asked=rate_asked(plan),
        retest=None if bench is None else RetestRules(**vars(plan.retest)),
        dwell=None if bench is None else dwell_rules(plan, bench.bench.line_frequency_hz),
    )


def press_settings(plan: Plan, bench: BenchFile, rail_v: float | None = None) -> PressSettings:
    """What a procedure needs of the two files at a nominal rail (None: the plan's own), in SI."""
    levels = thresholds(plan, rail_v)
    return PressSettings(
        path=plan.press.path,
        press_to=plan.press.to,
        rail_v=plan.rail.voltage_v if rail_v is None else rail_v,
        v_il=levels.v_il,
        v_ih=levels.v_ih,
        hold_s=plan.press.hold_s,
        log_before_s=plan.log.before_s,
        log_s=plan.log.time_s,
        interval_s=plan.log.interval_s,
        aperture_s=plan.aperture_s,
        pull_down_high_ohm=plan.pull_down.range_ohm[1],
        accuracy_reading=bench.meter.accuracy_reading,
        accuracy_v=bench.meter.accuracy_v,
        # `none` too where the plan has no such trial: sweeps and coupons are made with nothing fitted.
        resistors={each.name: each for each in (Resistor(NO_RESISTOR, None), *trial_resistors(plan, bench))},
        meter_ohm=bench.meter.input_resistance_ohm,
        discharge_s=bench.wiring.discharge_time_s,
        settle_s=bench.wiring.settle_s,
        slack_s=plan.log.slack_s,
        reaction_s=plan.press.reaction_s,
        press_v=plan.press.voltage_v,
        above_rail_max_v=plan.rail.above_rail_max_v,
        rail_tolerance=plan.rail.tolerance,
        source_accuracy_reading=0.0 if bench.source is None else bench.source.accuracy_reading,
        source_accuracy_a=0.0 if bench.source is None else bench.source.accuracy_a,
        sweep=None if plan.sweep is None else SweepRules(**vars(plan.sweep)),
        press_level=press_level_rules(plan),
        neighbours=neighbours_of(plan),
        buffer_off="buffer off" if plan.board_or_chip is None else plan.board_or_chip.buffer_off,
        remedies=remedy_rules(plan),
        allowed_s=plan.release.allowed_s,
        dwell=dwell_rules(plan, bench.bench.line_frequency_hz),
        series_ohm={pin.name: pin.series_resistance_ohm for pin in plan.pins},
    )


def press_level_rules(plan: Plan) -> PressLevelRules | None:
    """How the lowest level that latches is looked for; None where the plan does not ask for it."""
    return None if plan.press_level is None else PressLevelRules(**vars(plan.press_level))


def remedy_rules(plan: Plan) -> RemedyRules | None:
    """Which remedies are tried, and with what; None where the plan does not ask for any."""
    table = plan.remedies
    if table is None:
        return None
    asked = {name: value for name, value in vars(table).items() if name != "repeats"}
    return RemedyRules(**asked, pin_setup=plan.trials.pin_setups[0])


def instrument_record(bench: BenchFile, role: str, identity: str) -> InstrumentRecord:
    """One instrument as it answered, with its calibration date from the bench file. Raises KeyError: no such role."""
    table = bench.instruments()[role]
    due = "" if table.calibration_due is None else table.calibration_due.isoformat()
    return InstrumentRecord(role, table.resource, identity, due)


def trial_resistors(plan: Plan, bench: BenchFile | None) -> tuple[Resistor, ...]:
    """The plan's resistors in its order, each with what the bench file says was measured of it."""
    fit = {} if bench is None else bench.wiring.fit
    resistors = []
    for name in plan.trials.resistors:
        ohm = nominal_ohm(name)
        measured = fit.get(name)
        resistors.append(
            Resistor(
                name,
                ohm,
                0.0 if ohm is None else plan.trials.tolerance,
                None if measured is None else measured.measured_ohm,
                None if measured is None else measured.measured_u_ohm,
            )
        )
    return tuple(resistors)


def added_capacitors(plan: Plan, bench: BenchFile) -> Iterator[Capacitor]:
    """The plan's capacitors in its order but for `none`, each with what the bench file says was measured of it."""
    for name in plan.trials.capacitors:
        if name != NO_CAPACITOR:
            known = bench.wiring.add.get(name)
            yield Capacitor(
                name,
                parse(name, "F"),
                plan.trials.capacitor_tolerance,
                None if known is None else known.measured_f,
                None if known is None else known.measured_u_f,
            )


def bench_meter(plan: Plan, bench: BenchFile) -> MeterModel:
    """The meter of a bench, with the aperture that the plan asks for."""
    meter = bench.meter
    return MeterModel(
        accuracy_reading=meter.accuracy_reading,
        accuracy_v=meter.accuracy_v,
        input_ohm=meter.input_resistance_ohm,
        input_tolerance=meter.input_resistance_tolerance,
        aperture_s=plan.aperture_s,
        step_s=meter.step_response_s,
        range_v=meter.range_v,
        line_hz=bench.bench.line_frequency_hz,
    )


def bench_source(bench: BenchFile) -> SourceModel | None:
    """The source of a bench; None where it has none."""
    source = bench.source
    return None if source is None else SourceModel(source.accuracy_reading, source.accuracy_a)


def bench_supply(bench: BenchFile) -> SupplyModel | None:
    """The supply of a bench; None where it has none, or none that measures its current."""
    supply = bench.supply
    if supply is None or supply.commands.get("measure_current") == "":
        return None
    return SupplyModel(supply.accuracy_reading, supply.accuracy_a)


def recorded_meter(plan: Plan) -> MeterModel:
    """What logged the imported traces, as far as the plan says it; an accuracy not stated counts 0 and is noted."""
    known = plan.recorded
    if known is None:
        return MeterModel(accuracy_reading=0.0, accuracy_v=0.0, input_ohm=None)
    return MeterModel(
        accuracy_reading=known.accuracy_reading or 0.0,
        accuracy_v=known.accuracy_v or 0.0,
        input_ohm=known.meter_resistance_ohm,
        input_tolerance=known.meter_resistance_tolerance,
        aperture_s=known.aperture_s or 0.0,
        step_s=known.step_response_s or 0.0,
        line_hz=known.line_frequency_hz,
    )


def _open_questions(plan: Plan, bench: BenchFile | None) -> list[str]:
    """What a reader must know that the files do not say."""
    notes = []
    asked = rate_asked(plan)
    if asked is not None:
        notes.append(f"asked: {asked.text}: {asked.presses} presses of each pin with no resistor, if none sticks")
    if bench is None:
        known = plan.recorded
        if known is None or known.accuracy_v is None or known.accuracy_reading is None:
            notes.append("the accuracy of what logged the traces is not stated in full: uncertainties leave it out")
    else:
        notes += _levels_kept(plan)
    input_ohm = bench.meter.input_resistance_ohm if bench else plan.recorded and plan.recorded.meter_resistance_ohm
    if input_ohm is None:
        notes.append("the input resistance of the meter is not stated: its load on the node is not corrected")
    return notes


def _levels_kept(plan: Plan) -> list[str]:
    """A standard holds for a range of rails; beyond it, the levels of the nominal rail are kept, and that is said."""
    if not plan.thresholds.standard:
        return []
    kept = [show(v, "V") for v in plan.rail.steps_v if not thresholds(plan, v).standard]
    if not kept:
        return []
    rule = f"{plan.thresholds.standard} does not hold for a rail of {', '.join(kept)}"
    return [f"{rule}: V_IL and V_IH of {show(plan.rail.voltage_v, 'V')} are kept there"]


def _rules(plan: Plan) -> Rules:
    low_ohm, high_ohm = plan.pull_down.range_ohm
    return Rules(
        pull_down_low_ohm=low_ohm,
        pull_down_high_ohm=high_ohm,
        allowed_s=plan.release.allowed_s,
        log_s=plan.log.time_s,
        series=plan.advice.series,
        advised_tolerance=plan.advice.tolerance,
        margin=plan.advice.margin,
        guard_rule=plan.decision.rule,
        guard_factor=guard_band(plan.decision.rule).factor,
        pull_down_setup=plan.pull_down.setup,
    )


def _pins(plan: Plan) -> list[Pin]:
    return [
        Pin(
            name=pin.name,
            node_capacitance_f=pin.node_capacitance_f,
            series_ohm=pin.series_resistance_ohm,
            note=pin.note,
            node_capacitance_tolerance=pin.node_capacitance_tolerance,
        )
        for pin in plan.pins
    ]


def _fixture(bench: BenchFile) -> Fixture:
    leakage_ohm = bench.fixture.leakage_resistance_ohm
    return Fixture(
        conductance_s=0.0 if leakage_ohm is None else 1.0 / leakage_ohm,
        capacitance_f=bench.fixture.capacitance_f,
        capacitance_tolerance=bench.fixture.capacitance_tolerance,
        conductance_tolerance=bench.fixture.leakage_tolerance,
    )
