"""A relay board's closed list is read after every command."""

from __future__ import annotations

import pytest

from drivers.dialect import Dialect
from drivers.errors import InstrumentError, ReplyError, WiringError
from drivers.instrument import Instrument
from drivers.relay_board import RelayBoard
from tests.drivers.scripted import FunctionLink, Rig


def test_a_relay_closes_and_opens_and_is_read_back() -> None:
    rig = Rig()
    board = RelayBoard(rig.instrument("relay_board"))
    board.close("3")
    board.close("1")
    assert board.closed() == {"1", "3"}
    board.open("3")
    assert rig.board_closed == {"1"}
    board.reset()
    assert board.closed() == set()
    assert rig.messages("relay_board")[:2] == ["CLOSE 3", "CLOSED?"]


def test_a_relay_that_stays_closed_is_a_wiring_error() -> None:
    rig = Rig(stuck={"3"})
    board = RelayBoard(rig.instrument("relay_board"))
    board.close("3")
    with pytest.raises(WiringError) as caught:
        board.open("3")
    assert str(caught.value) == "relay_board relay_board: channel 3 reads back closed after 'OPEN 3'"
    with pytest.raises(WiringError, match="channel 3 reads back closed after 'OPEN ALL'"):
        board.open_all()


def test_a_relay_that_stays_open_is_a_wiring_error() -> None:
    link = FunctionLink("port", lambda message: "NONE" if message == "CLOSED?" else "OK")
    with pytest.raises(WiringError, match="channel 3 reads back open after 'CLOSE 3'"):
        RelayBoard(Instrument(link, Dialect("relay_board"), name="relay_board")).close("3")


def test_an_error_of_the_board_is_raised_with_its_number() -> None:
    with pytest.raises(InstrumentError) as caught:
        RelayBoard(Rig().instrument("relay_board")).close("9")
    assert caught.value.errors == ((2, "no such relay 9"),)


@pytest.mark.parametrize("reply", ["", "1,4", "1 x", "OK"])
def test_a_closed_list_outside_of_the_protocol_loses_the_link(reply: str) -> None:
    link = FunctionLink("port", lambda message: reply)
    with pytest.raises(ReplyError, match="a closed list must be NONE or numbers"):
        RelayBoard(Instrument(link, Dialect("relay_board"), name="relay_board")).closed()
    assert link.state == "lost"


def test_a_command_that_is_not_answered_by_ok_loses_the_link() -> None:
    link = FunctionLink("port", lambda message: "1 4 7")
    with pytest.raises(ReplyError, match="a command must be answered by OK"):
        RelayBoard(Instrument(link, Dialect("relay_board"), name="relay_board")).open("1")
    assert link.state == "lost"


def test_an_error_number_without_end_loses_the_link() -> None:
    """Used to end in an error of the language: int() refuses more than 4300 digits."""
    link = FunctionLink("port", lambda message: "ERR " + "9" * 5000)
    with pytest.raises(ReplyError, match="a command must be answered by OK"):
        RelayBoard(Instrument(link, Dialect("relay_board"), name="relay_board")).open("1")
    assert link.state == "lost"
