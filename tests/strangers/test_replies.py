"""Whatever an instrument or a board answers, a driver comes to a value or to one clean error, and soon."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from drivers import reply
from drivers.board import Board
from drivers.carrier import CarrierLink, translate_os_error
from drivers.chamber import Chamber
from drivers.clock import Clock
from drivers.dialect import Dialect
from drivers.errors import BenchError, LinkError, ReplyError
from drivers.instrument import Instrument
from drivers.meter import Meter
from drivers.relay_board import RelayBoard
from drivers.source import Source
from drivers.supply import Supply
from drivers.switch import Switch, channel_list
from tests.strangers.judge import accepted_or_refused, tried
from tests.strangers.nasty import TEXTS

SOUND = (
    *(b"1", b"0", b"+0", b"3.3", b"+3.300000E+00", b"9.9E37", b"NAN", b"1,2,3", b"1.5;2", b""),
    *(b'0,"No error"', b'-113,"Undefined header"', b"Invented,Meter,1,2", b"HIMP", b"(@101,103:105)", b"(@)"),
    *(b"#18\x40\x0a\x66\x66\x66\x66\x66\x66", b"NONE", b"OK", b"1 2 3", b"ERR 3 no such relay"),
    *(b"ok", b"error: no such pin", b"high", b"low", b"off", b"reset default"),
)
"""What they answer, some of it right somewhere."""

LARGE = (
    *(b"1" * 5000, b"9" * 400 + b"E99999", b"," * 50_000, b"1 " * 100_000, b"\x00" * 1000, b"\xff" * 1000),
    *(b'"1,' + b" " * 200_000 + b"x", b"(@" + b"1:99999," * 20_000 + b"1)", b"(@" + b"(" * 10_000 + b")"),
    *(b"#9999999999", b"#0", b"#1", b"#", b"ERR " + b"9" * 5000 + b" x"),
)
STRANGE = tuple(text.encode("utf-8", "replace").replace(b"\n", b" ") for text in TEXTS)
REPLY = st.one_of(st.sampled_from(SOUND), st.sampled_from(LARGE), st.sampled_from(STRANGE), st.binary(max_size=20))
PIECE = st.one_of(REPLY.map(lambda data: data + b"\n"), REPLY, REPLY.map(lambda data: data + b"\r\n"))
WIRE = st.lists(PIECE, max_size=12)
"""Pieces as they arrive, each a reply, half of one, or two."""


class Answers:
    """A wire on which these pieces arrive, one a read; then nothing more."""

    def __init__(self, pieces: list[bytes]) -> None:
        self._pieces = iter(pieces)

    def translate(self, exc: Exception) -> type[LinkError] | None:
        return translate_os_error(exc)

    def pending(self) -> bytes:
        return b""

    def write(self, data: bytes, deadline_s: float) -> None:
        pass

    def read(self, deadline_s: float) -> tuple[bytes, bool]:
        for piece in self._pieces:
            return piece, False
        raise TimeoutError

    def shut(self) -> None:
        pass

    def close(self) -> None:
        pass


def instrument(role: str, pieces: list[bytes]) -> Instrument:
    carrier = Answers(pieces)
    link = CarrierLink("strange", lambda: carrier, carrier, timeout_s=1.0, blocks=role not in ("board", "relay_board"))
    return Instrument(link, Dialect(role), name=role)


def clock() -> Clock:
    """Bench time that passes only by waiting."""
    now = [0.0]

    def sleep(seconds: float) -> None:
        now[0] += max(seconds, 1e-3)

    return Clock(1.0, lambda: False, monotonic=lambda: now[0], sleep=sleep)


def of_a_meter(pieces: list[bytes]) -> list[Callable[[], Any]]:
    meter = Meter(instrument("meter", pieces), clock())
    return [
        lambda: meter.instrument.identify("Meter"),
        meter.instrument.reset,
        lambda: meter.configure(10.0, 0.02, 10e6, 50.0),
        lambda: meter.instrument.ask_numbers("memory_data", 3),
        lambda: meter.instrument.ask_block("memory_data", 3),
        lambda: meter.instrument.check_errors("X"),
        lambda: meter.instrument.apply("timer", 1e-3, read="timer_read"),
    ]


def of_a_source(pieces: list[bytes]) -> list[Callable[[], Any]]:
    source = Source(instrument("source", pieces), clock())
    return [lambda: source.prepare(5.5, 1e-3), source.output_on, source.output_off]


def of_a_switch(pieces: list[bytes]) -> list[Callable[[], Any]]:
    switch = Switch(instrument("switch", pieces))
    return [switch.reset, lambda: switch.close("101"), lambda: switch.open("101"), switch.open_all]


def of_a_relay_board(pieces: list[bytes]) -> list[Callable[[], Any]]:
    board = RelayBoard(instrument("relay_board", pieces))
    return [board.closed, lambda: board.close("3"), lambda: board.open("3"), board.open_all]


def of_a_board(pieces: list[bytes]) -> list[Callable[[], Any]]:
    board = Board(instrument("board", pieces))
    return [board.identify, board.reset, lambda: board.setup("D1", "reset default"), lambda: board.read("D1")]


def of_a_supply(pieces: list[bytes]) -> list[Callable[[], Any]]:
    supply = Supply(instrument("supply", pieces), clock(), settle_s=0.0, power_up_s=0.0)
    return [
        lambda: supply.instrument.identify(),
        lambda: supply.instrument.ask_number("measure_current"),
        supply.output_off,
    ]


def of_a_chamber(pieces: list[bytes]) -> list[Callable[[], Any]]:
    chamber = Chamber(instrument("chamber", pieces), clock())
    return [lambda: chamber.instrument.ask_number("measure"), lambda: chamber.instrument.check_errors("X")]


DRIVERS = (of_a_meter, of_a_source, of_a_switch, of_a_relay_board, of_a_board, of_a_supply, of_a_chamber)


@tried(250)
@given(st.sampled_from(DRIVERS), WIRE, st.integers(0, 6))
def test_a_driver(of: Callable[[list[bytes]], list[Callable[[], Any]]], pieces: list[bytes], number: int) -> None:
    calls = of(pieces)
    read = calls[number % len(calls)]
    accepted_or_refused(of.__name__.removeprefix("of_a_").replace("_", " "), read, (BenchError,), "strange")


@tried(250)
@given(REPLY)
def test_a_reader_of_replies(data: bytes) -> None:
    text = data.decode("latin-1")
    readers: tuple[Callable[[], Any], ...] = (
        lambda: reply.number(text),
        lambda: reply.integer(text),
        lambda: reply.numbers(text),
        lambda: reply.quoted(text),
        lambda: reply.queue_entry(text),
        lambda: reply.line(data),
        lambda: reply.block(data, ended=True),
        lambda: channel_list(text),
        lambda: reply.block_values(data, 3),
    )
    for read in readers:
        accepted_or_refused("reply", read, (ReplyError,), "reply")
