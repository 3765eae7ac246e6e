"""The drivers work a bench that they know only through sockets and serial lines, physics behind it included."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from drivers.bench import Bench
from drivers.board import Board
from drivers.clock import Clock
from drivers.dialect import Dialect
from drivers.instrument import Instrument
from drivers.limits import Limits
from drivers.link import Link
from drivers.meter import Meter
from drivers.press import PressPath
from drivers.relay_board import RelayBoard
from drivers.reply import FloatArray
from drivers.serial_link import open_serial_link
from drivers.source import Source
from drivers.switch import Switch
from drivers.visa_link import open_visa_link
from drivers.wiring import Channel, Wiring

SPEED = 2.0
RAIL_V = 3.3
PULL_DOWN_OHM = 60e3

BOARD_FILE = """
seed = 5
[relays]
spread = 0.0
[meter]
noise_v = 1e-5
[wiring]
press     = { channel = "switch 201", resistor_ohm = 1000.0 }
discharge = { channel = "switch 202", resistor_ohm = 1000.0 }
rail      = { channel = "switch 203", resistor_ohm = 10000.0 }
source    = { channel = "switch 204", resistor_ohm = 0.0 }
[[wiring.fit]]
nominal_ohm = 10000.0
channel = "relay_board 1"
[[pins]]
name = "quiet"
node_capacitance_f = 1e-7
[[pins]]
name = "sticky"
leak = { kind = "mid level", plateau_a = 1.2e-4, up_v = 0.75, up_width_v = 0.06, down_v = 2.0, down_width_v = 0.05 }
"""

WIRING = Wiring(
    select={"quiet": Channel("switch", "101"), "sticky": Channel("switch", "102")},
    press=Channel("switch", "201"),
    press_ohm=1e3,
    discharge=Channel("switch", "202"),
    discharge_ohm=1e3,
    rail=Channel("switch", "203"),
    rail_ohm=10e3,
    source=Channel("switch", "204"),
    fit={"10 kΩ": Channel("relay_board", "1")},
)


@dataclass
class Log:
    hold_v: float
    released_s: float
    time_s: FloatArray
    voltage_v: FloatArray


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    board_file = tmp_path_factory.mktemp("bench") / "board.toml"
    board_file.write_text(BOARD_FILE, encoding="utf-8")
    command = [sys.executable, "-m", "drivers.simulated.serve", str(board_file), "--speed", str(SPEED)]
    root = Path(__file__).parents[2]
    with ExitStack() as stack:
        server = stack.enter_context(
            subprocess.Popen(
                [*command, "--until-stdin-ends"], cwd=root, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
        )
        stack.callback(server.terminate)
        assert server.stdout is not None
        ready = server.stdout.readline()
        assert ready.startswith("ready "), ready
        resources: dict[str, str] = json.loads(ready.removeprefix("ready "))
        clock = Clock(SPEED)
        instruments: dict[str, Instrument] = {}
        for role in ("meter", "source", "switch", "relay_board", "board"):
            is_line = role in ("relay_board", "board")
            link: Link = open_serial_link(resources[role]) if is_line else open_visa_link(resources[role])
            stack.callback(link.close)
            instruments[role] = Instrument(link, Dialect(role), name=role)
        bench = Bench(
            clock=clock,
            meter=Meter(instruments["meter"], clock),
            limits=Limits(),
            wiring=WIRING,
            switch=Switch(instruments["switch"]),
            relay_board=RelayBoard(instruments["relay_board"]),
            source=Source(instruments["source"], clock),
            board=Board(instruments["board"]),
        )
        bench.prepare()
        yield bench
        assert bench.make_safe() == []


def _press(bench: Bench, pin: str, path: PressPath) -> Log:
    """The node after a release, logged at 1 ms for so long that a busy host does not miss it."""
    bench.label(f"{pin} {path}")
    bench.select(pin)
    bench.discharge(0.02)
    with bench.pressed(pin, path, RAIL_V, hold_s=0.02):
        bench.clock.wait(0.02)
        hold_v = bench.voltage()
        bench.start_log(1e-3, 400)
        began_s = bench.clock.now()
        bench.clock.wait(0.01)
        released_s = bench.release() - began_s
        readings = bench.read_log()
    return Log(hold_v, released_s, readings.time_s, readings.voltage_v)


def test_everything_names_itself(opened: Bench) -> None:
    assert set(opened.identities) == {"switch", "relay_board", "source", "meter", "board"}
    assert all(identity.count(",") == 3 for _, identity in opened.identities.values())


def test_the_rail_is_read_through_its_divider(opened: Bench) -> None:
    opened.deselect()
    assert opened.rail_voltage() == pytest.approx(RAIL_V, abs=1e-3)


def test_a_quiet_pin_is_held_by_the_divider_and_falls_to_zero(opened: Bench) -> None:
    """Hold level: 60 kΩ || 10 MΩ against 1 kΩ; time constant: 100.12 nF times that pull-down, 5.97 ms."""
    opened.fit("none")
    log = _press(opened, "quiet", "relay")
    node_ohm = 1.0 / (1.0 / PULL_DOWN_OHM + 1.0 / 10e6)
    assert log.hold_v == pytest.approx(RAIL_V * node_ohm / (node_ohm + 1e3), abs=2e-3)
    assert log.voltage_v[0] == pytest.approx(log.hold_v, abs=2e-3)
    after = int(np.argmax(log.voltage_v < 0.9 * log.hold_v)) + 1
    tau_s = 100.12e-9 * node_ohm
    fall = log.voltage_v[after + 10] / log.voltage_v[after]
    assert fall == pytest.approx(np.exp(-10e-3 / tau_s), rel=0.02)
    # The trace begins no later than 2 ms (arming) after the log was started, and a contact opens after its command.
    assert log.time_s[after] > log.released_s - 5e-3


def test_a_sticky_pin_rests_where_its_leak_meets_its_pull_down(opened: Bench) -> None:
    """The made-up pin of a 120 µA plateau and 60 kΩ rests at 2.03 V; 10 kΩ outside leaves it at 1.02 V."""
    opened.fit("none")
    log = _press(opened, "sticky", "relay")
    assert np.mean(log.voltage_v[-100:]) == pytest.approx(2.03, abs=0.02)
    assert opened.bus_alone_voltage() == pytest.approx(0.0, abs=5e-3)
    opened.fit("10 kΩ")
    log = _press(opened, "sticky", "relay")
    assert np.mean(log.voltage_v[-100:]) == pytest.approx(1.02, abs=0.02)
    opened.fit("none")


def test_a_source_releases_by_its_relay_and_a_sticky_pin_stays(opened: Bench) -> None:
    log = _press(opened, "sticky", "source")
    assert log.hold_v == pytest.approx(RAIL_V, abs=5e-3)
    assert np.mean(log.voltage_v[-100:]) == pytest.approx(2.03, abs=0.02)
    assert opened.press_level() == (RAIL_V, 0.0, 0.0)


def test_the_board_is_set_up_and_reads_its_pin(opened: Bench) -> None:
    board = opened.board
    assert board is not None
    opened.fit("none")
    _press(opened, "sticky", "relay")
    assert board.read("sticky") == "high"
    board.setup("sticky", "buffer off")
    assert board.read("sticky") == ""
    board.reset()
    assert board.read("sticky") == "low"


def test_the_bench_is_made_safe_and_can_go_on_after_being_prepared(opened: Bench) -> None:
    opened.select("quiet")
    with opened.pressed("quiet", "source", RAIL_V):
        assert opened.make_safe() == []
    assert str(opened.state) == "safe"
    opened.prepare()
    assert str(opened.state) == "idle"
