"""A source's output is off at high impedance, and both read back, before it is ever switched on."""

from __future__ import annotations

import pytest

from drivers.dialect import Dialect
from drivers.errors import BenchError, InstrumentError, LimitError, ReplyError
from drivers.instrument import Instrument
from drivers.source import Source
from tests.drivers.scripted import FunctionLink, HandTime, Rig


def _scripted(*replies: str) -> tuple[Source, FunctionLink]:
    left = list(replies)
    link = FunctionLink("source", lambda message: left.pop(0) if "?" in message else None)
    return Source(Instrument(link, Dialect("source"), name="source"), HandTime().clock()), link


def test_the_off_mode_is_set_and_verified_before_anything_else() -> None:
    rig = Rig(output=True)
    Source(rig.instrument("source"), rig.time.clock()).prepare(5.5, 1e-3)
    assert rig.messages("source") == [
        "OUTP:SMOD HIMP",
        "OUTP:SMOD?",
        "OUTP:STAT OFF",
        "OUTP:STAT?",
        "SOUR:FUNC:MODE VOLT;:SOUR:VOLT:LEV:IMM:AMPL 0;:SOUR:VOLT:RANG 5.5;:SENS:FUNC:CONC ON;"
        ':SENS:FUNC "VOLT:DC","CURR:DC"',
        "*ESR?",
        "SENS:CURR:PROT:LEV 0.001",
        "*ESR?",
        "SENS:CURR:PROT:LEV?",
    ]
    assert (rig.output, rig.off_mode, rig.compliance_a) == (False, "HIMP", 1e-3)


def test_an_off_mode_that_stays_normal_is_an_error_and_the_output_goes_off_all_the_same() -> None:
    source, link = _scripted("NORM", '0,"No error"', "0")
    with pytest.raises(InstrumentError) as caught:
        source.output_off()
    assert str(caught.value) == ("source: the off mode reads back 'NORM', not high impedance; command 'OUTP:SMOD HIMP'")
    assert link.sent[-2:] == [("source", "OUTP:STAT OFF"), ("source", "OUTP:STAT?")]


def test_a_wire_that_fails_at_the_off_mode_does_not_leave_the_output_on() -> None:
    """Used to refuse the command that switches off, the link being given up: the output stayed on."""
    rig = Rig(output=True)
    instrument = rig.instrument("source")
    link = instrument.link
    assert isinstance(link, FunctionLink)
    honest = link.answer
    link.answer = lambda message: "" if message == "OUTP:SMOD?" else honest(message)
    with pytest.raises(ReplyError, match=r"the off mode must be a word; command 'OUTP:SMOD\?'"):
        Source(instrument, rig.time.clock()).output_off()
    assert not rig.output
    assert link.reopened == 1


@pytest.mark.parametrize("mode", ["HIMP", "himp", "HIMPEDANCE"])
def test_the_off_mode_may_be_answered_in_short_or_long_form(mode: str) -> None:
    source, _ = _scripted(mode, "0")
    source.output_off()


@pytest.mark.parametrize("mode", ["H", "HI", "ZERO", "HIMX", "NORMAL"])
def test_another_word_is_not_high_impedance(mode: str) -> None:
    source, _ = _scripted(mode, '0,"No error"', "0")
    with pytest.raises(InstrumentError, match="not high impedance"):
        source.output_off()


def test_an_output_that_stays_on_is_an_error() -> None:
    source, _ = _scripted("HIMP", "1", '0,"No error"')
    with pytest.raises(InstrumentError, match="the output reads back on; command 'OUTP:STAT OFF'"):
        source.output_off()


def test_an_output_that_stays_off_is_an_error() -> None:
    source, _ = _scripted("0", '-222,"Data out of range"', '0,"No error"')
    with pytest.raises(InstrumentError, match="-222 Data out of range"):
        source.output_on()


def test_a_voltage_beyond_the_limit_is_refused_before_anything_is_sent() -> None:
    rig = Rig()
    source = Source(rig.instrument("source"), rig.time.clock())
    source.prepare(5.5, 1e-3)
    sent = len(rig.sent)
    with pytest.raises(LimitError, match=r"source source: 5.6 V is beyond its limit of 5.5 V"):
        source.force_voltage(5.6)
    with pytest.raises(LimitError):
        source.force_voltage(float("nan"))
    assert len(rig.sent) == sent
    source.force_voltage(3.3)
    assert rig.forced_v == 3.3


def test_a_source_that_was_not_prepared_forces_nothing() -> None:
    source, link = _scripted()
    with pytest.raises(BenchError, match="must be prepared before a voltage is forced"):
        source.force_voltage(1.0)
    assert link.sent == []


def test_a_source_reads_volts_and_amperes() -> None:
    rig = Rig(forced_v=3.3)
    source = Source(rig.instrument("source"), rig.time.clock())
    assert source.read() == (3.3, 5.5e-5)
    assert source.in_compliance() is False


def test_an_overload_is_an_error_and_never_a_number() -> None:
    source, _ = _scripted("3.3,9.9E37")
    with pytest.raises(BenchError, match=r"source source: overload: 3.3 V, nan A"):
        source.read()
