"""Every message that goes over a tapped link is told, with its time and direction, and passes unchanged."""

from __future__ import annotations

import pytest

from drivers.errors import LinkError, LinkTimeoutError
from drivers.link import Link
from drivers.visa_link import open_visa_link
from drivers.wire_log import WireEvent, WireLog
from tests.drivers import faulty_peer
from tests.drivers.faulty_peer import FaultyPeer


def answer(command: str) -> bytes:
    return {"A?": b"1\n", "DATA?": b"#14\n\n\n\n\n"}.get(command, b"")


def test_every_message_is_told_in_order_and_passes_unchanged() -> None:
    events: list[WireEvent] = []
    with FaultyPeer(faulty_peer.answering(answer)) as peer:
        link: Link = WireLog(open_visa_link(peer.visa, timeout_s=2.0), events.append)
        assert link.resource == peer.visa
        assert link.ask("A?") == "1"
        assert link.ask_block("DATA?") == b"\n\n\n\n"
        link.send("*RST")
        with pytest.raises(LinkTimeoutError):
            link.ask("B?", 0.05)
        assert link.state == "dirty"
        with pytest.raises(LinkError):
            link.send("*CLS")
        link.reopen()
        link.revoke()
        link.close()
    assert [(event.direction, event.text) for event in events] == [
        ("sent", "A?"),
        ("received", "1"),
        ("sent", "DATA?"),
        ("received", "block of 4 bytes"),
        ("sent", "*RST"),
        ("sent", "B?"),
        ("failed", f"{peer.visa}: no reply within 0.05 s; command 'B?'"),
        ("sent", "*CLS"),
        (
            "failed",
            f"{peer.visa}: the link is dirty (no reply within 0.05 s); reopen it first; command '*CLS'",
        ),
        ("opened", ""),
        ("revoked", ""),
        ("closed", ""),
    ]
    times = [event.time_s for event in events]
    assert times == sorted(times)
    assert {event.resource for event in events} == {peer.visa}
