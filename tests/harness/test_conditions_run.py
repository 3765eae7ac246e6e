"""A run through rails and temperatures, against the simulated bench: each trial under its own condition."""

from __future__ import annotations

import math
import re
import socket
from collections.abc import Mapping
from pathlib import Path

import pytest

from drivers.operator import Operator
from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.events import Event, Prompt
from harness.plan import plan_from_text
from harness.together import check_together
from results.analysis.findings import RunFinding
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, found, plan_text, run_plan, simulated
from tests.harness.wrong_files import BENCH, PLAN, changed

SUPPLIED = "\n[supply]\nnoise_a = 1e-6\n"
SHARE_LEAK = (
    'pull_down = { kind = "linear", resistance_ohm = 60e3 }\nleak_rail_v = 3.3\nleak_doubling_k = 10.0\n'
    'leak = { kind = "plain", current_a = 17.5e-6, knee_v = 0.05 }'
)
"""Rests at 60 kΩ times 17.5 µA, 1.05 V at 3.3 V: stuck above 0.8 V; ten kelvin colder at 0.525 V: released."""


def supplied_board(pins: Mapping[str, str]) -> str:
    text = board_text(pins, extra=SUPPLIED)
    return text.replace("[rail]\nvoltage_v = 3.305", "[unit]\nquiescent_a = 6e-3\n[rail]\nvoltage_v = 3.3")


def supplied_bench(resources: Mapping[str, str], pins: list[str]) -> str:
    return bench_text(resources, pins) + (
        f'[supply]\nresource = "{resources["supply"]}"\ncurrent_limit = "100 mA"\nvoltage_max = "3.7 V"\n'
        'power_up = "50 ms"\nsettle = "20 ms"\n'
    )


def asked(resource: str, query: str) -> str:
    """What a SCPI instrument of the simulated bench answers over a connection of its own."""
    _, host, port, _ = resource.split("::")
    with socket.create_connection((host, int(port)), timeout=5) as peer:
        peer.sendall(f"{query}\n".encode())
        return peer.makefile("r", encoding="ascii").readline().strip()


def stepped(plan: str, rail: str = "", temperature: str = "") -> str:
    return plan.replace('[rail]\nvoltage = "3.3 V"', f'[rail]\nvoltage = "3.3 V"\n{rail}') + temperature


class Chamber:
    """A person with a chamber: sets what is asked for at the hand port, and types in what a thermometer would show."""

    def __init__(self, hand: str, reads: list[str]) -> None:
        self.hand = hand
        self.reads = reads
        self.told: list[str] = []

    def operator(self) -> Operator:
        return Operator(self.told.append, self.told.append, self.type_in)

    def type_in(self, text: str) -> str:
        self.told.append(text)
        found = re.match(r"Bring the board to (-?[\d.]+) °C", text)
        if found:
            host, port = self.hand.rsplit(":", 1)
            with socket.create_connection((host, int(port)), timeout=5) as peer:
                peer.sendall(f"TEMPERATURE {float(found[1]) + 273.15}\n".encode())
                assert peer.makefile("r").readline() == "OK\n"
        return self.reads.pop(0)


def by_condition(finding: RunFinding) -> dict[tuple[float, float | None], str]:
    return {(pin.condition.rail_v, pin.condition.temperature_c): pin.verdict for pin in finding.pins}


def test_every_pin_is_tried_at_each_rail_and_the_supply_is_off_at_the_end(tmp_path: Path) -> None:
    """The rail measured at each step is that of the step; V_IL of JESD8C.01 holds from 3.0 V to 3.6 V."""
    plan = stepped(plan_text(["D1"]), 'steps = ["3.0 V", "3.6 V"]')
    with simulated(tmp_path, supplied_board({"D1": SOUND}), stepped=True) as resources:
        result = run_plan(tmp_path, plan, supplied_bench(resources, ["D1"]))
        assert asked(resources["supply"], "OUTP:STAT?") == "0"
    finding = found(result)
    assert [row.trial.label for row in finding.trials] == [
        "D1 reset default none 3.0V #1",
        "D1 reset default none 3.6V #1",
    ]
    assert by_condition(finding) == {(3.0, None): "released", (3.6, None): "released"}
    for row, rail_v in zip(finding.trials, (3.0, 3.6), strict=True):
        seen = row.observation
        assert seen is not None
        assert seen.rail_v == pytest.approx(rail_v, abs=0.01)
        assert seen.hold_v == pytest.approx(rail_v * 60 / 61, abs=0.02)
        assert seen.supply_a == pytest.approx(6e-3 * rail_v / 3.3, abs=20e-6)
    assert {one.role for one in finding.record.instruments} >= {"supply"}


def test_a_supply_left_on_stands_at_the_nominal_rail(tmp_path: Path) -> None:
    plan = stepped(plan_text(["D1"]), 'steps = ["3.0 V"]\nat_end = "on"')
    with simulated(tmp_path, supplied_board({"D1": SOUND}), stepped=True) as resources:
        found(run_plan(tmp_path, plan, supplied_bench(resources, ["D1"])))
        assert asked(resources["supply"], "OUTP:STAT?") == "1"
        assert float(asked(resources["supply"], "MEAS:VOLT?")) == pytest.approx(3.3)


def test_a_supply_that_gives_way_ends_the_run_before_anything_is_pressed(tmp_path: Path) -> None:
    plan = plan_text(["D1"])
    with simulated(tmp_path, supplied_board({"D1": SOUND}), stepped=True) as resources:
        bench = supplied_bench(resources, ["D1"]).replace('"100 mA"', '"3 mA"')
        result = run_plan(tmp_path, plan, bench)
    assert result.folder is None
    assert re.search(r"set to 3.3 V, it measures 1.65 V: at its current limit\?", str(result.error))


def test_each_temperature_is_soaked_and_measured_before_its_trials(tmp_path: Path) -> None:
    """A leak that doubles every ten kelvin sticks at 23 °C and releases at 13 °C; what was typed in stands with it."""
    temperature = '[temperature]\nsteps = ["13 °C", "23 °C"]\nsoak = "100 ms"\nstable = "0.5 °C"\n'
    events: list[Event] = []
    with simulated(tmp_path, supplied_board({"D1": SHARE_LEAK}), stepped=True) as resources:
        # Not yet at its temperature; then at it, still moving; then soaked. The second step drifts under its trials.
        chamber = Chamber(resources["hand"], ["17.1", "14.2 °C", "13.1", "13.0 degC", "13.2", "22.9", "23", "24"])
        result = run_plan(
            tmp_path,
            stepped(plan_text(["D1"]), temperature=temperature),
            supplied_bench(resources, ["D1"]),
            operator=chamber.operator(),
            events=events,
        )
    finding = found(result)
    assert chamber.reads == []
    assert by_condition(finding) == {(3.3, 13.0): "released", (3.3, 23.0): "stuck between"}
    measured = [row.observation.temperature_c for row in finding.trials if row.observation is not None]
    assert measured == [13.0, 23.0]
    assert [row.trial.label for row in finding.trials] == [
        "D1 reset default none 13C #1",
        "D1 reset default none 23C #1",
    ]
    said = [event.text for event in events if isinstance(event, Prompt)]
    assert "It moved by 2.9 °C, more than 0.5 °C: not yet soaked." in said
    assert (
        "temperature step 23 °C: 23 °C when soaked, 24 °C after the trials, more than 0.5 °C apart"
        in finding.record.notes
    )


def test_without_a_supply_a_person_sets_the_rail(tmp_path: Path) -> None:
    """The bus is looked at once it is set: a rail that was not set is found before the first press."""
    plan = stepped(plan_text(["D1"]), 'steps = ["3.0 V"]')
    told: list[str] = []
    with simulated(tmp_path, board_text({"D1": SOUND}), stepped=True) as resources:
        result = run_plan(tmp_path, plan, bench_text(resources, ["D1"]), operator=Operator(told.append, told.append))
    assert told == ["Set the rail of the board to 3 V, with the current limit as before."]
    assert str(result.error).startswith("rail: reads 3.30")
    assert "must be within 5 % of 3 V" in str(result.error)


def test_a_pin_that_sticks_makes_the_unit_draw_more(tmp_path: Path) -> None:
    """D1 rests between the levels, so that its leak and its input buffer take from the rail what others do not."""
    pins = {"D1": LATCHES, "D2": SOUND}
    board = supplied_board(pins).replace("quiescent_a = 6e-3", "quiescent_a = 6e-3\nshoot_through_a = 150e-6")
    plan = plan_text(list(pins)).replace("repeats = 1", "repeats = 4")
    with simulated(tmp_path, board, stepped=True) as resources:
        finding = found(run_plan(tmp_path, plan, supplied_bench(resources, list(pins))))
    by_name = {pin.pin: pin for pin in finding.pins}
    draw = by_name["D1"].supply
    assert draw is not None
    assert (draw.stuck, draw.released, draw.draws_more) == (4, 4, True)
    assert draw.extra is not None
    # The pull-down of 60 kΩ at 2.03 V, and what is left of the bell at 1.4 V.
    assert draw.extra.value == pytest.approx(34e-6 + 150e-6 * math.exp(-((0.63 / 0.35) ** 2)), abs=4e-6)
    assert by_name["D2"].supply is None


def test_a_chamber_takes_the_board_to_its_temperatures_with_nobody_there(tmp_path: Path) -> None:
    """The same leak sticks at 23 °C and releases at 13 °C; the chamber is off at the end."""
    temperature = '[temperature]\nsteps = ["13 °C", "23 °C"]\nsoak = "2 s"\nstable = "0.5 °C"\nwithin = "1 °C"\n'
    board = supplied_board({"D1": SHARE_LEAK}).replace("[supply]", "[chamber]\ntime_constant_s = 0.3\n[supply]")
    with simulated(tmp_path, board, stepped=True) as resources:
        bench = supplied_bench(resources, ["D1"])
        bench += f'[chamber]\nresource = "{resources["chamber"]}"\nlowest = "0 °C"\nhighest = "40 °C"\n'
        finding = found(run_plan(tmp_path, stepped(plan_text(["D1"]), temperature=temperature), bench))
        assert asked(resources["chamber"], "OUTP:STAT?") == "0"
    assert by_condition(finding) == {(3.3, 13.0): "released", (3.3, 23.0): "stuck between"}
    measured = [row.observation.temperature_c for row in finding.trials if row.observation is not None]
    assert measured == pytest.approx([13.0, 23.0], abs=0.6)


def test_a_step_that_the_chamber_may_not_reach_is_refused() -> None:
    chamber = '[chamber]\nresource = "TCPIP::192.168.0.8::5025::SOCKET"\nlowest = "0 °C"\nhighest = "40 °C"\n'
    plan = plan_from_text(changed(PLAN, ("[advice]", '[temperature]\nsteps = ["25 °C", "60 °C"]\n[advice]')))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(changed(BENCH, ("\n[wiring]\n", f"\n{chamber}\n[wiring]\n"))))
    assert str(caught.value) == (
        "plan.toml: temperature.steps[2]: must be within chamber.lowest and chamber.highest of bench.toml, "
        '0 °C to 40 °C: "60 °C"'
    )
    with pytest.raises(UserFileError, match=r'bench.toml: chamber.lowest: must be below highest of 40 °C: "50 °C"'):
        bench_from_text(changed(BENCH, ("\n[wiring]\n", f"\n{chamber.replace('0 °C', '50 °C', 1)}\n[wiring]\n")))
