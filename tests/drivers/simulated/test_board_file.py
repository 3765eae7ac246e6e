"""A board file is read whole or refused in one line that names key, rule and value."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from drivers.simulated.board_file import BoardFileError, Channel, parse_board, read_board_file
from drivers.simulated.leak import net_pin_current

PIN = '[[pins]]\nname = "D1"\n'
FERNHILL = Path(__file__).parents[3] / "harness" / "fernhill" / "board.toml"


def test_pins_are_selected_in_order_where_the_file_says_nothing() -> None:
    board = parse_board(PIN + '[[pins]]\nname = "D7"\n')

    assert board.select_channels() == {"D1": Channel("switch", 101), "D7": Channel("switch", 102)}
    assert board.contacts() == {"select D1": Channel("switch", 101), "select D7": Channel("switch", 102)}


def test_every_contact_has_the_channel_that_the_file_gives_it() -> None:
    board = parse_board(
        '[wiring]\npress = { channel = "relay_board 3" }\n[wiring.select]\nD1 = "relay_board 9"\n'
        '[[wiring.fit]]\nnominal_ohm = 8200\nchannel = "switch 301"\n' + PIN
    )

    assert board.contacts() == {
        "press": Channel("relay_board", 3),
        "select D1": Channel("relay_board", 9),
        "fit 8200": Channel("switch", 301),
    }


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("colour = 1\n" + PIN, "board.toml: colour: unknown key"),
        (PIN + "colour = 1\n", "board.toml: pins.0.colour: unknown key"),
        (
            PIN + "node_capacitance_f = -1\n",
            "board.toml: pins.0.node_capacitance_f: Input should be greater than 0: -1",
        ),
        (PIN + 'needle = "bent"\n', "board.toml: pins.0.needle: Input should be 'ok' or 'open': 'bent'"),
        (
            PIN + "leak_probability = 1.5\n",
            "board.toml: pins.0.leak_probability: Input should be less than or equal to 1",
        ),
        (PIN + 'leak = { kind = "mid level" }\n', "board.toml: pins.0.leak.mid level.plateau_a: Field required"),
        (
            PIN + 'leak = { kind = "table", voltage_v = [0.0, 1.0], current_a = [0.0] }\n',
            "board.toml: pins.0.leak.table: needs as many currents as voltages, two or more: 2, 1",
        ),
        (
            PIN + 'leak = { kind = "table", voltage_v = [1.0, 0.0], current_a = [0.0, 0.0] }\n',
            "board.toml: pins.0.leak.table: voltage_v must rise: [1.0, 0.0]",
        ),
        (PIN + PIN, "board.toml: pins: two pins are called D1"),
        ("seed = 1\n", "board.toml: pins: Field required"),
        (
            '[wiring]\npress = { channel = "card 1" }\n' + PIN,
            "board.toml: wiring.press.channel: must read 'switch <number>' or 'relay_board <number>': 'card 1'",
        ),
        (
            '[wiring]\npress = { channel = "switch 101" }\n' + PIN,
            "board.toml: wiring: switch 101 drives both press and select D1",
        ),
        ('[wiring.select]\nD2 = "switch 1"\n' + PIN, "board.toml: wiring.select: there is no pin D2"),
        ('[faults]\nwelded = ["press"]\n' + PIN, "board.toml: faults: there is no contact 'press'"),
        ("seed = \n", "board.toml: not TOML: Invalid value"),
    ],
)
def test_a_wrong_file_is_refused_in_one_line(text: str, expected: str) -> None:
    with pytest.raises(BoardFileError) as caught:
        parse_board(text)
    assert str(caught.value).startswith(expected)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('"\\u001b[2J" = 1\n' + PIN, "board.toml: [U+001B][2J: unknown key"),
        ('seed = "' + "x" * 500 + '"\n' + PIN, f"unable to parse string as an integer: 'xxx{'x' * 75}…"),
        (
            "seed = 0x" + "f" * 5000 + "\n" + PIN,
            "seed: Input should be less than 9223372036854775808: a number of thousands",
        ),
        ("seed = " + "9" * 5000 + "\n" + PIN, "board.toml: not TOML: Exceeds the limit"),
        ("".join(f'[[pins]]\nname = "D{n}"\n' for n in range(10_000)) + PIN, "pins: two pins are called D1"),
    ],
    ids=["escape", "long text", "long number", "longer number", "many pins"],
)
def test_a_strangers_file_is_refused_in_one_line_that_a_terminal_does_not_obey(text: str, told: str) -> None:
    """Numbers of thousands of digits were a traceback, and ten thousand pins took minutes."""
    with pytest.raises(BoardFileError) as caught:
        parse_board(text)
    assert told in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_not_waited_for_and_a_huge_file_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    os.mkfifo(path)
    with pytest.raises(BoardFileError, match=r"board.toml: cannot be read: is not a regular file$"):
        read_board_file(path)
    path.unlink()
    with path.open("wb") as large:
        large.truncate(1_000_001)
    with pytest.raises(BoardFileError, match=r"board.toml: must not be larger than 1000000 bytes$"):
        read_board_file(path)


def test_a_file_that_is_not_there_is_refused_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(BoardFileError, match=r"none\.toml: cannot be read: No such file or directory$"):
        read_board_file(tmp_path / "none.toml")


def _safe_ohm(name: str) -> float | None:
    """Largest safe resistance from the truth: 1 / max over V in [V_IL, rail] of I_net(V)/V (0.8 V to 3.3 V)."""
    board = read_board_file(FERNHILL)
    pin = next(pin for pin in board.pins if pin.name == name)
    current = net_pin_current(pin, "reset default", leak_factor=1.0, rail_v=board.rail.voltage_v, output_ohm=50.0)
    required_s = max(current(float(v)) / float(v) for v in np.linspace(0.8, 3.3, 2501))
    return 1 / required_s if required_s > 0 else None


def test_the_fernhill_board_has_the_pins_that_the_demo_tells_of() -> None:
    board = read_board_file(FERNHILL)
    safe = {pin.name: _safe_ohm(pin.name) for pin in board.pins}
    leaky = {name: ohm for name, ohm in safe.items() if ohm is not None}
    kinds = [pin.leak.kind for pin in board.pins]

    assert list(safe) == [f"D{index}" for index in range(1, 25)]
    # The strong ones stick with 10 kohm and release with 8.2 kohm, with more than 7 % between either and the fold.
    strong = [ohm for ohm in leaky.values() if ohm < 10e3]
    assert len(strong) == 3
    assert all(8200 * 1.07 < ohm < 10e3 * 0.95 for ohm in strong)
    assert kinds.count("mid level") == 7
    assert kinds.count("plain") == 3
    assert [pin.name for pin in board.pins if pin.leak_probability == 0.5] == ["D13"]
    assert [pin.name for pin in board.pins if pin.pull_down.kind == "missing"] == ["D20"]
    assert sum(pin.pull_down.kind == "mos" for pin in board.pins) >= 4
    assert sum(pin.node_capacitance_f >= 10e-9 for pin in board.pins) >= 6
