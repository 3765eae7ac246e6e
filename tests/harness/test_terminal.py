"""A person sees progress, verdicts and the trace in hand on a terminal, and plain lines anywhere else."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from harness import step_lines
from harness.events import BenchMadeSafe, Event, Prompt, RunEnded, RunStarted, TrialFinished, TrialStarted
from harness.terminal import LiveView, PlainLines, sketch, trial_line
from results.analysis.findings import TrialFinding
from results.record.observation import Observation
from results.record.run_record import DwellRules, Levels, MeterModel, Rules, RunRecord, Unit
from results.record.trace import Trace
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial

TRIALS = tuple(
    Trial(number, "press_release", pin, NO_RESISTOR, Condition("reset default", 3.3), 1)
    for number, pin in enumerate(("D1", "D2"), start=1)
)
RECORD = RunRecord(
    run="r",
    started_utc="2027-01-14T10:15:00+00:00",
    version="0",
    origin="bench",
    unit=Unit("Test board", "T-1"),
    rail_v=3.3,
    levels=Levels(0.8, 2.0),
    rules=Rules(30e3, 90e3, 0.05, 0.1),
    meter=MeterModel(1e-4, 5e-4),
    pins=(Pin("D1"), Pin("D2")),
    resistors=(Resistor(NO_RESISTOR, None),),
    planned=TRIALS,
    press_path="relay",
)


def observed(rest_v: float) -> Observation:
    """Pressed for 20 ms, then at rest at that voltage for 120 ms."""
    time_s = np.arange(1400) * 1e-4
    noise_v = np.random.default_rng(1).normal(0.0, 3e-4, time_s.size)
    return Observation(
        Trace(time_s, np.where(time_s < 0.02, 3.246, rest_v) + noise_v),
        rail_v=3.3,
        hold_v=3.246,
        released_after_s=0.02,
        contact="board reading",
    )


EVENTS: tuple[Event, ...] = (
    RunStarted(RECORD, Path("runs/x")),
    TrialStarted(TRIALS[0]),
    TrialFinished(TRIALS[0], observed(2.03)),
    Prompt("Connect the bench to pin D1 [b]."),
    TrialStarted(TRIALS[1]),
    TrialFinished(TRIALS[1], observed(0.0)),
    BenchMadeSafe(()),
    RunEnded("", interrupted=False),
)


def plain(events: tuple[Event, ...]) -> list[str]:
    lines: list[str] = []
    view = PlainLines(lines.append)
    for event in events:
        view(event)
    return lines


def test_plain_lines_say_one_thing_each() -> None:
    lines = plain(EVENTS)
    assert lines[0] == "Test board T-1: 2 trials on 2 pins; evidence in runs/x"
    assert lines[1] == "1/2  D1  reset default  none  #1  stuck high  2.03 V"
    assert lines[2] == "Connect the bench to pin D1 [b]."
    assert lines[3].startswith("2/2  D2  reset default  none  #1  released  ")
    assert lines[4:] == ["bench safe: every pin let go, every output off"]


def test_what_could_not_be_verified_is_never_left_out() -> None:
    events = (
        EVENTS[0],
        BenchMadeSafe(("switch: relays not proven open",)),
        RunEnded("switch: gone", interrupted=False),
    )
    assert plain(events)[1:] == ["NOT VERIFIED: switch: relays not proven open", "ended early: switch: gone"]


def test_no_bench_can_take_a_finger_off_the_button() -> None:
    by_hand = RunStarted(replace(RECORD, press_path="hand"), Path("runs/x"))
    said = "bench safe: every output off; if you still press a pin, let go of it now"
    assert plain((by_hand, BenchMadeSafe(())))[1:] == [said]
    assert said in live((by_hand, BenchMadeSafe(()))).replace("\n", " ")


def test_a_run_that_never_started_is_said_once_by_the_command() -> None:
    """The command's own error line tells it; the view used to say it as well."""
    assert plain((RunEnded("meter: gone", interrupted=False),)) == []


def live(events: tuple[Event, ...], stop_before: int | None = None) -> str:
    out = io.StringIO()
    view = LiveView(Console(file=out, force_terminal=True, width=100, color_system=None))
    for event in events:
        view(event)
    return out.getvalue()


def test_the_live_view_shows_progress_pins_and_what_could_not_be_verified() -> None:
    seen = live((*EVENTS[:6], BenchMadeSafe(("source: output not proven off",)), RunEnded("", interrupted=False)))
    for text in ("2 of 2 trials", "D1 stuck high", "D2 released", "in hand: D2", "Connect the bench to pin D1 [b]."):
        assert text in seen
    assert "NOT VERIFIED: source: output not proven off" in seen


def test_names_are_shown_and_not_obeyed_by_the_terminal() -> None:
    """A unit's name could clear the screen, and one in colons was an emoji."""
    named = replace(RECORD, unit=replace(RECORD.unit, name="\x1b[2J\u202e:bomb: [red]"))
    seen = live((RunStarted(named, Path("runs/\x07")), *EVENTS[1:3], Prompt("go \x1b]52;c;\x07:bomb:"), *EVENTS[-2:]))
    assert "[U+001B][2J[U+202E]:bomb: [red]" in seen
    assert "runs/[U+0007]" in seen
    assert "go [U+001B]]52;c;[U+0007]:bomb:" in seen
    for obeyed in ("\x1b[2J", "\x1b]52", "\x07", "\u202e"):
        assert obeyed not in seen


def test_long_dwells_are_told_apart_from_the_time_that_presses_take() -> None:
    """A run used to say "about 0 s left" while its last step took seven minutes."""
    dwell = replace(TRIALS[1], kind="dwell", sequence=3)
    rules = DwellRules(120.0, 300.0, 0.05, 1e-3, 0.5, 1.0)
    planned = replace(RECORD, planned=(*TRIALS, dwell, replace(dwell, sequence=4)), dwell=rules)
    events = (RunStarted(planned, Path("runs/x")), *EVENTS[1:3], TrialStarted(dwell), EVENTS[3], BenchMadeSafe(()))
    assert "left and 2 long dwells of 7 min" in " ".join(live(events).split())
    assert "long dwell" not in live(EVENTS)


def test_of_a_run_that_goes_on_the_trials_made_before_are_counted_and_take_no_time() -> None:
    planned = replace(RECORD, planned=(*TRIALS, replace(TRIALS[1], sequence=3)))
    events = (RunStarted(planned, Path("runs/x"), frozenset({1})), TrialStarted(TRIALS[1]))
    assert plain(events)[0].endswith("3 trials on 2 pins, 1 of them made before; evidence in runs/x")
    assert "1 of 3 trials, time left: not known yet" in live((*events, BenchMadeSafe(())))
    finished = TrialFinished(TRIALS[1], observed(0.0))
    assert plain((*events, finished))[-1].startswith("2/3  D2  ")
    assert "2 of 3 trials, about " in live((*events, finished, BenchMadeSafe(())))


def test_a_trace_is_sketched_from_0_to_its_highest_level() -> None:
    finding = TrialFinding(TRIALS[0], "stuck high", observed(1.6), None, None, None, None, None, "")
    bars = sketch(finding, 70)
    assert len(bars) == 70
    assert (bars[0], bars[-1]) == ("█", "▄")
    assert sketch(finding, 70)[:10] == "█" * 10


def test_a_trial_without_a_settled_voltage_says_so() -> None:
    finding = TrialFinding(TRIALS[0], "failed", None, None, None, None, None, None, "the reason")
    assert trial_line(finding, 1, 2) == "1/2  D1  reset default  none  #1  failed  not settled  (the reason)"
    assert sketch(finding, 70) == ""


def test_a_step_of_another_kind_is_not_judged_as_a_press(monkeypatch: pytest.MonkeyPatch) -> None:
    """A level at which nothing latched used to be shown as a pin that released."""
    monkeypatch.setattr(step_lines, "MAKERS", {})
    step = replace(TRIALS[0], procedure="long_dwell", kind="dwell")
    events: tuple[Event, ...] = (
        RunStarted(replace(RECORD, planned=(step,)), Path("runs/x")),
        TrialStarted(step),
        TrialFinished(step, replace(observed(0.0), notes=("nothing moved",))),
    )
    assert plain(events)[1] == "1/1  D1 reset default dwell #1  measured; nothing moved"
    seen = live((*events, BenchMadeSafe(())))
    assert "dwell #1  measured; nothing moved" in seen
    assert "D1 …" in seen
    assert "released" not in seen
