"""Press a pin to the rail, let it go, and log what its node does: the one trial that everything else rests on."""

from __future__ import annotations

import math

from drivers.bench import Bench
from drivers.errors import LimitError, WiringError
from procedures.bus_check import RAIL_AGE_S, bus_label
from procedures.contact import HoldLevel, prove_contact
from procedures.errors import NotReachedError, TooLateError
from procedures.neighbours import refuse_welded_hold
from procedures.settings import FREE_SHARE, PressSettings
from results.record.observation import ContactProof, Holder, Observation, Reading
from results.record.trace import Trace
from results.record.trial import Trial

REST_SHARE = 0.1
"""The last tenth of a log tells where the node rests well enough to ask who holds it there."""


def press_release(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """One trial: discharge, reset, set up, read, press, hold, log, release, let it run.

    Returns what was observed; judges nothing but the contact to the unit. The pin is let go whatever happens.

    Raises
    ------
    BenchError
        An instrument, its wire or its wiring failed.
    NotReachedError
        The node did not come near the press level.
    TooLateError
        The release came too late into the log; the trial may be made again.
    """
    rail_v = put_on_bus(bench, trial, settings)
    prepare_board(bench, trial, settings)
    before_v = bench.voltage()
    reads_before = _reads(bench, trial)
    notes = high_before_press(bench, before_v, settings, rail_v)
    if notes:
        refuse_welded_hold(bench, trial.pin, rail_v or settings.rail_v)
    supply_before_a = bench.supply_current()

    with bench.pressed(trial.pin, settings.path, press_voltage(rail_v, settings), settings.hold_s):
        bench.clock.wait(settings.hold_s)
        held = level_while_held(bench, trial, settings, rail_v)
        if settings.path == "source" and bench.source is not None and bench.source.in_compliance():
            notes.append("the source was at its current limit while holding")
        reads_held = _reads(bench, trial)
        released_after_s, trace = log_release(bench, settings)
        rest_v = resting_voltage(trace)
        holder = who_holds(bench, rest_v, held.hold_v, settings, rail_v)
        reads_settled = _reads(bench, trial)
        supply_a = bench.supply_current()

    contact: ContactProof = "not proven"
    if trial.kind != "coupon":  # what the plan expects of a pull-down is no rule for a coupon; its fall tells it
        contact = prove_contact(
            held,
            trial.resistor,
            settings,
            reads_before=reads_before,
            reads_held=reads_held,
            rest_v=rest_v if holder in ("", "pin") else None,
        )
    return Observation(
        trace=trace,
        outcome="no contact" if contact == "disproven" else "measured",
        rail_v=rail_v,
        before_v=before_v,
        hold_v=held.hold_v,
        press_v=held.press_v,
        press_ohm=held.press_ohm,
        press_u_ohm=held.press_u_ohm,
        press_current_a=held.source_a,
        released_after_s=released_after_s,
        reads_before=reads_before,
        reads_held=reads_held,
        reads_settled=reads_settled,
        contact=contact,
        holder=holder,
        notes=tuple(notes),
        supply_a=supply_a,
        supply_before_a=supply_before_a,
    )


def put_on_bus(bench: Bench, trial: Trial, settings: PressSettings, max_age_s: float = RAIL_AGE_S) -> float | None:
    """The pin and its trial resistor on the bus; returns the rail as `rail_before` does.

    From here on the meter's display shows which trial it is. What was on the bus before differs from run to run (one
    that is resumed finds all relays open); what follows the label does not.
    """
    rail_v = rail_before(bench, trial, settings, max_age_s)
    bench.select(trial.pin)
    bench.fit(trial.resistor)
    if rail_v is None:  # what a person had fitted may be gone now
        rail_v = rail_before(bench, trial, settings, max_age_s)
    bench.label(trial.label)
    return rail_v


def rail_before(bench: Bench, trial: Trial, settings: PressSettings, max_age_s: float = RAIL_AGE_S) -> float | None:
    """The rail in volt, as measured last and not long ago; None where it cannot be measured.

    Where a person presses, their clip may be on a pin and on the bus at any time, and would load the reading.
    """
    if settings.path == "hand" or not bench.rail_is_measurable:
        return None
    bench.pace()
    return bench.rail_voltage(max_age_s, bus_label(trial))


def press_voltage(rail_v: float | None, settings: PressSettings) -> float:
    """What the pin is pressed to, in volt: the plan's press voltage, else ground, or the rail as measured where it was.

    Raises LimitError where the plan's voltage is beyond the absolute maximum, which follows the rail as measured.
    """
    known_rail_v = settings.rail_v if rail_v is None else rail_v
    if settings.press_to == "ground":
        return settings.press_v or 0.0
    if settings.press_v is None:
        return known_rail_v
    most_v = known_rail_v + settings.above_rail_max_v
    if settings.press_v > most_v:
        raise LimitError(
            f"press.voltage: must not be above the rail of {known_rail_v:.4g} V by more than rail.above_rail_max of "
            f"{settings.above_rail_max_v:.4g} V: {settings.press_v:.4g} V"
        )
    return settings.press_v


def prepare_board(bench: Bench, trial: Trial, settings: PressSettings) -> None:
    """Empty the node, reset the board and set the pin up; an as-found trial takes the board as it stands."""
    if trial.as_found:
        return
    bench.discharge(settings.discharge_s)
    if bench.board is not None and trial.kind != "coupon":
        bench.board.reset()
        bench.board.setup(trial.pin, trial.condition.pin_setup)
    bench.clock.wait(settings.settle_s)


def read_pin(bench: Bench, pin: str) -> Reading:
    """What the board itself reads at its pin; empty where the bench has no console."""
    return "" if bench.board is None else bench.board.read(pin)


def _reads(bench: Bench, trial: Trial) -> Reading:
    """The board knows nothing of a check coupon."""
    return "" if trial.kind == "coupon" else read_pin(bench, trial.pin)


def high_before_press(bench: Bench, before_v: float, settings: PressSettings, rail_v: float | None = None) -> list[str]:
    """A node that is high with nothing pressed is a finding of its own, unless the bus is high without any unit.

    Where pins are pressed to ground the finding is a node that is low. Raises WiringError where the bus stays so with
    no pin on it: a welded press relay would fake every pin.
    """
    if settings.rests(before_v):
        return []
    pressed, side = ("high", "below") if settings.press_to == "rail" else ("low", "above")
    if bench.has_second_path:
        alone_v = bench.bus_alone_voltage()
        if not settings.bus_is_free(alone_v, rail_v):
            limit_v = settings.v_il if settings.press_to == "rail" else FREE_SHARE * (rail_v or settings.rail_v)
            raise WiringError(
                f"wiring.press: with nothing pressed and no pin on it the bus stands at {alone_v:.3f} V, which must be "
                f"{side} {limit_v:.4g} V: the press relay is welded, or something else drives the bus"
            )
    return [f"{pressed} before the press: {round(before_v, 3) + 0.0:.3f} V"]


def level_while_held(bench: Bench, trial: Trial, settings: PressSettings, rail_v: float | None = None) -> HoldLevel:
    """Node, press path and (pressed by a source) current while the pin is held.

    Raises NotReachedError where the node is below half of the level that an open needle would show, or below V_IH: a
    pin that was never high says nothing about whether it stays high.
    """
    hold_v = bench.voltage()
    press_v, press_ohm, press_u_ohm = bench.press_level()
    if press_v is not None and press_ohm is not None:
        divided = 1.0 + press_ohm * settings.resistors[trial.resistor].conductance_s
        open_needle_v = settings.mirrored(press_v, rail_v) / divided
        if settings.mirrored(hold_v, rail_v) < 0.5 * open_needle_v:
            way = "" if settings.press_to == "rail" else "the way to "
            raise NotReachedError(
                f"{trial.label}: pressed to {press_v:.3f} V, the node came to {hold_v:.3f} V only, less than half of "
                f"{way}{settings.mirrored(open_needle_v, rail_v):.3f} V: a short, an output that fights the press, or "
                "a press path that is open"
            )
    if not settings.is_pressed(hold_v):
        limited = bench.source is not None and settings.path == "source" and bench.source.in_compliance()
        level = (
            f"below V_IH of {settings.v_ih:g} V"
            if settings.press_to == "rail"
            else f"above V_IL of {settings.v_il:g} V"
        )
        raise NotReachedError(
            f"{trial.label}: pressed, the node came to {hold_v:.3f} V only, {level}"
            + (": the source is at its current limit" if limited else "")
        )
    source_a, source_u_a = None, 0.0
    if settings.path == "source" and bench.source is not None:
        _, source_a = bench.source.read()
        limit_a = settings.source_accuracy_a + abs(source_a) * settings.source_accuracy_reading
        source_u_a = limit_a / math.sqrt(3.0)
    return HoldLevel(hold_v, press_v, press_ohm, press_u_ohm, source_a, source_u_a, rail_v)


def log_release(bench: Bench, settings: PressSettings) -> tuple[float, Trace]:
    """Start the log and let the pin go while it runs; return when that was, as the host knows it, and the trace.

    The log starts before the release, so that the edge stands in the trace: time zero is found there, not assumed.
    Raises TooLateError where less of the log is left after the release than was asked for: its last samples may show
    a pin that is still pressed, which must not be taken for one that stays high.
    """
    slack_s = settings.reaction_s if settings.path == "hand" else settings.slack_s
    samples = samples_for(settings.log_before_s + settings.log_s + slack_s, settings.interval_s)
    started = bench.clock.now()
    bench.start_log(settings.interval_s, samples, settings.aperture_s)
    bench.clock.wait(settings.log_before_s)
    after_s = bench.release() - started
    # The contact opens between the command and the answer that says so: a slow line to the relay counts, too.
    opened_s = bench.clock.now() - started
    # A person follows when told; when they did is seen in the trace alone.
    if opened_s > settings.log_before_s + slack_s:
        bench.read_log()
        raise TooLateError(
            f"release: came {opened_s:.3g} s into the log, must not be later than "
            f"{settings.log_before_s + slack_s:.3g} s so that {settings.log_s:.3g} s are left"
        )
    readings = bench.read_log()
    return after_s, Trace(readings.time_s, readings.voltage_v)


def samples_for(duration_s: float, interval_s: float) -> int:
    """How many samples cover a duration."""
    return math.ceil(duration_s / interval_s) + 1


def resting_voltage(trace: Trace) -> float | None:
    """Mean of the last tenth of a log in volt; None where the meter was overloaded there."""
    tail = trace.voltage_v[-max(1, int(len(trace) * REST_SHARE)) :]
    mean = float(tail.mean()) if tail.size else math.nan
    return None if math.isnan(mean) else mean


def who_holds(
    bench: Bench, rest_v: float | None, hold_v: float | None, settings: PressSettings, rail_v: float | None = None
) -> Holder:
    """What keeps the node at its press level after the release: the second path tells, the bus without the unit.

    With the pin's select relay open, the bus falls to zero if the press path is open, and stays if it is welded; joined
    to the rail, a bus that is still pressed to ground makes a divider. A hand
    that has not let go presses the pin itself, behind that relay, so that nothing can be told from it.
    """
    if rest_v is None or hold_v is None:
        return ""
    same_v = 0.02 * settings.rail_v + settings.accuracy_v
    if abs(rest_v - hold_v) > same_v:
        return ""
    if settings.path == "hand" or not bench.has_second_path:
        return "open"
    return "pin" if settings.bus_is_free(bench.bus_alone_voltage(), rail_v) else "press path"
