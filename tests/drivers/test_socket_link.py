"""A line on a TCP port as it is: whole lines only, a closed peer seen at once, nothing waits beyond its deadline."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from drivers.errors import LinkClosedError, LinkError, LinkTimeoutError, ReplyError
from drivers.link import Link
from drivers.socket_link import open_socket_link


@contextmanager
def _peer(serve: Callable[[socket.socket], None], timeout_s: float = 2.0) -> Iterator[Link]:
    """A link to a peer that is this function of its one connection."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def accept() -> None:
            connection, _ = listener.accept()
            with connection:
                serve(connection)

        thread = threading.Thread(target=accept)
        thread.start()
        link = open_socket_link(f"socket://127.0.0.1:{listener.getsockname()[1]}", timeout_s=timeout_s)
        try:
            yield link
        finally:
            link.close()
            thread.join(10.0)


def _echo(connection: socket.socket) -> None:
    while data := connection.recv(100):
        connection.sendall(data)


def _dribble(connection: socket.socket) -> None:
    for byte in connection.recv(100):
        connection.sendall(bytes([byte]))


def test_a_line_is_answered_by_a_line_however_it_arrives() -> None:
    with _peer(_echo) as link:
        assert [link.ask("NOW?"), link.ask("UNTIL 1.5")] == ["NOW?", "UNTIL 1.5"]
    with _peer(_dribble) as link:
        assert link.ask("UNTIL 12.25") == "UNTIL 12.25"


def test_a_peer_that_says_nothing_is_waited_for_until_the_deadline() -> None:
    with (
        _peer(lambda connection: connection.recv(100) and connection.recv(100) and None, 0.05) as link,
        pytest.raises(LinkTimeoutError, match=r"no reply within 0\.05 s"),
    ):
        link.ask("NOW?")


def test_a_peer_that_has_gone_is_seen_at_once() -> None:
    with _peer(lambda connection: None, 60.0) as link, pytest.raises(LinkClosedError, match="the connection is gone"):
        link.ask("NOW?")


def test_what_nobody_asked_for_is_never_taken_for_an_answer() -> None:
    told = threading.Event()

    def unasked(connection: socket.socket) -> None:
        connection.sendall(b"7\n")
        told.set()
        connection.recv(100)

    with _peer(unasked) as link:
        assert told.wait(10.0)
        time.sleep(0.05)
        with pytest.raises(ReplyError, match="bytes that answer no question"):
            link.ask("NOW?")


def test_a_line_has_no_blocks() -> None:
    with _peer(_echo) as link, pytest.raises(ReplyError, match="no blocks on a line device"):
        link.ask_block("DATA?")


def test_a_port_where_nobody_listens_is_an_error_when_it_is_opened() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    with pytest.raises(LinkClosedError, match="not opened: ConnectionRefusedError"):
        open_socket_link(f"socket://127.0.0.1:{number}")


@pytest.mark.parametrize("resource", ["/dev/ttyACM0", "socket://", "socket://host", "socket://host:x", "host:1"])
def test_what_is_no_such_port_is_refused(resource: str) -> None:
    with pytest.raises(LinkError, match="must be socket://host:port"):
        open_socket_link(resource)
