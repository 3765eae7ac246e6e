"""The trials of a run, one after another: procedure, samples, journal, event; and what ends a run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from drivers.bench import Bench
from drivers.errors import BenchError, StopRequestedError, WiringError
from harness.bench_file import BenchFile
from harness.bus_watch import BusWatch
from harness.condition_watch import ConditionWatch
from harness.errors import TryFailedError, UserFileError
from harness.events import Listener, Prompt, TrialFinished, TrialStarted
from harness.plan import Plan
from harness.procedure_file import LoadedProcedure
from harness.record import press_settings
from harness.recovery import Recovery, failed
from harness.steps import OF_A_KIND
from procedures.errors import ProcedureError, TooLateError
from procedures.neighbours import neighbours_held
from procedures.settings import PressSettings
from results.quantity import show
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.trial import Trial


def make_trials(
    bench: Bench, folder: RunFolder, procedure: LoadedProcedure, plan: Plan, file: BenchFile, listen: Listener
) -> None:
    """Make every planned trial that the folder does not hold yet, in the order planned.

    Raises BenchError, HarnessError and ResultsError for what ends a run; the trial in hand is then recorded as failed,
    or not at all.
    """
    nominal = press_settings(plan, file)
    at_rail = {rail_v: press_settings(plan, file, rail_v) for rail_v in plan.rail.all_v}
    conditions = ConditionWatch(bench, plan, lambda text: listen(Prompt(text)))
    done = folder.done()
    bus = BusWatch(bench, nominal, gone_on=bool(done))
    recovery = Recovery(bench, folder, plan.retest, listen, (conditions.look_again, bus.look_again))
    for trial in folder.record.planned:
        if trial.sequence in done:
            continue
        # A procedure of one's own may have swallowed the request.
        bench.clock.check_stop()
        listen(TrialStarted(trial))
        step = procedure if trial.kind == "trial" else OF_A_KIND[trial.procedure]
        settings = at_rail.get(trial.condition.rail_v, nominal)
        once = partial(_once, step, bench, trial, settings, conditions, bus)
        observation = recovery.made(trial, partial(_as_found, once, recovery) if trial.as_found else once)
        listen(TrialFinished(trial, observation))
        _refuse_welded(trial, observation, settings)
    recovery.through(bus.after_the_last)
    recovery.through(conditions.after_the_last)
    if conditions.notes:
        folder.add_notes(conditions.notes)


def _as_found(once: Callable[[], Observation], recovery: Recovery) -> Observation:
    """A board whose supply was switched off since the run began is not as it was found."""
    observation = once()
    if not recovery.power_was_off:
        return observation
    note = "the board's power was taken away before: not as it was found"
    return replace(observation, notes=(*observation.notes, note))


def _once(
    procedure: LoadedProcedure,
    bench: Bench,
    trial: Trial,
    settings: PressSettings,
    conditions: ConditionWatch,
    bus: BusWatch,
) -> Observation:
    """One try of a trial under its condition, on a bench that stands before and after it as it was told.

    What its pin would not do is in the observation. Raises BenchError for a fault of the bench, TooLateError and
    TryFailedError where another try may do, and UserFileError where a procedure of one's own is wrong.
    """
    bus.leave(trial)
    conditions.before(trial)
    bus.before(trial, settings)
    rail_v = bench.rail_set_v
    observation = conditions.noted(_observed(procedure, bench, trial, settings))
    _refuse_unfinished(procedure, bench, trial, rail_v)
    bench.prove_as_set()
    return observation


def _observed(procedure: LoadedProcedure, bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    try:
        return _carried_out(procedure, bench, trial, settings)
    except (StopRequestedError, UserFileError, TooLateError):
        raise
    except (ProcedureError, BenchError) as exc:
        if isinstance(exc, BenchError) and type(exc) is not BenchError:
            raise  # a wire, an instrument, the wiring or a limit
        if bench.state == "fault":
            raise BenchError(f"{trial.label}: {exc}") from exc
        if isinstance(exc, BenchError):
            raise TryFailedError(str(exc)) from exc
        return failed(exc)
    except BaseException as exc:
        if not procedure.path:
            raise
        # Whatever a stranger's file raises, SystemExit and KeyboardInterrupt too: signals do not come this way.
        raise UserFileError(procedure.path, trial.label, f"the procedure failed: {_one_line(exc)}") from exc


def _carried_out(procedure: LoadedProcedure, bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    bench.add(trial.condition.capacitor)
    with neighbours_held(bench, trial, settings):
        return procedure.function(bench, trial, settings)


def _one_line(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split()).removesuffix(":")


def _refuse_unfinished(procedure: LoadedProcedure, bench: Bench, trial: Trial, rail_v: float | None) -> None:
    """Raises UserFileError where a procedure has come back with something still pressed, grounded or logging, or with
    another rail than `rail_v`, which it found."""
    rules = {
        "pressed": "must let go of the pin before it returns",
        "pressed and logging": "must let go of the pin before it returns",
        "released and logging": "must read its log before it returns",
        "grounded": "must part the pin from ground before it returns",
        "grounded and logging": "must part the pin from ground before it returns",
    }
    rule = rules.get(bench.state, "")
    if bench.under_way is not None:
        rule = f"must end what it has begun before it returns: {bench.under_way}"
    elif bench.pins_held:
        rule = f"must let go of {', '.join(bench.pins_held)}, which it holds, before it returns"
    elif rail_v is not None and bench.rail_set_v != rail_v:
        now = "off" if bench.rail_set_v is None else f"at {show(bench.rail_set_v, 'V')}"
        rule = f"must set the rail back to {show(rail_v, 'V')} before it returns, it is {now}"
    if rule:
        raise UserFileError(procedure.path or procedure.name, trial.label, rule)


def _refuse_welded(trial: Trial, observation: Observation, settings: PressSettings) -> None:
    """A press path that does not open keeps every following pin pressed: the run ends here.

    Raises WiringError.
    """
    if observation.holder == "press path":
        wire, relay = (
            ("source", "series relay of the source") if settings.path == "source" else ("press", "press relay")
        )
        raise WiringError(
            f"wiring.{wire}: after the release in {trial.label} the bus kept the press level with no pin on it: "
            f"the {relay} is welded"
        )
