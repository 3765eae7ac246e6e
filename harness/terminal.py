"""What a person sees of a run: a live view on a terminal, plain lines anywhere else."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from harness.events import BenchMadeSafe, BenchTold, Event, Prompt, RunEnded, RunStarted, TrialFinished, TrialStarted
from harness.step_lines import step_line
from results.analysis.analysis import analyse
from results.analysis.findings import TrialFinding, Verdict
from results.analysis.verdict import ORDER
from results.quantity import show
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import Trial
from results.visible import visible

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

STYLES: dict[str, str] = {
    "stuck high": "bold red",
    "stuck low": "bold red",
    "stuck between": "red",
    "held at press level": "bold magenta",
    "undecided": "yellow",
    "slow": "yellow",
    "released": "green",
    "no contact": "cyan",
    "failed": "cyan",
    "not tested": "dim",
}

BARS = "▁▂▃▄▅▆▇█"
"""Eighths of a line, lowest first: how high the node stood."""


def judged_alone(record: RunRecord, trial: Trial, observation: Observation) -> TrialFinding:
    """What one trial says by itself, while its pin is still being tried; the report may know more."""
    return analyse(replace(record, planned=(trial,)), [(trial, observation)], budgets=False).trials[0]


def trial_line(finding: TrialFinding, done: int, planned: int) -> str:
    """One plain line a finished trial."""
    trial = finding.trial
    settled = "not settled" if finding.settled is None else show(finding.settled.value, "V", digits=4)
    note = f"  ({finding.note})" if finding.note else ""
    found = " as found" if trial.as_found else ""
    return (
        f"{done}/{planned}  {trial.pin}  {trial.condition.pin_setup}  {trial.resistor}  #{trial.repeat}{found}  "
        f"{finding.verdict}  {settled}{note}"
    )


def safe_line(record: RunRecord | None, proof: str = "") -> str:
    """What is known to be safe at the end: nothing of the bench can take a person's finger off the button."""
    told = f"; {proof}" if proof else ""
    if record is not None and record.press_path == "hand":
        return f"bench safe: every output off{told}; if you still press a pin, let go of it now"
    return f"bench safe: every pin let go, every output off{told}"


def sketch(finding: TrialFinding, width: int) -> str:
    """The trace of a trial in one line of bars, from 0 V to the highest level seen; gaps where the meter overloaded."""
    if finding.observation is None or not len(finding.observation.trace):
        return ""
    volts = finding.observation.trace.voltage_v
    step = max(1, len(volts) // width)
    levels = [float(v) for v in volts[::step][:width]]
    top = max((v for v in levels if not math.isnan(v)), default=0.0)
    if top <= 0.0:
        return BARS[0] * len(levels)
    share = [math.nan if math.isnan(v) else min(1.0, max(0.0, v / top)) for v in levels]
    return "".join(" " if math.isnan(s) else BARS[round(s * (len(BARS) - 1))] for s in share)


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"


class PlainLines:
    """A line an event, for pipes, logs and dumb terminals. `write` is given each line without its end."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._record: RunRecord | None = None
        self._planned = 0
        self._done = 0

    def __call__(self, event: Event) -> None:
        match event:
            case RunStarted(record=record, folder=folder, done=done):
                self._record = record
                self._planned = len(record.planned)
                self._done = len(done)
                made = f", {self._done} of them made before" if done else ""
                self._write(
                    f"{record.unit.name} {record.unit.serial}: {self._planned} trials on {len(record.pins)} pins"
                    f"{made}; evidence in {folder}"
                )
                for instrument in record.instruments:
                    self._write(f"{instrument.role}: {instrument.identity} at {instrument.resource}")
            case TrialFinished(trial=trial, observation=observation) if self._record is not None:
                self._done += 1
                if trial.kind != "trial":
                    self._write(step_line(self._record, trial, observation, self._done))
                else:
                    finding = judged_alone(self._record, trial, observation)
                    self._write(trial_line(finding, self._done, self._planned))
            case Prompt(text=text) | BenchTold(text=text):
                self._write(text)
            case BenchMadeSafe(not_verified=not_verified, proof=proof):
                if not not_verified:
                    self._write(safe_line(self._record, proof))
                for problem in not_verified:
                    self._write(f"NOT VERIFIED: {problem}")
            case RunEnded(problem=problem) if problem and self._record is not None:
                self._write(f"ended early: {problem}")
            case _:
                pass


class LiveView:
    """Progress, time left, the pins so far with their verdicts, and the trace in hand."""

    def __init__(self, console: Console) -> None:
        from rich.live import Live

        self._console = console
        self._live: Any = Live(console=console, refresh_per_second=8, transient=True)
        self._record: RunRecord | None = None
        self._verdicts: dict[str, Verdict | None] = {}
        self._title = ""
        self._planned = 0
        self._done = 0
        self._started = 0.0
        self._began = 0.0
        self._before = 0
        self._dwells = 0
        self._dwells_before = 0
        self._dwelt_s = 0.0
        self._now: TrialStarted | None = None
        self._last: TrialFinding | None = None
        self._said = ""

    def __call__(self, event: Event) -> None:
        match event:
            case RunStarted(record=record, folder=folder, done=done):
                self._record = record
                self._done = self._before = len(done)
                self._dwells_before = sum(one.kind == "dwell" and one.sequence in done for one in record.planned)
                self._title = f"{record.unit.name}  {record.unit.serial}   evidence in {folder}"
                self._planned = len(record.planned)
                self._verdicts = {pin.name: None for pin in record.pins}
                self._started = time.monotonic()
                self._live.start()
            case TrialStarted():
                self._now = event
                self._began = time.monotonic()
            case TrialFinished(trial=trial, observation=observation) if self._record is not None:
                self._done += 1
                if trial.kind == "dwell":
                    self._dwells += 1
                    self._dwelt_s += time.monotonic() - self._began
                self._said = ""
                if trial.kind != "trial":
                    self._said = step_line(self._record, trial, observation, self._done)
                else:
                    self._last = judged_alone(self._record, trial, observation)
                    self._note(self._last)
            case Prompt(text=text):
                self._print(f" {text} ", "bold reverse", self._live.console)
            case BenchTold(text=text):
                self._print(text, console=self._live.console)
            case BenchMadeSafe(not_verified=not_verified, proof=proof):
                self._live.stop()
                if not not_verified:
                    self._print(safe_line(self._record, proof))
                for problem in not_verified:
                    self._print(f"NOT VERIFIED: {problem}", "bold red")
                return
            case RunEnded(problem=problem):
                self._live.stop()
                if problem and self._record is not None:
                    self._print(f"ended early: {problem}", "bold red")
                return
        self._live.update(self._picture())

    def _print(self, text: str, style: str = "", console: Console | None = None) -> None:
        """As text: no markup, no emoji by name, no control character."""
        from rich.text import Text

        (console or self._console).print(Text(visible(text), style=style))

    def _note(self, finding: TrialFinding) -> None:
        """A pin's verdict is the worst of its trials with no resistor."""
        if finding.trial.resistor != "none":
            return
        before = self._verdicts.get(finding.trial.pin)
        ranked = [v for v in (before, finding.verdict) if v is not None]
        self._verdicts[finding.trial.pin] = min(ranked, key=ORDER.index)

    def _time_left(self) -> str:
        """Of presses by their mean so far; long dwells apart, for one takes longer than hundreds of presses."""
        if self._record is None or self._done == self._before:
            return "time left: not known yet"
        dwells = sum(trial.kind == "dwell" for trial in self._record.planned) - self._dwells - self._dwells_before
        presses = self._done - self._before - self._dwells
        spent_s = time.monotonic() - self._started - self._dwelt_s
        left_s = spent_s / presses * (self._planned - self._done - dwells) if presses else math.nan
        said = [] if math.isnan(left_s) else [f"about {_span(left_s)} left"]
        if dwells > 0 and self._record.dwell is not None:
            each_s = self._record.dwell.hold_s + self._record.dwell.log_s
            said.append(f"{dwells} long dwell{'s' if dwells > 1 else ''} of {_span(each_s)}")
        return " and ".join(said) or "time left: not known yet"

    def _picture(self) -> RenderableType:
        from rich.columns import Columns
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        pins = [
            Text.assemble((f"{visible(name)} ", "bold"), (verdict or "…", STYLES.get(verdict or "", "dim")))
            for name, verdict in self._verdicts.items()
        ]
        width = max(20, min(100, self._console.width - 4))
        in_hand = Text(visible(self._now.trial.label) if self._now else "", style="bold")
        last = Text(visible(self._said))
        if self._last is not None and not self._said:
            line = visible(trial_line(self._last, self._done, self._planned))
            last = Text(f"{line}\n{sketch(self._last, width)}")
        progress = Table.grid(padding=(0, 2))
        bar = ProgressBar(total=max(1, self._planned), completed=self._done, width=max(10, width - 45))
        progress.add_row(bar, Text(f"{self._done} of {self._planned} trials, {self._time_left()}"))
        return Group(
            Text(visible(self._title), style="bold"),
            progress,
            Columns(pins, padding=(0, 3), equal=True),
            Text.assemble("in hand: ", in_hand),
            last,
        )
