"""What goes wrong with a reply: when it comes, what comes with it, what is missing or wrong in it."""

from __future__ import annotations

import struct
from collections.abc import Callable

from tests.faults.exchange import Exchange

LATE_S = 3.0
"""Later than the deadline of any question to a fast instrument."""
IN_TIME_S = 0.05
DRIBBLE_S = 0.2
"""Between two bytes of a dribble: any reply of more than ten bytes is too late."""
FLOOD_S = 4.0
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


def other_identity(on: Exchange) -> None:
    on.say(b"Invented Instruments,Another 99,SIM-9999,9.9\n")
