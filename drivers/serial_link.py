"""The pyserial carrier: line devices (relay board, board console). pyserial is imported when a link is opened."""

from __future__ import annotations

import math
import threading
import time
from typing import TYPE_CHECKING

from drivers.carrier import opened_link, told, translate_os_error
from drivers.errors import LinkClosedError, LinkError, LinkTimeoutError
from drivers.link import Link
from drivers.wire_log import Tap, untapped

if TYPE_CHECKING:
    from serial import Serial

_SLICE_S = 0.05
"""A blocked read looks this often whether it was revoked: pyserial cannot be closed from another thread."""


def open_serial_link(
    port: str,
    *,
    baud: int = 115200,
    timeout_s: float = 2.0,
    dtr: bool = False,
    rts: bool = False,
    tap: Tap = untapped,
) -> Link:
    """Open a serial line, 8 data bits, no parity, 1 stop bit, for this process alone.

    `port` is a device ("/dev/ttyACM0", "COM3") or a URL of pyserial ("socket://127.0.0.1:7001"). `timeout_s` is the
    link's own default deadline; `tap` is told every message. DTR and RTS are low before the port opens, since on many
    boards an edge there is a reset (some systems raise them for a moment all the same). Raises LinkClosedError where
    the port is missing or in use, LinkError for settings that it cannot take.
    """

    def connect() -> SerialCarrier:
        return _connect(port, baud, dtr, rts)

    return opened_link(port, connect, timeout_s=timeout_s, blocks=False, tap=tap)


def translate_serial_error(exc: Exception) -> type[LinkError] | None:
    """Which error of ours an exception out of pyserial or from below it becomes; None for one that nobody mapped."""
    from serial import SerialTimeoutException

    # SerialException is an OSError, and a write that was too late is a SerialException but no TimeoutError.
    if isinstance(exc, SerialTimeoutException):
        return LinkTimeoutError
    # termios.error is not an OSError; termios itself is not on every system.
    if type(exc).__module__ == "termios":
        return LinkClosedError
    return translate_os_error(exc)


class SerialCarrier:
    """One open serial port."""

    def __init__(self, opened: Serial) -> None:
        self._opened = opened
        self._shut = threading.Event()

    def translate(self, exc: Exception) -> type[LinkError] | None:
        return translate_serial_error(exc)

    def pending(self) -> bytes:
        waiting = self._opened.in_waiting
        return bytes(self._opened.read(waiting)) if waiting else b""

    def write(self, data: bytes, deadline_s: float) -> None:
        left_s = deadline_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        allowed_s = max(math.floor(left_s / _SLICE_S) * _SLICE_S, min(left_s, _SLICE_S))
        if self._opened.write_timeout != allowed_s:  # setting it sets the whole port up anew
            self._opened.write_timeout = allowed_s
        # No flush() anywhere: it waits for the line to drain, without a deadline.
        if self._opened.write(data) != len(data):
            raise ConnectionError("write cancelled")

    def read(self, deadline_s: float) -> tuple[bytes, bool]:
        while not self._shut.is_set():
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                raise TimeoutError
            if self._opened.timeout != (allowed_s := min(left_s, _SLICE_S)):
                self._opened.timeout = allowed_s
            if data := self._opened.read(max(self._opened.in_waiting, 1)):
                return bytes(data), False
        raise ConnectionError("revoked")

    def shut(self) -> None:
        self._shut.set()
        # Only ports of the system can cancel a write; elsewhere its deadline ends it.
        if cancel := getattr(self._opened, "cancel_write", None):
            cancel()

    def close(self) -> None:
        # pyserial forgets the socket of a peer that has reset the connection, and does not close it.
        wire = getattr(self._opened, "_socket", None)
        self._opened.close()
        if wire is not None:
            wire.close()


def _connect(port: str, baud: int, dtr: bool, rts: bool) -> SerialCarrier:
    import serial

    try:
        opened = serial.serial_for_url(port, do_not_open=True, baudrate=baud, exclusive=True)
        opened.dtr = dtr
        opened.rts = rts
        opened.timeout = _SLICE_S
        opened.write_timeout = _SLICE_S
        opened.open()
    except Exception as exc:
        # pyserial raises ValueError, and by mistakes of its own others, for a setting or URL that it cannot take.
        ours = translate_serial_error(exc) or LinkError
        raise ours(f"not opened: {told(exc)}", resource=port) from exc
    return SerialCarrier(opened)
