"""Several commands travel in one program message, each from the root of the command tree."""

from __future__ import annotations

import pytest

from drivers.dialect import Dialect
from drivers.errors import InstrumentError, ReplyError
from drivers.instrument import Instrument
from drivers.message import joined, send_together, truth
from tests.drivers.scripted import FunctionLink


def _instrument(*replies: str | None, overrides: dict[str, str] | None = None) -> tuple[Instrument, FunctionLink]:
    left = list(replies)
    link = FunctionLink("meter", lambda message: left.pop(0))
    return Instrument(link, Dialect("meter", overrides), name="meter"), link


def test_a_header_after_a_semicolon_starts_at_the_root() -> None:
    """SCPI-99 vol. 1, 6.2.4 (memory): without the colon it would continue below ROUT."""
    assert joined("ROUT:CLOS (@101)", "ROUT:CLOS? (@101)") == "ROUT:CLOS (@101);:ROUT:CLOS? (@101)"
    assert joined("TRIG:COUN 1", "", "*ESR?", ":INIT") == "TRIG:COUN 1;*ESR?;:INIT"
    assert joined("*CLS", "INIT") == "*CLS;:INIT"


def test_one_error_check_covers_all_commands_of_a_message() -> None:
    instrument, link = _instrument("0")
    send_together(instrument, "TRIG:COUN 1", "TRIG:SOUR IMM")
    assert link.sent == [("meter", "TRIG:COUN 1;:TRIG:SOUR IMM;*ESR?")]


def test_the_errors_of_a_message_are_raised_in_one_exception() -> None:
    instrument, _ = _instrument("16", '-222,"Data out of range"', '-221,"Settings conflict"', '0,"No error"')
    with pytest.raises(InstrumentError) as caught:
        send_together(instrument, "TRIG:COUN 1", "TRIG:TIM 0")
    assert [number for number, _ in caught.value.errors] == [-222, -221]
    assert "TRIG:COUN 1;:TRIG:TIM 0" in str(caught.value)


def test_an_instrument_without_an_event_status_is_asked_for_its_errors() -> None:
    instrument, link = _instrument(None, '0,"No error"', overrides={"event_status": ""})
    send_together(instrument, "TRIG:COUN 1", "TRIG:SOUR IMM")
    assert [message for _, message in link.sent] == ["TRIG:COUN 1;:TRIG:SOUR IMM", "SYST:ERR?"]


def test_nothing_is_sent_where_the_instrument_has_none_of_the_commands() -> None:
    instrument, link = _instrument()
    send_together(instrument, "", "")
    assert link.sent == []


def test_an_event_status_that_is_no_number_loses_the_link() -> None:
    instrument, link = _instrument("+3.3E+00")
    with pytest.raises(ReplyError, match="the event status must be a whole number"):
        send_together(instrument, "INIT")
    assert link.state == "lost"


@pytest.mark.parametrize(("reply", "expected"), [("1", True), ("ON", True), ("+1", True), ("0", False), ("OFF", False)])
def test_a_truth_value_is_1_or_0(reply: str, expected: bool) -> None:
    instrument, _ = _instrument(reply)
    assert truth(instrument, "OUTP?") is expected


@pytest.mark.parametrize("reply", ["", "2", "1,0", "1.0", "1;0"])
def test_any_other_truth_value_loses_the_link(reply: str) -> None:
    instrument, link = _instrument(reply)
    with pytest.raises(ReplyError, match="a truth value must be 1 or 0"):
        truth(instrument, "OUTP?")
    assert link.state == "lost"
