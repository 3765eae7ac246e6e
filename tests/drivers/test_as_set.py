"""What was measured counts only where every instrument still stands as it was told; a restart or a knob shows."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers import reply
from drivers.as_set import prove, same_word
from drivers.bench import Bench
from drivers.board import Board
from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkTimeoutError, NotAsSetError, ReplyError
from drivers.instrument import Instrument
from drivers.meter import Meter
from drivers.relay_board import RelayBoard
from drivers.switch import channel_list
from tests.drivers.scripted import FunctionLink, HandTime, Rig, scpi


def prepared(rig: Rig) -> Bench:
    """A bench in the middle of a trial: a pin and a resistor on the bus, one pin set up, the source at 1 V and off."""
    bench = rig.bench()
    bench.prepare()
    bench.label("D1 buffer off none #1")
    bench.select("D1")
    bench.fit("47 kΩ")
    assert bench.board is not None
    assert bench.source is not None
    bench.board.setup("D1", "buffer off")
    bench.source.force_voltage(1.0)
    bench.voltage()
    return bench


def turn(head: str, value: str) -> Callable[[Rig], None]:
    """Somebody turns a knob of the meter."""
    return lambda rig: rig.settings.update({head: value})


CHANGES: dict[str, tuple[Callable[[Rig], object], str]] = {
    "range": (turn("SENS:VOLT:DC:RANG", "100"), "meter: the range was set to 10 V, .*DC:RANG\\?'; reply '100'"),
    "autorange": (turn("SENS:VOLT:DC:RANG:AUTO", "1"), "meter: autorange was set to off, .*; reply '1'"),
    "autozero": (turn("CAL:ZERO:AUTO", "ON"), "meter: autozero was set to off, .*; reply 'ON'"),
    "function": (turn("SENS:FUNC", '"CURR:DC"'), "meter: the function was set to VOLT:DC, .*; reply '\"CURR:DC\"'"),
    "byte order": (turn("FORM:BORD", "SWAP"), "meter: the byte order was set to NORM, .*; reply 'SWAP'"),
    "impedance": (turn("INP:IMP", "1E10"), "meter: the input impedance was set to 1e\\+07 Ω, .*; reply '1E10'"),
    "aperture": (turn("SENS:VOLT:DC:APER", "0.1"), "meter: the aperture was set to 0.02 s, .*; reply '0.1'"),
    "trigger": (turn("TRIG:SOUR", "EXT"), "meter: the trigger was set to IMM, .*; reply 'EXT'"),
    "display": (
        lambda rig: setattr(rig, "display", '"D1 buffer off none #2"'),
        "meter: the text on the display was set to D1 buffer off none #1, .*; reply '\"D1 buffer off none #2\"'",
    ),
    "level": (lambda rig: setattr(rig, "forced_v", 2.0), "source: the level was set to 1 V, .*; reply '2.0'"),
    "limit": (lambda rig: setattr(rig, "compliance_a", 0.1), "source: the current limit was set to 0.001 A, .*'0.1'"),
    "output": (lambda rig: setattr(rig, "output", True), "source: the output was set to off, .*; reply '1'"),
    "off mode": (lambda rig: setattr(rig, "off_mode", "NORM"), "source: the off mode was set to HIMP, .*'NORM'"),
    "mode": (lambda rig: rig.settings.update({"SOUR:FUNC:MODE": "CURR"}), "source: the mode was set to VOLT, .*'CURR'"),
    "one more": (
        lambda rig: rig.closed.add("102"),
        r"switch: the closed list was set to \(@101\), .*; reply '\(@101,102\)'",
    ),
    "none left": (lambda rig: rig.closed.clear(), r"switch: the closed list was set to \(@101\), .*; reply '\(@\)'"),
    "resistor gone": (
        lambda rig: rig.board_closed.clear(),
        "relay_board: the closed list was set to 1, .*; command 'CLOSED\\?'; reply 'NONE'",
    ),
    "setup": (
        lambda rig: rig.setups.clear(),
        "board: the setup of D1 was set to buffer off, .*; command 'setup\\? D1'; reply 'reset default'",
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_setting_that_has_changed_is_named_with_what_was_told_and_what_is(change: str) -> None:
    rig = Rig()
    bench = prepared(rig)
    bench.prove_as_set()
    act, told = CHANGES[change]
    act(rig)
    with pytest.raises(NotAsSetError, match=f"^{told}"):
        bench.prove_as_set()
    assert bench.state == "fault"
    # Whatever it was, nothing is asked over that link before it was opened anew.
    assert any(one.link.state == "lost" for one in bench._instruments().values())


def test_the_proof_costs_a_message_an_instrument() -> None:
    rig = Rig()
    bench = prepared(rig)
    before = len(rig.sent)
    bench.prove_as_set()
    asked = rig.sent[before:]
    assert sorted(role for role, _ in asked) == ["board", "meter", "relay_board", "source", "switch"]
    # The text of the display names the trial: no other question is answered so.
    assert asked[-1][0] == "meter"
    assert asked[-1][1].endswith(";:DISP:TEXT?")


def test_a_log_is_read_back_with_its_own_timing() -> None:
    rig = Rig()
    bench = prepared(rig)
    bench.start_log(1e-3, 20)
    bench.read_log()
    bench.prove_as_set()
    rig.settings["TRIG:TIM"] = "0.002"
    with pytest.raises(NotAsSetError, match=r"^meter: the timer was set to 0.001 s, .*; reply '0.002'"):
        bench.prove_as_set()


@pytest.mark.parametrize("without", ["label_read", "function_read", "autorange_read", "trigger_read", "autozero"])
def test_what_an_instrument_has_no_command_for_is_not_asked_for(without: str) -> None:
    rig = Rig()
    meter = Meter(rig.instrument("meter", {without: ""}), rig.time.clock())
    meter.instrument.reset()
    meter.configure(10.0, 0.02, 10e6, 50.0)
    meter.label("D1")
    meter.prove_as_set()
    query = {"autozero": "CAL:ZERO:AUTO?"}.get(without) or Dialect("meter").text(without)
    assert query not in rig.messages("meter")[-1].split(";:")


def instrument(answers: dict[str, str | None]) -> tuple[Instrument, FunctionLink]:
    def one(command: str) -> str | None:
        return {"*CLS": None, "*RST": None, "*OPC?": "1", "SYST:ERR?": '0,""', **answers}[command]

    link = FunctionLink("port", scpi(one))
    return Instrument(link, Dialect("source"), name="source"), link


def test_an_instrument_that_restarted_says_so_in_its_event_status() -> None:
    """Bit 7, power on (IEEE 488.2, 11.5.1.1: the weight of bit 7 is 128)."""
    answers: dict[str, str | None] = {"*ESR?": "0", "OUTP:STAT ON": None}
    source, _ = instrument(answers)
    source.reset()
    source.send("output_on")
    answers["*ESR?"] = "128"
    with pytest.raises(NotAsSetError) as caught:
        source.send("output_on")
    assert str(caught.value) == (
        "port: it restarted (event status 128: power on): its settings are back at their defaults; "
        "command 'OUTP:STAT ON'"
    )
    with pytest.raises(NotAsSetError, match="restarted"):
        prove(source, [])


def test_the_power_on_event_that_an_instrument_is_found_with_is_no_restart() -> None:
    answers: dict[str, str | None] = {"*ESR?": "128", "OUTP:STAT ON": None}
    source, _ = instrument(answers)
    source.send("output_on")
    source.reset()
    with pytest.raises(NotAsSetError):
        source.send("output_on")


def test_without_a_clear_command_the_event_is_read_away_instead() -> None:
    events = ["128", "0"]
    link = FunctionLink("port", scpi(lambda command: events.pop(0) if command == "*ESR?" else None))
    source = Instrument(link, Dialect("source", {"clear": ""}), name="source")
    source.clear_status()
    source.send("output_on")
    assert [message for _, message in link.sent] == ["*ESR?", "OUTP:STAT ON", "*ESR?"]


def test_replies_that_have_slipped_by_one_are_found() -> None:
    """The reply to the question before: another number of parts, or none that is an event status."""
    rig = Rig()
    bench = prepared(rig)
    link = bench.meter.instrument.link
    assert isinstance(link, FunctionLink)
    right = link.answer
    late: list[str | bytes | None] = ["+3.2460000E+00"]

    def slipped(message: str) -> str | bytes | None:
        answered = right(message)
        if answered is None:
            return None
        late.append(answered)
        return late.pop(0)

    link.answer = slipped
    with pytest.raises(ReplyError, match=r"1 replies to \d+ queries; command '\*ESR\?;:SENS:FUNC\?"):
        bench.prove_as_set()


def test_an_instrument_that_lacks_a_query_is_refused_in_its_own_words() -> None:
    time = HandTime()
    errors = ['-113,"Undefined header;DISP:TEXT?"', '0,"No error"']

    def answer(message: str) -> str | None:
        if message == "SYST:ERR?":
            return errors.pop(0)
        if message.startswith("*ESR?;"):
            raise LinkTimeoutError("no reply within 2 s", resource="port", command=message)
        return "0" if message == "*ESR?" else None

    meter = Meter(Instrument(FunctionLink("port", answer), Dialect("meter"), name="meter"), time.clock())
    with pytest.raises(InstrumentError) as caught:
        meter.prove_as_set()
    assert str(caught.value).startswith(
        'port: cannot be asked how it is set (what it lacks, the bench file sets to "" in meter.commands); command '
    )
    assert str(caught.value).endswith("-113 Undefined header;DISP:TEXT?")


def test_a_relay_that_fell_open_shows_at_the_next_command_to_any_other() -> None:
    """A later command may close it again, and then no list at the end would show that it had been open."""
    rig = Rig()
    bench = prepared(rig)
    rig.board_closed.clear()
    with pytest.raises(NotAsSetError, match=r"^relay_board: the closed list was set to 1 2, .*; reply '2'"):
        bench._relays.devices["relay_board"].close("2")


def test_a_board_that_lost_its_power_is_not_asked_for_setups_that_nobody_expects() -> None:
    rig = Rig()
    bench = prepared(rig)
    rig.setups.clear()
    assert bench.board is not None
    bench.board.forget()
    bench.prove_as_set()


def test_preparing_again_refuses_another_instrument_than_before() -> None:
    rig = Rig()
    bench = prepared(rig)
    bench.make_safe()
    bench.identities["meter"] = ("meter", "Invented Instruments,V6,10,1.0")
    with pytest.raises(InstrumentError) as caught:
        bench.prepare()
    assert str(caught.value) == (
        "meter: another instrument than before, which answered 'Invented Instruments,V6,10,1.0'; "
        "reply 'Invented Instruments,V6,9,1.0'"
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", [""]),
        ("0", ["0"]),
        ('0; "VOLT:DC" ;10', ["0", '"VOLT:DC"', "10"]),
        ('0;"D1 ""a;b"" none";1', ["0", '"D1 ""a;b"" none"', "1"]),
        ("0;'a;b';", ["0", "'a;b'", ""]),
        ('0;"open;1', ["0", '"open;1']),
    ],
)
def test_the_parts_of_a_reply_are_those_between_semicolons_outside_of_quotes(text: str, expected: list[str]) -> None:
    """IEEE 488.2, 8.4.1: response message units are parted by semicolons; 8.7.8: string data may hold any character."""
    assert reply.parts(text) == expected


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [("HIMP", "HIMPEDANCE", True), ("TIM", "TIMER", True), ("IMM", "IMMEDIATE", True), ("IMM", "IM", False),
     ("NORM", "NORMAL", True), ("NORM", "SWAP", False), ("VOLT", "VOLT", True)],
)  # fmt: skip
def test_a_word_is_read_back_in_short_or_long_form(one: str, other: str, same: bool) -> None:
    """SCPI-99 vol. 1, 6.2.1: the short form is the first four letters, three where the fourth is a vowel."""
    assert same_word(one, other) is same


def test_channels_of_several_parts_stand_in_a_closed_list_too() -> None:
    assert channel_list("(@1!3,2!1!4)") == {"1!3", "2!1!4"}


@pytest.mark.parametrize("volts", [15.1, -15.1, 1e30, 5e-324, -1e-19])
def test_a_reading_that_cannot_be_one_on_this_range_is_refused(volts: float) -> None:
    """Eight bytes in the other order make an exponent of the last digits of a number: huge, or next to nothing."""
    rig = Rig(volts=lambda rig: volts)
    bench = rig.bench()
    bench.prepare()
    with pytest.raises(ReplyError, match=r"^meter: no voltages on the 10 V range: bytes in another order\?; .*READ\?"):
        bench.voltage()


@pytest.mark.parametrize("volts", [14.9, -12.0, 0.0, 1e-17, 1e-9])
def test_a_reading_that_can_be_one_is_taken(volts: float) -> None:
    rig = Rig(volts=lambda rig: volts)
    bench = rig.bench()
    bench.prepare()
    assert bench.voltage() == volts


def test_a_relay_board_that_restarts_between_command_and_list_is_no_fault_of_the_wiring() -> None:
    """Sent again, the command is carried out; a relay that is broken stays open (test_relay_board.py)."""
    lists = ["NONE", "3"]
    link = FunctionLink("port", lambda message: lists.pop(0) if message == "CLOSED?" else "OK")
    with pytest.raises(NotAsSetError, match=r"^port: channel 3 was set to closed, .*; reply 'NONE'"):
        RelayBoard(Instrument(link, Dialect("relay_board"), name="relay_board")).close("3")


def test_a_board_that_refuses_to_say_how_a_pin_is_set_up_is_not_as_it_was() -> None:
    answers = {"setup D1 off": "ok", "setup? D1": "off"}
    board = Board(Instrument(FunctionLink("port", answers.__getitem__), Dialect("board"), name="board"))
    board.setup("D1", "off")
    board.prove_as_set()
    answers["setup? D1"] = "error: not now"
    with pytest.raises(NotAsSetError, match=r"^port: the setup of D1 was set to off, .*refused: error: not now"):
        board.prove_as_set()
