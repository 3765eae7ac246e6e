"""The pyvisa carrier: every SCPI instrument. pyvisa is imported when the first link is opened.

Raw sockets under pyvisa-py use the hardened session of visa_socket. All else (GPIB, USB, VXI-11, HiSLIP, another VISA
library) goes through pyvisa's public calls alone; that part was tried against a library made for the tests, not against
such an instrument.
"""

from __future__ import annotations

import math
import threading
import time
from typing import TYPE_CHECKING, Literal

from drivers.carrier import opened_link, told, translate_os_error
from drivers.errors import LinkClosedError, LinkError, LinkTimeoutError
from drivers.link import Link
from drivers.wire_log import Tap, untapped

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

Framing = Literal["bytes", "line", "message"]
"""How a read ends: as soon as bytes are there (hardened socket), at LF (other streams), or at END of the bus."""

_LIBRARIES = ("pyvisa", "pyvisa_py", "usb", "gpib", "gpib_ctypes")
"""Packages whose own exceptions mean that a transfer failed."""

_CHUNK = 1024 * 1024
"""At most this many bytes a viRead: blocks in one piece, since VXI-11 takes pieces badly."""

_managers: dict[str, ResourceManager] = {}
_managers_lock = threading.Lock()


def open_visa_link(
    resource: str,
    *,
    visa: str = "@py",
    timeout_s: float = 2.0,
    open_timeout_s: float = 3.0,
    tap: Tap = untapped,
) -> Link:
    """Open a link to a VISA resource. `visa` is "@py" for pyvisa-py, or another library as pyvisa names it.

    `timeout_s` is the link's own default deadline; `tap` is told every message. Raises LinkTimeoutError,
    LinkClosedError, and LinkError where the library or the resource string is at fault.
    """

    def connect() -> VisaCarrier:
        return _connect(resource, visa, open_timeout_s)

    return opened_link(resource, connect, timeout_s=timeout_s, tap=tap)


def translate_visa_error(exc: Exception) -> type[LinkError] | None:
    """Which error of ours an exception out of pyvisa or from below it becomes; None for one that nobody mapped."""
    from pyvisa.constants import StatusCode
    from pyvisa.errors import InvalidSession, LibraryError, VisaIOError
    from pyvisa.rname import InvalidResourceName

    if isinstance(exc, VisaIOError):
        if exc.error_code == StatusCode.error_timeout:
            return LinkTimeoutError
        gone = (
            StatusCode.error_connection_lost,
            StatusCode.error_io,
            StatusCode.error_no_listeners,
            StatusCode.error_resource_not_found,
            StatusCode.error_machine_not_available,
            StatusCode.error_invalid_object,
        )
        return LinkClosedError if exc.error_code in gone else LinkError
    # A remote procedure call (VXI-11) whose peer has gone ends in EOFError.
    if isinstance(exc, (InvalidSession, EOFError)):
        return LinkClosedError
    if isinstance(exc, (LibraryError, InvalidResourceName, NotImplementedError)):
        return LinkError
    ours = translate_os_error(exc)
    if ours is None and type(exc).__module__.partition(".")[0] in _LIBRARIES:
        return LinkError
    return ours


class VisaCarrier:
    """One open VISA session."""

    def __init__(self, opened: MessageBasedResource, framing: Framing) -> None:
        self._opened = opened
        self._framing = framing
        self._session = opened.session

    def translate(self, exc: Exception) -> type[LinkError] | None:
        return translate_visa_error(exc)

    def pending(self) -> bytes:
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        if self._framing == "message":
            # Message exchange of IEEE 488.2: the next command makes the instrument drop an unread reply.
            return b""
        # A library other than ours may not look at the wire at all in no time.
        self._opened.timeout = 0 if self._framing == "bytes" else 1
        try:
            return self._read()[0]
        except VisaIOError as exc:
            if exc.error_code == StatusCode.error_timeout:
                return b""
            raise

    def write(self, data: bytes, deadline_s: float) -> None:
        while data:
            self._allow_until(deadline_s)
            count, _ = self._opened.visalib.write(self._session, data)
            if count <= 0:
                raise ConnectionError("the VISA library wrote nothing")
            data = data[count:]

    def read(self, deadline_s: float) -> tuple[bytes, bool]:
        self._allow_until(deadline_s)
        return self._read()

    def shut(self) -> None:
        if self._framing == "bytes":
            self._opened.visalib.sessions[self._session].shut()  # type: ignore[attr-defined]
        else:
            self._opened.close()

    def close(self) -> None:
        self._opened.close()
        # pyvisa-py keeps every session that it ever opened.
        getattr(self._opened.visalib, "sessions", {}).pop(self._session, None)

    def _read(self) -> tuple[bytes, bool]:
        from pyvisa.constants import StatusCode

        with self._opened.ignore_warning(StatusCode.success_max_count_read, StatusCode.success_device_not_present):
            data, status = self._opened.visalib.read(self._session, _CHUNK)
        return bytes(data), self._framing == "message" and status == StatusCode.success

    def _allow_until(self, deadline_s: float) -> None:
        """VISA counts whole milliseconds, and takes 0 for "don't wait"."""
        left_s = deadline_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        self._opened.timeout = math.ceil(left_s * 1000)


def _connect(resource: str, visa: str, open_timeout_s: float) -> VisaCarrier:
    from pyvisa.resources import MessageBasedResource

    manager = _manager(visa, resource)
    try:
        opened = manager.open_resource(resource, open_timeout=math.ceil(open_timeout_s * 1000))
    except Exception as exc:
        # pyvisa-py raises bare Exception for some addresses that do not answer.
        ours = translate_visa_error(exc) or LinkClosedError
        rule = f"no connection within {open_timeout_s:g} s" if ours is LinkTimeoutError else f"not opened: {told(exc)}"
        raise ours(rule, resource=resource) from exc
    if not isinstance(opened, MessageBasedResource):
        opened.close()
        raise LinkError(f"not a resource for messages: {type(opened).__name__}", resource=resource)
    try:
        return VisaCarrier(opened, _framed(opened, visa, resource))
    except Exception as exc:
        opened.close()
        if isinstance(exc, LinkError):
            raise
        raise LinkError(f"not set up: {told(exc)}", resource=resource) from exc


def _framed(opened: MessageBasedResource, visa: str, resource: str) -> Framing:
    """Set how reads end, by the kind of resource."""
    from pyvisa.constants import InterfaceType, ResourceAttribute

    if opened.resource_class == "SOCKET" and _is_pyvisa_py(visa):
        from drivers.visa_socket import SocketSession

        session = opened.visalib.sessions[opened.session]  # type: ignore[attr-defined]
        if not isinstance(session, SocketSession):
            raise LinkError("pyvisa-py did not use the hardened session for a raw socket", resource=resource)
        opened.set_visa_attribute(ResourceAttribute.termchar_enabled, False)
        opened.set_visa_attribute(ResourceAttribute.suppress_end_enabled, False)
        return "bytes"
    if opened.resource_class == "SOCKET" or opened.interface_type == InterfaceType.asrl:
        opened.read_termination = "\n"
        return "line"
    opened.read_termination = None
    return "message"


def _is_pyvisa_py(visa: str) -> bool:
    return visa.rpartition("@")[2] == "py"


def _manager(visa: str, resource: str) -> ResourceManager:
    """The one manager of the process for this library: closing any other handle on it would close every session."""
    import pyvisa

    with _managers_lock:
        if visa not in _managers:
            try:
                if _is_pyvisa_py(visa):
                    from drivers.visa_socket import register

                    register()
                _managers[visa] = pyvisa.ResourceManager(visa)
            except (ImportError, AttributeError, OSError, ValueError, pyvisa.errors.Error) as exc:
                raise LinkError(f"VISA library {visa!r} cannot be used: {told(exc)}", resource=resource) from exc
        return _managers[visa]
