"""A link is ok, dirty or lost; only reopening makes it ok again, and two threads never share one exchange."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest

from drivers.carrier import CarrierLink, told, translate_os_error
from drivers.errors import LinkClosedError, LinkDirtyError, LinkError


class Scripted:
    """A carrier that does what the test says; `on_read` gives the next piece or raises."""

    def __init__(self, on_read: Callable[[], bytes]) -> None:
        self.on_read = on_read
        self.written: list[bytes] = []
        self.closed = 0

    def translate(self, exc: Exception) -> type[LinkError] | None:
        return translate_os_error(exc)

    def pending(self) -> bytes:
        return b""

    def write(self, data: bytes, deadline_s: float) -> None:
        self.written.append(data)

    def read(self, deadline_s: float) -> tuple[bytes, bool]:
        return self.on_read(), False

    def shut(self) -> None:
        pass

    def close(self) -> None:
        self.closed += 1
        raise OSError("closing what is gone")


def linked(on_read: Callable[[], bytes], connect: Callable[[], Scripted] | None = None) -> tuple[CarrierLink, Scripted]:
    first = Scripted(on_read)
    return CarrierLink("WIRE", connect or (lambda: first), first, timeout_s=1.0), first


def raising(exc: BaseException) -> Callable[[], bytes]:
    def on_read() -> bytes:
        raise exc

    return on_read


def test_an_interruption_between_write_and_read_leaves_the_link_dirty() -> None:
    link, _ = linked(raising(KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        link.ask("A?")
    assert link.state == "dirty"
    with pytest.raises(LinkDirtyError, match="interrupted between write and read"):
        link.ask("A?")


def test_a_defect_of_ours_stays_visible_and_leaves_the_link_dirty() -> None:
    link, _ = linked(raising(AttributeError("ours")))
    with pytest.raises(AttributeError, match="ours"):
        link.ask("A?")
    assert link.state == "dirty"


def test_an_error_of_the_system_keeps_its_cause() -> None:
    cause = ConnectionResetError(104, "Connection reset by peer")
    link, _ = linked(raising(cause))
    with pytest.raises(
        LinkClosedError, match=r"WIRE: the connection is gone .*reset by peer.*; command 'A\?'"
    ) as caught:
        link.ask("A?")
    assert caught.value.__cause__ is cause


def test_a_revocation_while_reopening_wins() -> None:
    def connect() -> Scripted:
        link.revoke()
        return Scripted(lambda: b"1\n")

    link, _ = linked(lambda: b"1\n", connect)
    with pytest.raises(LinkClosedError, match="WIRE: revoked while it was reopened"):
        link.reopen()
    assert link.state == "lost"


def test_what_was_lost_stays_lost_for_its_first_reason() -> None:
    link, _ = linked(lambda: b"1\n")
    link.revoke()
    link.close()
    with pytest.raises(LinkDirtyError, match=r"the link is lost \(revoked\); reopen it first"):
        link.ask("A?")


def test_a_wire_that_fails_to_close_is_closed_once_all_the_same() -> None:
    link, carrier = linked(lambda: b"1\n")
    link.close()
    link.close()
    assert carrier.closed == 1


def test_two_threads_never_share_one_exchange() -> None:
    asked: list[bytes] = []

    def on_read() -> bytes:
        # Yields to the other thread, which would write its own question here.
        time.sleep(0.0002)
        return carrier.written[-1]

    link, carrier = linked(on_read)

    def ask(word: str) -> None:
        for number in range(40):
            if link.ask(f"{word}{number}") != f"{word}{number}":
                asked.append(carrier.written[-1])

    threads = [threading.Thread(target=ask, args=(word,)) for word in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert asked == []
    assert len(carrier.written) == 80


def test_a_foreign_message_becomes_one_line() -> None:
    assert told(OSError("two\n  lines")) == "OSError: two lines"
    assert told(EOFError()) == "EOFError"
