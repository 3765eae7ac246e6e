"""A logged instrument answers as it did, and not at all once a message differs."""

from __future__ import annotations

from harness.replay.player import SHOWN, Answer, Player, shown
from harness.replay.script import Ended, Exchanged, Hung, Opened, Refused, Unasked

OPENED = Opened(1, 0.1)
ASKED = Exchanged(2, 0.2, b"A?\n", b"1\n")


def test_logged_messages_get_their_logged_replies() -> None:
    player = Player("meter", [OPENED, ASKED, Exchanged(3, 0.3, b"*CLS\n"), Ended(4, 0.4)])
    assert player.connected() == Answer(number=1, time_s=0.1)
    assert player.message(b"A?\n") == Answer((b"1\n",), number=2, time_s=0.2)
    assert not player.done
    assert player.message(b"*CLS\n") == Answer(number=3, time_s=0.3)
    assert player.done
    player.left()
    assert (player.difference, player.beyond, player.number) == (None, "", 4)


def test_the_first_message_that_differs_is_told_with_both_sides_and_gets_no_answer() -> None:
    player = Player("meter", [OPENED, ASKED])
    player.connected()
    assert player.message(b"A? 5\n") == Answer(close=True)
    assert str(player.difference) == "meter: message 2: the log has 'A?'; 'A? 5' came"
    assert player.done


def test_leaving_or_coming_where_the_log_has_a_message_differs_too() -> None:
    left = Player("meter", [OPENED, ASKED])
    left.connected()
    left.left()
    assert str(left.difference) == "meter: message 2: the log has 'A?'; the connection was closed"
    came = Player("meter", [OPENED, ASKED])
    came.connected()
    assert came.connected() == Answer(close=True)
    assert str(came.difference) == "meter: message 2: the log has 'A?'; a new connection came"
    on = Player("meter", [OPENED, Ended(2, 0.2)])
    on.connected()
    on.message(b"B?\n")
    assert str(on.difference) == "meter: message 2: the log has the link closed; 'B?' came"


def test_a_peer_that_closed_closes_after_what_it_had_sent() -> None:
    player = Player("meter", [OPENED, Exchanged(2, 0.2, b"A?\n", b"+1.", "close"), Opened(5, 0.5), ASKED])
    player.connected()
    assert player.message(b"A?\n") == Answer((b"+1.",), close=True, number=2, time_s=0.2)
    assert player.connected().number == 5
    assert player.message(b"A?\n").parts == (b"1\n",)


def test_what_came_of_itself_comes_right_behind_the_reply_before_it() -> None:
    player = Player("meter", [OPENED, ASKED, Unasked(4, 0.4, b"B?\n", b"late\n"), Ended(6, 0.6)])
    player.connected()
    assert player.message(b"A?\n").parts == (b"1\n", b"late\n")
    at_once = Player("meter", [OPENED, Hung(2, 0.2, b"A?\n")])
    assert at_once.connected() == Answer(close=True, number=1, time_s=0.1)


def test_attempts_that_failed_are_refused_up_to_the_one_that_did_not() -> None:
    player = Player("meter", [OPENED, Ended(2, 0.2), Refused(3, 1.0, ""), Refused(4, 2.0, ""), Opened(5, 5.0)])
    assert player.refuses is None
    player.connected()
    assert player.refuses == Refused(3, 1.0, "")
    assert player.opening == (Refused(4, 2.0, ""), Opened(5, 5.0))
    player.let_in()
    assert player.connected().number == 5
    for_ever = Player("meter", [Refused(1, 0.1, "")])
    assert (for_ever.refuses, for_ever.opening, for_ever.done) == (Refused(1, 0.1, ""), None, True)


def test_it_is_known_whether_a_message_is_still_to_come() -> None:
    player = Player("meter", [OPENED, Ended(2, 0.2), Opened(3, 0.3), Exchanged(7, 0.7, b"A?\n")])
    player.connected()
    player.left()
    player.connected()
    assert not player.is_before(7)
    assert player.is_before(8)


def test_going_on_beyond_the_end_of_the_log_is_told_and_is_no_difference() -> None:
    player = Player("meter", [OPENED, ASKED])
    player.connected()
    player.message(b"A?\n")
    assert player.message(b"B?\n") == Answer(close=True)
    assert player.connected() == Answer(close=True)
    assert player.difference is None
    assert player.beyond == "meter: the log ends at message 2; 'B?' came"


def test_a_message_is_shown_cut_and_with_nothing_that_steers_a_terminal() -> None:
    assert shown(b"\x1b[2J\xff\n") == r"'\x1b[2J\xff'"
    assert shown(b"1" * 1000) == f"'{'1' * SHOWN}'… (1000 bytes)"
