"""Each exchange with an instrument is a sign of life of whoever makes it."""

from __future__ import annotations

import pytest

from drivers.attended_link import USUAL_S, AttendedLink
from drivers.errors import LinkTimeoutError
from tests.drivers.scripted import FunctionLink


def test_an_exchange_says_how_long_it_may_take_and_when_it_has_ended() -> None:
    heard: list[float] = []
    link = AttendedLink(FunctionLink("meter", lambda message: "1" if "?" in message else None), heard.append)
    link.send("INIT")
    assert link.ask("*OPC?", 12.0) == "1"
    link.reopen()
    assert heard == [USUAL_S, 0.0, 12.0, 0.0, USUAL_S, 0.0]


def test_an_exchange_that_fails_has_ended_too() -> None:
    heard: list[float] = []

    def deaf(message: str) -> str:
        raise LinkTimeoutError("no reply within 2 s", resource="meter", command=message)

    link = AttendedLink(FunctionLink("meter", deaf), heard.append)
    before_s = link.used_s
    with pytest.raises(LinkTimeoutError):
        link.ask("READ?")
    assert heard == [USUAL_S, 0.0]
    assert link.used_s > before_s
    assert (link.resource, link.state) == ("meter", "ok")
    link.revoke()
    assert link.state == "lost"
