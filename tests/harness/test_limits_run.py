"""Whole runs at the limits of their bench, against the simulated bench: what is refused was never sent."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.events import Event, Prompt
from results.analysis.analysis import analyse_folder
from tests.harness.test_conditions_run import asked, supplied_bench, supplied_board
from tests.harness.whole_bench import SOUND, bench_text, board_text, found, plan_text, run_plan, simulated

PINS = {"D1": SOUND, "D2": SOUND}


def _bench(tmp_path: Path, resources: dict[str, str], limits: str) -> tuple[str, Path]:
    path = tmp_path / "bench.toml"
    text = f"{bench_text(resources, list(PINS))}\n[limits]\npress_time = '120 s'\n{limits}\n"
    path.write_text(text, encoding="utf-8")
    return text, path


def test_contacts_are_counted_in_the_run_and_over_runs_and_a_life_that_is_over_ends_the_next(tmp_path: Path) -> None:
    plan = plan_text(list(PINS))
    with simulated(tmp_path, board_text(PINS)) as resources:
        text, path = _bench(tmp_path, resources, "")
        counts = {}
        for _ in range(2):
            finding = found(run_plan(tmp_path, plan, text, path=path))
            counts = {one.wire: one for one in finding.record.contacts}
            assert counts["select.D1"].closings >= 1
            # Each of the two trials presses once; the bus is looked at through the press relay too.
            assert counts["press"].closings >= 2
            assert counts["fit.8.2 kΩ"].life is None
        assert counts["press"].closings_total == 2 * counts["press"].closings
        kept = json.loads((tmp_path / "bench.contacts.json").read_text())
        assert kept["closings"]["relay_board 1"] == counts["press"].closings_total
        life = counts["press"].closings_total + 1
        text, path = _bench(tmp_path, resources, f'contact_lives = {{ "relay_board 1" = {life} }}')
        events: list[Event] = []
        result = run_plan(tmp_path, plan, text, path=path, events=events)
    assert str(result.error) == (
        f"relay_board 1: has closed {life} times, and limits.contact_life is {life}: put a new relay there, and its "
        "count in the file of contacts back to 0"
    )
    assert result.not_verified == ()
    told = [event.text for event in events if isinstance(event, Prompt)]
    assert told[0].startswith(f"relay_board 1 (press) has closed {life - 1} times, ")
    assert result.folder is not None
    record = analyse_folder(result.folder.path).record
    assert {one.wire: one.closings for one in record.contacts}["press"] == 1
    assert any("of limits.contact_life of" in note for note in record.notes)


def test_a_contact_that_may_close_so_often_a_minute_makes_the_run_wait_and_say_so(tmp_path: Path) -> None:
    events: list[Event] = []
    with simulated(tmp_path, board_text(PINS)) as resources:
        text, path = _bench(tmp_path, resources, "relay_cycles_per_minute = 2")
        found(run_plan(tmp_path, plan_text(["D1"]), text, path=path, events=events))
    told = [event.text for event in events if isinstance(event, Prompt)]
    assert any("waits" in text and "limits.relay_cycles_per_minute is 2" in text for text in told)


HOSTILE = """
from drivers.errors import LimitError


def hostile(bench, trial, settings):
    {attack}
"""


@pytest.mark.parametrize(
    ("attack", "text"),
    [
        ('bench.source.instrument.link.send("SOUR:VOLT 50")', "is no command of this instrument"),
        ("bench.source.prepare(20.0, 0.1)", "must be a number within limits."),
        ('bench._relays.devices["relay_board"].close("1")', "wiring.press is closed by a press or a check"),
        ('bench.meter.instrument.link.send("CONF:RES")', "is no command of this instrument"),
        (
            'bench.rail_voltage(); bench.select("D1"); bench.pressed("D1", "source", 3.9).__enter__()',
            "above the rail of 3.30",
        ),
        (
            'bench.rail_voltage(); bench.select("D1"); bench.clock.wait(61.0); '
            'bench.pressed("D1", "relay", 3.3).__enter__()',
            "the rail was measured 6",
        ),
    ],
)
def test_a_procedure_of_ones_own_meets_the_same_limits(attack: str, text: str, tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    (own / "hostile.py").write_text(HOSTILE.format(attack=attack), encoding="utf-8")
    plan = plan_text(["D1"], trials='procedure = "hostile.py"')
    with simulated(tmp_path, board_text(PINS)) as resources:
        bench, path = _bench(tmp_path, resources, "")
        result = run_plan(tmp_path, plan, bench, path=path, procedures=[own])
    assert text in str(result.error)
    assert result.not_verified == ()


FED = """
def fed(bench, trial, settings):
    bench.power_off()
    bench.rail_voltage()
    bench.select(trial.pin)
    with bench.pressed(trial.pin, "relay", 3.3):
        raise AssertionError("pressed")
"""


def test_a_board_that_another_line_feeds_is_not_pressed_and_the_line_says_what_can_be_told(tmp_path: Path) -> None:
    """A line of 3.3 V less the clamp's 0.4 V, through 120 Ω into the 550 Ω that the unit is: 2.38 V (Ohm's law)."""
    line = '[[lines]]\nname = "console"\nvoltage_v = 3.3\nresistance_ohm = 100.0\n'
    own = tmp_path / "own"
    own.mkdir()
    (own / "fed.py").write_text(FED, encoding="utf-8")
    plan = plan_text(["D1"], trials='procedure = "fed.py"')
    with simulated(tmp_path, supplied_board({"D1": SOUND}).replace("[supply]", f"{line}[supply]")) as resources:
        text = supplied_bench(resources, ["D1"])
        result = run_plan(tmp_path, plan, text, procedures=[own])
        assert float(asked(resources["supply"], "MEAS:VOLT?")) == pytest.approx(2.9 * 550.0 / 670.0, rel=1e-3)
    assert result.error is not None
    said = str(result.error)
    assert said.startswith("press of D1 by relay: the supply of the board is off, though its rail reads 2.3")
    assert "V: The supply measures 2.3" in said
    assert "mA. A line that is high feeds a board through the clamp diode of its pin" in said
    assert result.not_verified == ()
