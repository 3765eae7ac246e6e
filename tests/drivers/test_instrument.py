"""An instrument is who the bench file says, takes what it is told, and its errors come out in one exception."""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest

from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkDirtyError, LinkTimeoutError, ReplyError
from drivers.instrument import QUEUE_MAX, RESET_TIMEOUT_S, Instrument
from drivers.visa_link import open_visa_link
from tests.drivers.faulty_peer import FaultyPeer, answering

IDENTITY = "Invented Instruments,Meter One,0042,1.7"


class Scpi:
    """A tiny instrument: fixed answers by query, an error queue, an event status register; all it heard.

    It gives a message up at the first error in it, as instruments may.
    """

    def __init__(self) -> None:
        self.answers = {"*IDN?": IDENTITY, "*OPC?": "1"}
        self.queue: deque[str] = deque()
        self.no_error = '0,"No error"'
        self.faults: dict[str, tuple[int, list[str]]] = {}
        self.heard: list[str] = []
        self._esr = 0

    def __call__(self, message: str) -> bytes:
        self.heard.append(message)
        replies = []
        for part in message.split(";"):
            if (text := self._answer(part)) is not None:
                replies.append(text)
            if part in self.faults:
                break
        return (";".join(replies) + "\n").encode("latin-1") if replies else b""

    def _answer(self, part: str) -> str | None:
        if part == "SYST:ERR?":
            return self.queue.popleft() if self.queue else self.no_error
        if part == "*ESR?":
            value, self._esr = self._esr, 0
            return str(value)
        if part == "*CLS":
            self.queue.clear()
            self._esr = 0
        bits, entries = self.faults.get(part, (0, []))
        self._esr |= bits
        self.queue.extend(entries)
        return self.answers.get(part)


@contextmanager
def talking(scpi: Scpi, role: str = "meter", overrides: dict[str, str] | None = None) -> Iterator[Instrument]:
    with FaultyPeer(answering(scpi)) as peer:
        link = open_visa_link(peer.visa, timeout_s=2.0)
        try:
            yield Instrument(link, Dialect(role, overrides), name=role)
        finally:
            link.close()


@pytest.fixture
def scpi() -> Scpi:
    return Scpi()


@pytest.fixture
def meter(scpi: Scpi) -> Iterator[Instrument]:
    with talking(scpi) as instrument:
        yield instrument


def test_the_identity_has_four_fields_and_holds_what_is_expected(meter: Instrument) -> None:
    assert meter.identify() == IDENTITY
    assert meter.identify("Meter One") == IDENTITY
    assert meter.link.state == "ok"
    with pytest.raises(InstrumentError) as caught:
        meter.identify("Meter Two")
    assert str(caught.value) == (
        f"{meter.resource}: meter.identity must hold 'Meter Two'; command '*IDN?'; reply '{IDENTITY}'"
    )


@pytest.mark.parametrize("identity", ["", "1.2345", "a,b,c", "a,b,c,d,e", ",b,c,d", "a, ,c,d"])
def test_an_answer_that_is_no_identity_is_not_trusted(scpi: Scpi, meter: Instrument, identity: str) -> None:
    scpi.answers["*IDN?"] = identity
    with pytest.raises(InstrumentError, match="an identity must have four fields"):
        meter.identify()
    assert meter.link.state == "lost"


def test_a_line_device_is_identified_in_the_same_way(scpi: Scpi) -> None:
    scpi.answers["id"] = "Fernhill irrigation controller,C,FH-2417-001,1.4"
    with talking(scpi, "board") as board:
        assert board.identify("FH-2417").startswith("Fernhill")


def test_a_command_is_followed_by_its_check_in_a_message_of_its_own(scpi: Scpi, meter: Instrument) -> None:
    meter.send("range", value=10.0)
    meter.carry_out("INIT;*OPC")
    assert scpi.heard == ["SENS:VOLT:DC:RANG 10", "*ESR?", "INIT;*OPC", "*ESR?"]


def test_all_errors_of_a_command_come_in_one_exception_oldest_first(scpi: Scpi, meter: Instrument) -> None:
    scpi.faults["SENS:VOLT:DC:RANG 7"] = (0b01_0000, ['-222,"Data out of range"', '+101,"Range kept"'])
    with pytest.raises(InstrumentError) as caught:
        meter.send("range", value=7)
    assert caught.value.errors == ((-222, "Data out of range"), (101, "Range kept"))
    assert str(caught.value) == (
        f"{meter.resource}: the instrument reports errors; command 'SENS:VOLT:DC:RANG 7'; "
        "-222 Data out of range; 101 Range kept"
    )
    # The queue is empty again, and the link is not to blame.
    meter.send("range", value=10.0)


@pytest.mark.parametrize("bit", range(8))
def test_error_bits_of_the_event_status_are_2_to_5(scpi: Scpi, meter: Instrument, bit: int) -> None:
    # IEEE 488.2, 11.5.1.1: 0 operation complete, 1 request control, 2 query, 3 device, 4 execution, 5 command error,
    # 6 user request, 7 power on.
    scpi.faults["INIT"] = (1 << bit, ['-100,"Command error"'])
    if bit in (2, 3, 4, 5):
        with pytest.raises(InstrumentError, match="-100 Command error"):
            meter.send("start")
    else:
        meter.send("start")


def test_an_error_bit_without_an_error_is_an_error(scpi: Scpi, meter: Instrument) -> None:
    scpi.faults["INIT"] = (0b10_0000, [])
    with pytest.raises(InstrumentError, match="event status 32 tells of an error, yet the error queue is empty"):
        meter.send("start")


def test_an_instrument_without_event_status_has_its_queue_read(scpi: Scpi) -> None:
    scpi.faults["INIT"] = (0, ['-213,"Init ignored"'])
    with talking(scpi, overrides={"event_status": ""}) as meter:
        with pytest.raises(InstrumentError, match="command 'INIT'; -213 Init ignored"):
            meter.send("start")
        assert scpi.heard == ["INIT", "SYST:ERR?", "SYST:ERR?"]


@pytest.mark.parametrize("no_error", ["0", "+0", '"0"', '0,"No error"', '+0, "No error"', "0,No error"])
def test_an_empty_queue_is_told_in_several_ways(scpi: Scpi, meter: Instrument, no_error: str) -> None:
    scpi.no_error = no_error
    meter.check_errors("INIT")
    assert scpi.heard == ["SYST:ERR?"]


def test_a_queue_that_never_empties_is_read_so_often_and_no_more(scpi: Scpi, meter: Instrument) -> None:
    scpi.no_error = '+512,"Fan failed"'
    with pytest.raises(InstrumentError) as caught:
        meter.check_errors("INIT")
    assert scpi.heard == ["SYST:ERR?"] * QUEUE_MAX
    assert str(caught.value).endswith(f"not empty after {QUEUE_MAX} entries; command 'INIT'; 512 Fan failed")


@pytest.mark.parametrize("number", [-410, -420, -440])
def test_a_broken_exchange_of_messages_is_a_fault_of_the_link(scpi: Scpi, meter: Instrument, number: int) -> None:
    scpi.faults["INIT"] = (0b100, ['-113,"Undefined header"', f'{number},"Query broken"'])
    with pytest.raises(LinkDirtyError, match=f"-113 Undefined header, {number} Query broken.*; command 'INIT'"):
        meter.send("start")
    with pytest.raises(LinkDirtyError):
        meter.ask("read")


def test_a_queue_entry_that_is_none_is_not_trusted(scpi: Scpi, meter: Instrument) -> None:
    scpi.no_error = "+1.2345"
    with pytest.raises(ReplyError, match=r"not an entry of an error queue; command 'SYST:ERR\?'; received b'\+1.2345'"):
        meter.check_errors("INIT")
    assert meter.link.state == "lost"


def test_numbers_are_read_as_numbers_and_overload_is_nan(scpi: Scpi, meter: Instrument) -> None:
    scpi.answers |= {"READ?": "+3.30000E+00", "TRIG:TIM?": "9.9E37", "TRAC:DATA?": "1,2,9.91E37"}
    assert meter.ask("read") == "+3.30000E+00"
    assert meter.ask_number("read") == 3.3
    assert np.isnan(meter.ask_number("timer_read"))
    np.testing.assert_array_equal(meter.ask_numbers("memory_data", 3), [1.0, 2.0, np.nan])


def test_a_reply_out_of_its_grammar_spoils_the_link_and_names_the_command(scpi: Scpi, meter: Instrument) -> None:
    scpi.answers["READ?"] = "3.3 V"
    with pytest.raises(ReplyError) as caught:
        meter.ask_number("read")
    assert str(caught.value) == f"{meter.resource}: not a number; command 'READ?'; received b'3.3 V'"
    with pytest.raises(LinkDirtyError):
        meter.ask_number("read")
    meter.link.reopen()
    assert meter.identify() == IDENTITY


def test_another_count_of_numbers_spoils_the_link(scpi: Scpi, meter: Instrument) -> None:
    scpi.answers["TRAC:DATA?"] = "1,2"
    with pytest.raises(ReplyError, match="2 numbers, expected 3"):
        meter.ask_numbers("memory_data", 3)
    assert meter.link.state == "lost"


def test_a_block_is_read_as_numbers_of_the_count_that_was_asked_for(scpi: Scpi, meter: Instrument) -> None:
    # 0x0A bytes in the payload: 2.5 is 0x4004..., so the second is a number made of line ends alone.
    payload = struct.pack(">d", 2.5) + b"\n" * 8
    scpi.answers["TRAC:DATA?"] = "#216" + payload.decode("latin-1")
    values = meter.ask_block("memory_data", 2)
    assert values.tolist() == [2.5, struct.unpack(">d", b"\n" * 8)[0]]
    with pytest.raises(ReplyError, match="16 bytes, expected 3 numbers of 8 bytes"):
        meter.ask_block("memory_data", 3)
    assert meter.link.state == "lost"


def test_a_setting_is_read_back_and_what_was_taken_is_returned(scpi: Scpi, meter: Instrument) -> None:
    scpi.answers["TRIG:TIM?"] = "1.0004E-04"
    assert meter.apply("timer", 1e-4, read="timer_read", rel=1e-3, unit="s") == 1.0004e-4
    assert scpi.heard == ["TRIG:TIM 0.0001", "*ESR?", "TRIG:TIM?"]
    with pytest.raises(InstrumentError, match=r"timer was set to 0.0001 s but reads back as 0.00010004"):
        meter.apply("timer", 1e-4, read="timer_read", rel=1e-4, unit="s")


def test_a_setting_that_reads_back_as_overload_was_not_taken(scpi: Scpi, meter: Instrument) -> None:
    scpi.answers["TRIG:TIM?"] = "9.91E37"
    with pytest.raises(InstrumentError, match="reads back as nan"):
        meter.apply("timer", 1e-4, read="timer_read")


def test_a_reset_clears_before_and_waits_until_done(scpi: Scpi, meter: Instrument) -> None:
    scpi.queue.append('-350,"Queue overflow"')
    meter.reset()
    assert scpi.heard == ["*CLS", "*RST;*OPC?", "SYST:ERR?"]
    scpi.faults["*OPC?"] = (0b1000, ['-330,"Self-test failed"'])
    with pytest.raises(InstrumentError, match=r"command '\*RST;\*OPC\?'; -330 Self-test failed"):
        meter.reset()
    scpi.answers["*OPC?"] = "0"
    with pytest.raises(InstrumentError, match=r"a reset must be answered by 1"):
        meter.reset()


def test_a_reset_may_take_longer_than_other_commands(meter: Instrument, monkeypatch: pytest.MonkeyPatch) -> None:
    given: dict[str, float | None] = {}

    def ask(message: str, timeout_s: float | None = None) -> str:
        given[message] = timeout_s
        return {"*RST;*OPC?": "1"}.get(message, "0")

    monkeypatch.setattr(meter.link, "ask", ask)
    meter.reset()
    assert given == {"*RST;*OPC?": RESET_TIMEOUT_S, "SYST:ERR?": None}


def test_a_missing_command_is_not_sent_and_cannot_be_asked(scpi: Scpi) -> None:
    with talking(scpi, overrides={"autozero": ""}) as meter:
        meter.send("autozero", value=False)
        with pytest.raises(InstrumentError, match=r"it has no command for 'autozero' \(bench file: meter.commands\)"):
            meter.ask("autozero", value=False)
        assert scpi.heard == []


def test_a_deadline_may_be_given_with_a_command(scpi: Scpi, meter: Instrument) -> None:
    with pytest.raises(LinkTimeoutError, match=r"no reply within 0.05 s; command 'READ\?'"):
        meter.ask("read", timeout_s=0.05)
