"""The hardened raw-socket session keeps the meanings of VISA, and says at start which name of pyvisa-py it misses."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa
from pyvisa.constants import BufferOperation, ResourceAttribute, StatusCode
from pyvisa.errors import VisaIOError
from pyvisa_py import sessions, tcpip

from drivers import visa_link, visa_socket
from drivers.errors import LinkError
from tests.drivers import faulty_peer
from tests.drivers.faulty_peer import FaultyPeer, Wire


def talk(wire: Wire) -> None:
    """Whatever the command, two lines in two pieces."""
    wire.line()
    wire.say(b"ab\ncd")
    wire.go.wait(10)
    wire.say(b"e\n")
    wire.line()


@pytest.fixture
def peer() -> Iterator[FaultyPeer]:
    with FaultyPeer(talk) as peer:
        yield peer


@pytest.fixture
def opened(peer: FaultyPeer) -> Iterator[Any]:
    """The resource as any other user of pyvisa in this process gets it."""
    visa_socket.register()
    resource = pyvisa.ResourceManager("@py").open_resource(peer.visa, timeout=60, read_termination="\n")
    yield resource
    resource.close()


def test_a_read_stops_at_the_termination_character_and_keeps_the_rest(opened: Any, peer: FaultyPeer) -> None:
    opened.write_raw(b"x\n")
    assert opened.read() == "ab"
    peer.go.set()
    assert opened.read() == "cde"


def test_a_read_of_a_count_stops_at_the_count(opened: Any) -> None:
    opened.write_raw(b"x\n")
    assert opened.read_bytes(1) == b"a"
    assert opened.read_bytes(4) == b"b\ncd"


def test_a_read_without_its_end_is_a_timeout(opened: Any) -> None:
    opened.write_raw(b"x\n")
    assert opened.read() == "ab"
    with pytest.raises(VisaIOError) as caught:
        opened.read()
    assert caught.value.error_code == StatusCode.error_timeout


def test_a_raw_socket_has_no_device_clear(opened: Any) -> None:
    with pytest.raises(VisaIOError) as caught:
        opened.clear()
    assert caught.value.error_code == StatusCode.error_nonsupported_operation


def test_flush_drops_what_was_received_without_io(opened: Any, peer: FaultyPeer) -> None:
    opened.write_raw(b"x\n")
    assert opened.read() == "ab"
    opened.flush(BufferOperation.discard_read_buffer)
    peer.go.set()
    assert opened.read() == "e"


def test_what_arrived_is_read_at_once_where_nothing_marks_an_end(opened: Any) -> None:
    opened.set_visa_attribute(ResourceAttribute.termchar_enabled, False)
    opened.set_visa_attribute(ResourceAttribute.suppress_end_enabled, False)
    opened.write_raw(b"x\n")
    with opened.ignore_warning(StatusCode.success_max_count_read):
        assert opened.visalib.read(opened.session, 3) == (b"ab\n", StatusCode.success_max_count_read)
    assert opened.visalib.read(opened.session, 100) == (b"cd", StatusCode.success)


def test_a_read_waits_for_its_count_where_an_end_is_suppressed(opened: Any) -> None:
    opened.set_visa_attribute(ResourceAttribute.termchar_enabled, False)
    opened.set_visa_attribute(ResourceAttribute.suppress_end_enabled, True)
    opened.write_raw(b"x\n")
    with pytest.raises(VisaIOError) as caught:
        opened.visalib.read(opened.session, 100)
    assert caught.value.error_code == StatusCode.error_timeout


def test_a_closed_peer_is_connection_lost() -> None:
    visa_socket.register()
    with FaultyPeer(faulty_peer.close_at_once) as peer:
        resource: Any = pyvisa.ResourceManager("@py").open_resource(peer.visa, timeout=600_000)
        with pytest.raises(VisaIOError) as caught:
            resource.read_bytes(1)
        assert caught.value.error_code == StatusCode.error_connection_lost
        resource.close()


@pytest.mark.parametrize(("owner", "name"), visa_socket.PINS)
def test_a_missing_private_name_is_named_at_start(owner: Any, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    lacking = type(owner.__name__, (), {})
    pins = tuple((lacking, n) if (o, n) == (owner, name) else (o, n) for o, n in visa_socket.PINS)
    monkeypatch.setattr(visa_socket, "PINS", pins)
    monkeypatch.setattr(visa_link, "_managers", {})
    with pytest.raises(LinkError) as caught:
        visa_link.open_visa_link("TCPIP::127.0.0.1::1::SOCKET")
    assert f"has no {owner.__name__}.{name}; needed is >=0.8.1,<0.9" in str(caught.value)


def test_the_session_in_use_is_checked_and_not_assumed(peer: FaultyPeer, monkeypatch: pytest.MonkeyPatch) -> None:
    visa_link.open_visa_link(peer.visa).close()
    key = visa_socket.SocketSession.session_type
    monkeypatch.setitem(sessions.Session._session_classes, key, tcpip.TCPIPSocketSession)
    monkeypatch.setattr(tcpip.TCPIPSocketSession, "session_type", key)
    with pytest.raises(LinkError, match="pyvisa-py did not use the hardened session for a raw socket"):
        visa_link.open_visa_link(peer.visa)
