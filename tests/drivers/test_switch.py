"""One relay a command, and its readback right behind; what does not read back is a wiring error."""

from __future__ import annotations

import pytest

from drivers.errors import InstrumentError, ReplyError, WiringError
from drivers.switch import Switch, channel_list
from tests.drivers.scripted import Rig


def test_a_relay_is_read_back_right_after_it_was_told() -> None:
    rig = Rig()
    switch = Switch(rig.instrument("switch"))
    switch.close("101")
    assert switch.closed() == {"101"}
    switch.open("101")
    assert rig.messages("switch") == [
        "ROUT:CLOS (@101)",
        "ROUT:CLOS? (@101)",
        "ROUT:CLOS:STAT?",
        "ROUT:OPEN (@101)",
        "ROUT:CLOS? (@101)",
    ]
    assert rig.closed == set()


def test_a_relay_that_does_not_open_is_a_wiring_error() -> None:
    rig = Rig(stuck={"201"})
    switch = Switch(rig.instrument("switch"))
    switch.close("201")
    with pytest.raises(WiringError) as caught:
        switch.open("201")
    assert str(caught.value) == "switch switch: channel 201 reads back closed after 'ROUT:OPEN (@201)'"
    with pytest.raises(WiringError, match=r"channel 201 reads back closed after 'ROUT:OPEN:ALL'"):
        switch.open_all()


def test_a_relay_that_does_not_close_is_a_wiring_error() -> None:
    rig = Rig()
    link = rig.link("switch")
    link.answer = lambda message: '0,"No error"' if "ERR" in message else "0" if "?" in message else None
    instrument = rig.instrument("switch")
    switch = Switch(type(instrument)(link, instrument.dialect, name="switch"))
    with pytest.raises(WiringError, match="channel 101 reads back open after"):
        switch.close("101")


def test_the_switch_s_own_words_come_before_a_guess_about_the_wiring() -> None:
    rig = Rig(stuck={"101"}, closed={"101"}, errors={"switch": ['-241,"Hardware missing"']})
    with pytest.raises(InstrumentError, match="-241 Hardware missing"):
        Switch(rig.instrument("switch")).open("101")


def test_a_reset_opens_everything_and_proves_it() -> None:
    rig = Rig(closed={"101", "201"})
    Switch(rig.instrument("switch")).reset()
    assert rig.closed == set()
    assert rig.messages("switch")[-2:] == ["ROUT:OPEN:ALL", "ROUT:CLOS:STAT?"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("(@)", set()),
        (" ( @ ) ", set()),
        ("(@101)", {"101"}),
        ("(@101,103:105)", {"101", "103", "104", "105"}),
        ("(@101, 203 )", {"101", "203"}),
    ],
)
def test_a_channel_list_is_read_whole(text: str, expected: set[str]) -> None:
    assert channel_list(text) == frozenset(expected)


@pytest.mark.parametrize("text", ["", "101", "(@101", "(@101,,102)", "(@101,)", "(@a:b)", "(@1;2)", "(@101)(@102)"])
def test_what_is_no_channel_list_is_refused(text: str) -> None:
    assert channel_list(text) is None


@pytest.mark.parametrize("text", ["(@1:99999999999)", "(@1:999999999)", "(@1:" + "9" * 5000 + ")", "(@²:9)"])
def test_a_range_longer_than_any_switch_is_refused_and_not_written_out(text: str) -> None:
    """Used to fill the memory, or to end in an error of the language."""
    assert channel_list(text) is None


def test_a_closed_list_that_is_none_loses_the_link() -> None:
    rig = Rig()
    instrument = rig.instrument("switch", {"closed_list": "ROUT:CLOS? (@101)"})
    with pytest.raises(ReplyError, match=r"a closed list must look like \(@101,103\)"):
        Switch(instrument).closed()
    assert instrument.link.state == "lost"
