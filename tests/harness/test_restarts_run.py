"""A restart behind an open connection, and a knob that is turned, cost a try and put no wrong number in the record."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from drivers.bench import Bench
from harness.demo import simulated_bench
from harness.events import BenchTold, Event, Prompt
from procedures.press_release import press_release
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.trial import Trial
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, found, plan_text, run_plan

PINS = {"D1": LATCHES, "D2": SOUND}
NAMES = tuple(PINS)
RETEST = '[retest]\nfirst_wait = "20 ms"\n'


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A simulated bench on which no time passes but by waiting: the computer's load costs no release."""
    path = tmp_path_factory.mktemp("simulated") / "board.toml"
    path.write_text(board_text(PINS, "[supply]\non = true\n[chamber]\n"), encoding="utf-8")
    with simulated_bench(path, stepped=True) as served:
        yield served


def hand(resources: dict[str, str], line: str) -> None:
    """A person at the bench."""
    host, port = resources["hand"].rsplit(":", 1)
    with socket.create_connection((host, int(port)), timeout=5) as wire:
        wire.sendall(line.encode() + b"\n")
        assert wire.recv(100).decode().strip() == "OK", line


def knob(resources: dict[str, str], role: str, message: str) -> None:
    """A setting changed behind the run's back, over a connection of its own."""
    _, host, port, _ = resources[role].split("::")
    with socket.create_connection((host, int(port)), timeout=5) as wire:
        wire.sendall(message.encode() + b";*OPC?\n")
        assert wire.recv(100).decode().strip() == "1"


@dataclass
class Once:
    """The ordinary trial, in which something happens once: right after a call of `moment`, with this resistor."""

    act: Callable[[], None]
    moment: str
    resistor: str = "none"
    done: list[str] = field(default_factory=list)

    def __call__(self, bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
        def now() -> None:
            if not self.done and trial.resistor == self.resistor:
                self.done.append(trial.label)
                self.act()

        before = getattr(bench, self.moment)

        def hooked(*args: object, **names: object) -> object:
            result = before(*args, **names)
            now()
            return result

        setattr(bench, self.moment, hooked)
        try:
            return press_release(bench, trial, settings)
        finally:
            delattr(bench, self.moment)


def bench_file(resources: dict[str, str]) -> str:
    text = bench_text(resources, NAMES).replace("speed = 10", f'resource = "{resources["clock"]}"')
    return text + f'[supply]\nresource = "{resources["supply"]}"\ncurrent_limit = "100 mA"\n'


def run_with(
    tmp_path: Path, resources: dict[str, str], once: Once, monkeypatch: pytest.MonkeyPatch, path: str = "relay"
) -> tuple[RunFolder, list[str]]:
    """A run of four trials, in the first of which something happens; all four verdicts are the right ones."""
    events: list[Event] = []
    monkeypatch.setattr("procedures.press_release.press_release", once)
    plan = RETEST + plan_text(NAMES, path=path, resistors='["none", "8.2 kΩ"]', trials='order = "as listed"')
    finding = found(result := run_plan(tmp_path, plan, bench_file(resources), events=events))
    assert once.done, "nothing happened"
    assert {(row.trial.pin, row.trial.resistor): row.verdict for row in finding.trials} == {
        ("D1", "none"): "stuck high",
        ("D1", "8.2 kΩ"): "released",
        ("D2", "none"): "released",
        ("D2", "8.2 kΩ"): "released",
    }
    assert result.folder is not None
    return RunFolder.open(result.folder.path), [event.text for event in events if isinstance(event, BenchTold)]


RESTARTS = {
    # Before the press: the pin would not be on the bus, or without its resistor.
    "switch": ("switch", "discharge", r"it restarted \(event status 128: power on\)"),
    "relay_board": ("relay_board", "fit", r"the closed list was set to 2 5, .*; reply '2'"),
    # While the log runs: what is read of it is another meter's.
    "meter": ("meter", "read_log", r"it restarted \(event status 128: power on\)"),
    "source": ("source", "read_log", r"it restarted \(event status 128: power on\)"),
    "supply": ("supply", "read_log", r"it restarted \(event status 128: power on\)"),
}
"""Role, right after which call of the procedure it restarts, what is told."""


@pytest.mark.parametrize("name", RESTARTS)
def test_a_restart_costs_the_trial_in_hand_a_try_and_no_more(
    name: str, resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    role, moment, told = RESTARTS[name]
    hit = 2 if role == "relay_board" else 1
    once = Once(lambda: hand(resources, f"RESTART {role}"), moment, "none" if hit == 1 else "8.2 kΩ")
    path = "source" if role == "source" else "relay"
    folder, lines = run_with(tmp_path, resources, once, monkeypatch, path)
    assert folder.tries() == {number: 1 + (number == hit) for number in (1, 2, 3, 4)}
    outcomes = [(trial.sequence, seen.outcome) for trial, seen in folder.every_try()]
    assert outcomes.index((hit, "failed")) == hit - 1
    assert [outcome for _, outcome in outcomes].count("measured") == 4
    failed = folder.every_try()[hit - 1][1]
    assert re.search(told, failed.notes[0]), failed.notes
    [happening] = folder.happenings()
    assert (happening.kind, happening.role, happening.sequence, happening.tries) == ("recovered", role, hit, 1)
    assert happening.text.startswith(f"{role} lost (")
    assert happening.text.endswith(f"): {lines[-1].removeprefix(role).lstrip()}")


KNOBS = {
    "range": ("meter", "SENS:VOLT:DC:RANG 100", r"the range was set to 10 V, .*; reply '\+1.0+E\+02'"),
    "impedance": ("meter", "INP:IMP 1E10", r"the input impedance was set to 1e\+07 Ω, .*; reply '\+1.0+E\+10'"),
    "byte order": ("meter", "FORM:BORD SWAP", "bytes|byte order"),
    "display": ("meter", 'DISP:TEXT "D9"', "the text on the display was set to D1 .*; reply '\"D9\"'"),
    "channel": ("switch", "ROUT:CLOS (@140)", r"the closed list was set to \(@101\), .*; reply '\(@101,140\)'"),
    "rail": ("supply", "SOUR:VOLT 2.5", "the voltage was set to 3.3 V, .*; reply '\\+2.5"),
    "output": ("supply", "OUTP OFF", "the output was set to on, .*; reply '0'"),
    "level": ("source", "SOUR:VOLT 2", r"the level was set to 0 V, .*; reply '\+2.0"),
}
"""Role, what somebody sets, what is told."""


@pytest.mark.parametrize("name", KNOBS)
def test_a_knob_that_is_turned_costs_a_try_too(
    name: str, resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    role, message, told = KNOBS[name]
    # Once the log is complete: up to there the numbers are right, and nobody could know it.
    once = Once(lambda: knob(resources, role, message), "read_log")
    folder, _ = run_with(tmp_path, resources, once, monkeypatch)
    assert folder.tries() == {1: 2, 2: 1, 3: 1, 4: 1}
    failed = folder.every_try()[0][1]
    assert failed.outcome == "failed"
    assert re.search(told, failed.notes[0]), failed.notes
    assert [one.role for one in folder.happenings()] == [role]


def test_an_instrument_that_breaks_its_connection_as_it_restarts_is_opened_anew(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    once = Once(lambda: hand(resources, "RESTART meter dropped"), "start_log")
    folder, lines = run_with(tmp_path, resources, once, monkeypatch)
    assert folder.tries()[1] == 2
    [happening] = folder.happenings()
    assert (happening.role, happening.kind) == ("meter", "recovered")
    assert "the connection is gone" in happening.text
    assert lines[0].endswith("; bench made safe")


def test_a_board_that_resets_itself_in_mid_trial_is_set_up_again(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its pin would be tried in another setup than the record says."""
    once = Once(lambda: hand(resources, "RESTART board"), "start_log")
    monkeypatch.setattr("procedures.press_release.press_release", once)
    plan = RETEST + plan_text(["D2"], trials='pin_setups = ["buffer off"]')
    result = run_plan(tmp_path, plan, bench_file(resources))
    assert [row.verdict for row in found(result).trials] == ["released"]
    assert result.folder is not None
    folder = RunFolder.open(result.folder.path)
    assert folder.tries() == {1: 2}
    [happening] = folder.happenings()
    assert happening.role == "board"
    assert "the setup of D2 was set to buffer off, it reads back another" in happening.text


def test_a_chamber_that_restarts_is_soaked_anew_before_the_trial_is_made_again(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It has begun to drift to the room meanwhile, and making safe has switched it off."""
    once = Once(lambda: hand(resources, "RESTART chamber"), "release")
    monkeypatch.setattr("procedures.press_release.press_release", once)
    events: list[Event] = []
    bench = (
        bench_file(resources) + f'[chamber]\nresource = "{resources["chamber"]}"\nlowest = "0 °C"\nhighest = "60 °C"\n'
    )
    plan = RETEST + '[temperature]\nsteps = ["45 °C"]\nsoak = "60 s"\nwithin = "1 °C"\n' + plan_text(["D2"])
    finding = found(result := run_plan(tmp_path, plan, bench, events=events))
    assert result.folder is not None
    assert result.folder.tries() == {1: 2}
    [happening] = result.folder.happenings()
    assert (happening.role, happening.kind) == ("chamber", "recovered")
    soaks = [event.text for event in events if isinstance(event, Prompt) and event.text.startswith("Soaking at 45 °C")]
    assert len(soaks) >= 2
    [row] = finding.trials
    assert row.observation is not None
    assert row.observation.temperature_c == pytest.approx(45.0, abs=1.0)


def test_a_board_that_lost_its_power_in_a_recovery_is_not_as_it_was_found(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    once = Once(lambda: hand(resources, "RESTART meter"), "release")
    monkeypatch.setattr("procedures.press_release.press_release", once)
    plan = RETEST + plan_text(["D2"], trials="as_found = true")
    result = run_plan(tmp_path, plan, bench_file(resources))
    rows = found(result).trials
    assert [(row.trial.as_found, row.verdict) for row in rows] == [(True, "released"), (False, "released")]
    told = ["the board's power was taken away before: not as it was found" in row.note for row in rows]
    assert told == [True, False]
