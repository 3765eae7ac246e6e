"""Every fault that a wire here can have: one function each, and the table of all."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable

from tests.faults.armed import Fault
from tests.faults.exchange import Exchange

LATE_S = 3.0
"""Later than the deadline of any question to a fast instrument."""
IN_TIME_S = 0.05
DRIBBLE_S = 0.2
"""Between two bytes of a dribble: any reply of more than ten bytes is too late."""
FLOOD_S = 4.0
A_WHILE_S = 1.0
STRAY = b"+1.500000000E+00\n"


def _whole(reply: bytes) -> tuple[bytes, bytes]:
    """Payload and terminator of a block or a line."""
    start = 2 + int(reply[1:2]) if reply.startswith(b"#") else 0
    return reply[start:-1], reply[-1:]


def _block(payload: bytes) -> bytes:
    return f"#{len(str(len(payload)))}{len(payload)}".encode() + payload + b"\n"


# How long a reply takes, and what comes with it.


def in_time(on: Exchange) -> None:
    on.say(on.reply, IN_TIME_S)


def late(on: Exchange) -> None:
    on.say(on.reply, LATE_S)


def mute(on: Exchange) -> None:
    """The command is carried out, and never answered."""


def doubled(on: Exchange) -> None:
    on.say(on.reply * 2)


def doubled_later(on: Exchange) -> None:
    """The second copy comes while the next command is on its way: the most it can look like an answer."""
    on.say(on.reply)
    on.say_before_the_next(on.reply)


def stray_before(on: Exchange) -> None:
    on.say(STRAY)
    on.go_on()


def stray_after(on: Exchange) -> None:
    on.go_on()
    on.say(STRAY, 0.005)


def boot_text(on: Exchange) -> None:
    """What a board says while it starts, before its first answer."""
    on.say(b"boot 1.4\r\nready\r\n")
    on.go_on()


def dribble(on: Exchange) -> None:
    for index in range(len(on.reply)):
        on.say(on.reply[index : index + 1], index * DRIBBLE_S)


def in_pieces(on: Exchange) -> None:
    """Cut at every line end inside, which a block may have anywhere."""
    head, *rest = on.reply.split(b"\n")
    on.say(head)
    for index, piece in enumerate(rest, start=1):
        on.say(b"\n" + piece, index * 1e-4)


def flood(on: Exchange) -> None:
    on.flood(FLOOD_S)


# What is missing or wrong in it.


def half(on: Exchange) -> None:
    on.say(on.reply[: len(on.reply) // 2])


def half_then_rest(on: Exchange) -> None:
    """The rest comes after the deadline, and parses as a number too."""
    on.say(on.reply[: len(on.reply) // 2])
    on.say(on.reply[len(on.reply) // 2 :], LATE_S)


def half_then_closed(on: Exchange) -> None:
    on.say(on.reply[: len(on.reply) // 2])
    on.end()


def no_line_end(on: Exchange) -> None:
    on.say(on.reply[:-1])


def carriage_return(on: Exchange) -> None:
    on.say(on.reply[:-1] + b"\r\n")


def one_less(on: Exchange) -> None:
    payload, _ = _whole(on.reply)
    on.say(_block(payload[:-8]))


def one_more(on: Exchange) -> None:
    payload, _ = _whole(on.reply)
    on.say(_block(payload + payload[-8:]))


def list_one_more(on: Exchange) -> None:
    on.say(on.reply[:-1] + b",+1.0\n")


def empty_field(on: Exchange) -> None:
    on.say(on.reply[:-1] + b",\n")


def _headed(header: Callable[[bytes], bytes]) -> Callable[[Exchange], None]:
    def act(on: Exchange) -> None:
        payload, end = _whole(on.reply)
        on.say(header(payload) + payload + end)

    return act


indefinite = _headed(lambda payload: b"#0")
no_hash = _headed(lambda payload: b"")
header_of_letters = _headed(lambda payload: b"#2xx")
header_too_short = _headed(lambda payload: f"#9{len(payload) - 8:09}".encode())
header_too_long = _headed(lambda payload: f"#9{len(payload) + 8:09}".encode())
header_absurd = _headed(lambda payload: b"#9999999999")


def swapped(on: Exchange) -> None:
    payload, _ = _whole(on.reply)
    count = len(payload) // 8
    on.say(_block(struct.pack(f"<{count}d", *struct.unpack(f">{count}d", payload))))


def _said(text: bytes) -> Callable[[Exchange], None]:
    def act(on: Exchange) -> None:
        on.say(text)

    return act


garbage = _said(b"\xff\xfe#?!\n")
garbage_without_end = _said(b"\x00\xff\xfe\x80\x81")
nuls = _said(b"\0\0\0\0\n")
empty = _said(b"\n")
underscore = _said(b"1_0\n")
hexadecimal = _said(b"0x10\n")
superscript = _said("1²\n".encode("latin-1"))
not_a_number = _said(b"NAN\n")
overload = _said(b"+9.9E+37\n")


def nul_inside(on: Exchange) -> None:
    middle = len(on.reply) // 2
    on.say(on.reply[:middle] + b"\0" + on.reply[middle:])


def nuls_around(on: Exchange) -> None:
    """What a line leaves behind that was switched: stripped from text, refused before a block."""
    on.say(b"\0\0" + on.reply)


def byte_of_reply_lost(on: Exchange) -> None:
    """As a line does that is read too late: what is left may still be a reply."""
    on.say(on.reply[:-2] + b"\n")


def byte_of_command_lost(on: Exchange) -> None:
    """What is left may still be a command: `CLOSE 14` becomes `CLOSE 1`."""
    on.hand_on(on.command[:-1])


def command_garbled(on: Exchange) -> None:
    on.hand_on(b"\x80" + on.command[1:])


def command_twice(on: Exchange) -> None:
    """The second one interrupts the reply to the first, where that takes time (IEEE 488.2, 6.3.2.3)."""
    on.hand_on(on.command)
    on.hand_on(on.command)


def other_identity(on: Exchange) -> None:
    on.say(b"Invented Instruments,Another 99,SIM-9999,9.9\n")


# What becomes of the command and of the connection.


def deaf(on: Exchange) -> None:
    """The command is lost."""


def closed_before(on: Exchange) -> None:
    on.end()


def closed_after(on: Exchange) -> None:
    on.go_on()
    on.end()


def reset_before(on: Exchange) -> None:
    on.end(reset=True)


def reset_after(on: Exchange) -> None:
    on.go_on()
    on.end(reset=True)


def closed_while_idle(on: Exchange) -> None:
    on.go_on()
    on.end()


def turned_away(on: Exchange) -> None:
    on.turn_away(on.lasts_s or A_WHILE_S, "closed")
    on.end()


def refused(on: Exchange) -> None:
    on.turn_away(on.lasts_s or A_WHILE_S, "refused")
    on.end()


def unanswered(on: Exchange) -> None:
    on.turn_away(on.lasts_s or A_WHILE_S, "unanswered")
    on.end()


def unplugged(on: Exchange) -> None:
    on.vanish(on.lasts_s or A_WHILE_S)


def unplugged_for_good(on: Exchange) -> None:
    on.vanish(math.inf)


# What becomes of the instrument.


def restarts_before(on: Exchange) -> None:
    on.restart()
    on.go_on()


def restarts_after(on: Exchange) -> None:
    on.go_on()
    on.restart()


def restarts_and_drops(on: Exchange) -> None:
    on.restart(dropped=True)


def order_swapped(on: Exchange) -> None:
    """Somebody else sets the meter's byte order: it answers so from now on, and says so when it is asked."""
    on.behind("FORM:BORD SWAP")
    on.go_on()


def clock_set(seconds: float) -> Callable[[Exchange], None]:
    """The wall clock of the computer is set, between a command and its reply."""

    def act(on: Exchange) -> None:
        on.step_clock(seconds)
        on.go_on()

    return act


SOCKET = ("socket",)
SERIAL = ("serial",)

FAULTS: tuple[Fault, ...] = (
    Fault("in time", (1,), "reply", in_time, clears=True),
    Fault("late", (2,), "reply", late),
    Fault("mute", (2, 6), "reply", mute),
    Fault("doubled", (2,), "reply", doubled),
    Fault("doubled later", (2,), "reply", doubled_later),
    Fault("stray before", (2,), "command", stray_before),
    Fault("stray after", (2,), "reply", stray_after),
    Fault("boot text", (24,), "command", boot_text, wires=SERIAL),
    Fault("dribble", (3, 23), "reply", dribble),
    Fault("in pieces", (10,), "block", in_pieces, clears=True),
    Fault("flood", (5, 11), "reply", flood, once=True),
    Fault("half", (3, 23), "reply", half),
    Fault("half, then the rest", (3, 23), "reply", half_then_rest),
    Fault("half, then closed", (3, 4), "reply", half_then_closed, wires=SOCKET),
    Fault("no line end", (1, 23), "reply", no_line_end),
    Fault("CR LF", (1, 21), "reply", carriage_return, clears=True),
    Fault("one reading less", (11,), "block", one_less),
    Fault("one reading more", (11,), "block", one_more),
    Fault("one field more", (11,), "number", list_one_more),
    Fault("an empty field", (11,), "number", empty_field),
    Fault("block without count", (11,), "block", indefinite),
    Fault("block without header", (11,), "block", no_hash),
    Fault("block header of letters", (11,), "block", header_of_letters),
    Fault("block header too short", (11,), "block", header_too_short),
    Fault("block header too long", (11,), "block", header_too_long),
    Fault("block header absurd", (11,), "block", header_absurd),
    Fault("bytes swapped", (11,), "block", swapped),
    Fault("byte order set by another", (11,), "command", order_swapped, roles=("meter",), once=True),
    Fault("garbage", (21,), "reply", garbage),
    Fault("garbage without end", (21,), "reply", garbage_without_end),
    Fault("NULs", (21,), "reply", nuls),
    Fault("NUL inside", (21,), "number", nul_inside),
    Fault("NULs around", (21,), "number", nuls_around, clears=True),
    Fault("empty line", (11,), "reply", empty),
    Fault("1_0", (11,), "number", underscore),
    Fault("0x10", (11,), "number", hexadecimal),
    Fault("superscript", (21,), "number", superscript),
    Fault("NAN", (11,), "number", not_a_number),
    Fault("overload", (11,), "number", overload),
    Fault("byte of a reply lost", (23,), "reply", byte_of_reply_lost, wires=SERIAL),
    Fault("byte of a command lost", (23,), "command", byte_of_command_lost, wires=SERIAL),
    Fault("command garbled", (21,), "command", command_garbled),
    Fault("command twice", (2,), "command", command_twice),
    Fault("another identity", (8,), "identity", other_identity),
    Fault("deaf", (6,), "command", deaf),
    Fault("closed before", (4,), "command", closed_before, wires=SOCKET),
    Fault("closed after", (4,), "command", closed_after, wires=SOCKET),
    Fault("reset before", (4,), "command", reset_before, wires=SOCKET),
    Fault("reset after", (4,), "command", reset_after, wires=SOCKET),
    Fault("closed while idle", (4, 9), "reply", closed_while_idle, wires=SOCKET),
    Fault("turned away", (8, 15), "command", turned_away, wires=SOCKET, once=True),
    Fault("refused", (8,), "command", refused, wires=SOCKET, once=True),
    Fault("unanswered", (5, 8), "command", unanswered, wires=SOCKET, once=True),
    Fault("unplugged", (22,), "command", unplugged, wires=SERIAL, once=True),
    Fault("unplugged for good", (5, 22), "command", unplugged_for_good, wires=SERIAL, once=True),
    Fault("restarts before", (), "command", restarts_before, once=True),
    Fault("restarts after", (), "reply", restarts_after, once=True),
    Fault("restarts, connection drops", (4,), "command", restarts_and_drops, wires=SOCKET, once=True),
    Fault("clock set forward", (), "command", clock_set(3600.0), clears=True),
    Fault("clock set back", (), "command", clock_set(-3600.0), clears=True),
)
"""All of them. `rules` empty: an instrument that restarts, or a clock that is set, which no rule of a link covers."""


def named(name: str) -> Fault:
    """The fault of this name."""
    return next(fault for fault in FAULTS if fault.name == name)
