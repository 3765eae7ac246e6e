"""Several commands travel in one program message, each from the root of the command tree."""

from __future__ import annotations

import pytest

from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkTimeoutError, ReplyError
from drivers.instrument import Instrument
from drivers.message import joined, send_together, told, truth
from tests.drivers.scripted import FunctionLink


def _instrument(*replies: str | None) -> tuple[Instrument, FunctionLink]:
    left = list(replies)
    link = FunctionLink("meter", lambda message: left.pop(0))
    return Instrument(link, Dialect("meter"), name="meter"), link


def test_a_header_after_a_semicolon_starts_at_the_root() -> None:
    """SCPI-99 vol. 1, 6.2.4 (memory): without the colon it would continue below ROUT."""
    assert joined("ROUT:CLOS (@101)", "ROUT:CLOS? (@101)") == "ROUT:CLOS (@101);:ROUT:CLOS? (@101)"
    assert joined("TRIG:COUN 1", "", "*ESR?", ":INIT") == "TRIG:COUN 1;*ESR?;:INIT"
    assert joined("*CLS", "INIT") == "*CLS;:INIT"


def test_one_error_check_covers_all_commands_of_a_message() -> None:
    instrument, link = _instrument(None, "0")
    send_together(instrument, "TRIG:COUN 1", "TRIG:SOUR IMM")
    assert [message for _, message in link.sent] == ["TRIG:COUN 1;:TRIG:SOUR IMM", "*ESR?"]


def test_the_errors_of_a_message_are_raised_in_one_exception() -> None:
    instrument, _ = _instrument(None, "16", '-222,"Data out of range"', '-221,"Settings conflict"', '0,"No error"')
    with pytest.raises(InstrumentError) as caught:
        send_together(instrument, "TRIG:COUN 1", "TRIG:TIM 0")
    assert [number for number, _ in caught.value.errors] == [-222, -221]
    assert "TRIG:COUN 1;:TRIG:TIM 0" in str(caught.value)


def test_nothing_is_sent_where_the_instrument_has_none_of_the_commands() -> None:
    instrument, link = _instrument()
    send_together(instrument, "", "")
    assert link.sent == []


def test_a_command_and_its_proof_are_two_messages_and_one_reply() -> None:
    instrument, link = _instrument(None, " 1 ")
    assert told(instrument, "OUTP ON", "OUTP?") == "1"
    assert [message for _, message in link.sent] == ["OUTP ON", "OUTP?"]


def _silent(errors: list[str]) -> tuple[Instrument, FunctionLink]:
    """An instrument that gives the query up at its error, as it did the command: no reply comes."""

    def answer(message: str) -> str | None:
        if message == "SYST:ERR?":
            return errors.pop(0)
        if "?" in message:
            raise LinkTimeoutError("no reply within 2 s", resource="meter", command=message)
        return None

    link = FunctionLink("meter", answer)
    return Instrument(link, Dialect("meter"), name="meter"), link


def test_a_proof_that_does_not_come_is_explained_by_the_instrument_s_own_words() -> None:
    instrument, link = _silent(['-222,"Data out of range"', '0,"No error"'])
    with pytest.raises(InstrumentError, match=r"command 'ROUT:CLOS \(@999\)'; -222 Data out of range"):
        told(instrument, "ROUT:CLOS (@999)", "ROUT:CLOS? (@999)")
    assert link.reopened == 1


def test_a_proof_that_does_not_come_for_no_stated_reason_is_a_missed_deadline() -> None:
    instrument, _ = _silent(['0,"No error"'])
    with pytest.raises(LinkTimeoutError, match="no reply within 2 s"):
        told(instrument, "OUTP ON", "OUTP?")


@pytest.mark.parametrize(("reply", "expected"), [("1", True), ("ON", True), ("+1", True), ("0", False), ("OFF", False)])
def test_a_truth_value_is_1_or_0(reply: str, expected: bool) -> None:
    instrument, _ = _instrument()
    assert truth(instrument, "OUTP?", reply) is expected


@pytest.mark.parametrize("reply", ["", "2", "1,0", "1.0", "1;0"])
def test_any_other_truth_value_loses_the_link(reply: str) -> None:
    instrument, link = _instrument()
    with pytest.raises(ReplyError, match="a truth value must be 1 or 0"):
        truth(instrument, "OUTP?", reply)
    assert link.state == "lost"
