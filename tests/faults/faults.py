"""Every fault that a wire here can have: the table of all."""

from __future__ import annotations

from tests.faults import instrument_faults as instruments
from tests.faults import reply_faults as replies
from tests.faults import wire_faults as wires
from tests.faults.armed import Fault

SOCKET = ("socket",)
SERIAL = ("serial",)

FAULTS: tuple[Fault, ...] = (
    Fault("in time", (1,), "reply", replies.in_time, clears=True),
    Fault("late", (2,), "reply", replies.late),
    Fault("mute", (2, 6), "reply", replies.mute),
    Fault("doubled", (2,), "reply", replies.doubled),
    Fault("doubled later", (2,), "reply", replies.doubled_later),
    Fault("stray before", (2,), "command", replies.stray_before),
    Fault("stray after", (2,), "reply", replies.stray_after),
    Fault("boot text", (24,), "command", replies.boot_text, wires=SERIAL),
    Fault("dribble", (3, 23), "reply", replies.dribble),
    Fault("in pieces", (10,), "block", replies.in_pieces, clears=True),
    Fault("flood", (5, 11), "reply", replies.flood, once=True),
    Fault("half", (3, 23), "reply", replies.half),
    Fault("half, then the rest", (3, 23), "reply", replies.half_then_rest),
    Fault("half, then closed", (3, 4), "reply", replies.half_then_closed, wires=SOCKET),
    Fault("no line end", (1, 23), "reply", replies.no_line_end),
    Fault("CR LF", (1, 21), "reply", replies.carriage_return, clears=True),
    Fault("one reading less", (11,), "block", replies.one_less),
    Fault("one reading more", (11,), "block", replies.one_more),
    Fault("one field more", (11,), "number", replies.list_one_more),
    Fault("an empty field", (11,), "number", replies.empty_field),
    Fault("block without count", (11,), "block", replies.indefinite),
    Fault("block without header", (11,), "block", replies.no_hash),
    Fault("block header of letters", (11,), "block", replies.header_of_letters),
    Fault("block header too short", (11,), "block", replies.header_too_short),
    Fault("block header too long", (11,), "block", replies.header_too_long),
    Fault("block header absurd", (11,), "block", replies.header_absurd),
    Fault("bytes swapped", (11,), "block", replies.swapped),
    Fault("byte order set by another", (11,), "command", instruments.order_swapped, roles=("meter",), once=True),
    Fault("garbage", (21,), "reply", replies.garbage),
    Fault("garbage without end", (21,), "reply", replies.garbage_without_end),
    Fault("NULs", (21,), "reply", replies.nuls),
    Fault("NUL inside", (21,), "number", replies.nul_inside),
    Fault("NULs around", (21,), "number", replies.nuls_around, clears=True),
    Fault("empty line", (11,), "reply", replies.empty),
    Fault("1_0", (11,), "number", replies.underscore),
    Fault("0x10", (11,), "number", replies.hexadecimal),
    Fault("superscript", (21,), "number", replies.superscript),
    Fault("NAN", (11,), "number", replies.not_a_number),
    Fault("overload", (11,), "number", replies.overload),
    Fault("byte of a reply lost", (23,), "reply", replies.byte_of_reply_lost, wires=SERIAL),
    Fault("byte of a command lost", (23,), "command", wires.byte_of_command_lost, wires=SERIAL),
    Fault("command garbled", (21,), "command", wires.command_garbled),
    Fault("command twice", (2,), "command", wires.command_twice),
    Fault("another identity", (8,), "identity", replies.other_identity),
    Fault("deaf", (6,), "command", wires.deaf),
    Fault("closed before", (4,), "command", wires.closed_before, wires=SOCKET),
    Fault("closed after", (4,), "command", wires.closed_after, wires=SOCKET),
    Fault("reset before", (4,), "command", wires.reset_before, wires=SOCKET),
    Fault("reset after", (4,), "command", wires.reset_after, wires=SOCKET),
    Fault("closed while idle", (4, 9), "reply", wires.closed_while_idle, wires=SOCKET),
    Fault("forgotten while idle", (9,), "reply", wires.forgotten_while_idle, wires=SOCKET, once=True),
    Fault("turned away", (8, 15), "command", wires.turned_away, wires=SOCKET, once=True),
    Fault("refused", (8,), "command", wires.refused, wires=SOCKET, once=True),
    Fault("unanswered", (5, 8), "command", wires.unanswered, wires=SOCKET, once=True),
    Fault("unplugged", (22,), "command", wires.unplugged, wires=SERIAL, once=True),
    Fault("unplugged for good", (5, 22), "command", wires.unplugged_for_good, wires=SERIAL, once=True),
    Fault("restarts before", (), "command", instruments.restarts_before, once=True),
    Fault("restarts after", (), "reply", instruments.restarts_after, once=True),
    Fault("restarts, connection drops", (4,), "command", instruments.restarts_and_drops, wires=SOCKET, once=True),
    Fault("a knob is turned", (), "command", instruments.knob_turned, wires=SOCKET, once=True),
    Fault("clock set forward", (), "command", instruments.clock_set(3600.0), clears=True),
    Fault("clock set back", (), "command", instruments.clock_set(-3600.0), clears=True),
)
"""All of them. `rules` empty: an instrument that restarts or is set otherwise, or a clock that is set; of these no rule
of a link tells."""


def named(name: str) -> Fault:
    """The fault of this name."""
    return next(fault for fault in FAULTS if fault.name == name)
