"""A pin's setup is read back, and the board says what it reads at a pin."""

from __future__ import annotations

import pytest

from drivers.board import BOOT_TIMEOUT_S, Board
from drivers.dialect import Dialect
from drivers.errors import BenchError, InstrumentError, ReplyError
from drivers.instrument import Instrument
from tests.drivers.scripted import FunctionLink, Rig


def _board(reply: str) -> tuple[Board, FunctionLink]:
    link = FunctionLink("port", lambda message: reply)
    return Board(Instrument(link, Dialect("board"), name="board")), link


def test_the_board_names_itself() -> None:
    board = Board(Rig().instrument("board"))
    assert board.identify("FH-2417") == "Fernhill irrigation controller,C,FH-2417-001,1.4"
    with pytest.raises(BenchError, match=r"board board: identity must hold 'FH-9999': 'Fernhill"):
        board.identify("FH-9999")
    with pytest.raises(BenchError, match="identity must not be empty"):
        _board("")[0].identify()


def test_a_reset_waits_as_long_as_a_board_may_take_to_boot() -> None:
    board, link = _board("ok")
    board.reset()
    assert link.sent == [("port", "reset")]
    assert link.timeouts == [BOOT_TIMEOUT_S]


def test_a_setup_with_a_blank_in_its_name_is_set_and_read_back() -> None:
    rig = Rig()
    Board(rig.instrument("board")).setup("D1", "buffer off")
    assert rig.messages("board") == ["setup D1 buffer off", "setup? D1"]
    assert rig.setups == {"D1": "buffer off"}


def test_a_setup_that_reads_back_as_another_is_an_error_and_may_answer_another_question() -> None:
    board, link = _board("ok")
    with pytest.raises(InstrumentError) as caught:
        board.setup("D1", "buffer off")
    assert str(caught.value) == "port: the setup must read back 'buffer off'; command 'setup? D1'; reply 'ok'"
    assert link.state == "lost"


def test_the_board_s_refusal_is_raised_in_its_own_words() -> None:
    board, link = _board("error: no pin D9")
    with pytest.raises(BenchError) as caught:
        board.setup("D9", "buffer off")
    assert str(caught.value) == "board port: 'setup D9 buffer off' refused: error: no pin D9"
    assert link.state == "ok"


@pytest.mark.parametrize(("pin", "reads"), [("D1", "high"), ("D2", "low"), ("D3", "")])
def test_a_pin_reads_high_low_or_nothing(pin: str, reads: str) -> None:
    assert Board(Rig().instrument("board")).read(pin) == reads


def test_any_other_reading_loses_the_link() -> None:
    board, link = _board("hi")
    with pytest.raises(ReplyError, match="the board must answer high, low or off; command 'read D1'; received b'hi'"):
        board.read("D1")
    assert link.state == "lost"


def test_a_command_that_is_not_answered_by_ok_loses_the_link() -> None:
    board, link = _board("low")
    with pytest.raises(ReplyError, match="the board must answer ok; command 'reset'; received b'low'"):
        board.reset()
    assert link.state == "lost"
