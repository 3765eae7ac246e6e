"""VISA libraries other than stuckpin's own way through pyvisa-py: one stream, one message bus with END.

pyvisa finds a library "@name" as the module pyvisa_name, so `install` puts both where it looks.
"""

from __future__ import annotations

import sys
from collections import deque
from types import ModuleType
from typing import Any, ClassVar

from pyvisa import constants, rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.highlevel import VisaLibraryBase
from pyvisa.util import LibraryPath
from pyvisa_py.highlevel import PyVisaLibrary
from pyvisa_py.tcpip import TCPIPSocketSession


class StreamLibrary(PyVisaLibrary):  # type: ignore[misc]
    """pyvisa-py as it comes: raw sockets by its own session."""

    @staticmethod
    def get_library_paths() -> tuple[LibraryPath, ...]:
        return (LibraryPath("stream"),)

    def open(
        self, session: Any, resource_name: str, access_mode: Any = None, open_timeout: int | None = None
    ) -> tuple[Any, StatusCode]:
        parsed = rname.parse_resource_name(resource_name)
        TCPIPSocketSession.session_type = (constants.InterfaceType.tcpip, "SOCKET")
        return self._register(TCPIPSocketSession(session, resource_name, parsed, open_timeout)), StatusCode.success


class BusLibrary(VisaLibraryBase):
    """A bus that marks the end of a message. `replies` holds pieces: bytes and whether END comes with the last of them.

    No piece left is a timeout; a piece that is a StatusCode is that error.
    """

    replies: ClassVar[deque[tuple[bytes, bool] | StatusCode]] = deque()
    written: ClassVar[list[bytes]] = []
    take_at_most: ClassVar[int] = 1 << 20
    last_session: ClassVar[int] = 100

    @staticmethod
    def get_library_paths() -> tuple[LibraryPath, ...]:
        return (LibraryPath("bus"),)

    def open_default_resource_manager(self) -> tuple[Any, StatusCode]:
        return 1, StatusCode.success

    def open(
        self, session: Any, resource_name: str, access_mode: Any = None, open_timeout: int | None = None
    ) -> tuple[Any, StatusCode]:
        BusLibrary.last_session += 1
        return BusLibrary.last_session, StatusCode.success

    def close(self, session: Any) -> StatusCode:
        return StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        piece = self.replies.popleft() if self.replies else StatusCode.error_timeout
        if isinstance(piece, StatusCode):
            return b"", self.handle_return_value(session, piece)
        data, end = piece
        status = StatusCode.success if end else StatusCode.success_max_count_read
        return data, self.handle_return_value(session, status)

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        taken = data[: self.take_at_most]
        self.written.append(taken)
        return len(taken), self.handle_return_value(session, StatusCode.success)

    def get_attribute(self, session: Any, attribute: Any) -> tuple[Any, StatusCode]:
        known = {
            ResourceAttribute.resource_class: "INSTR",
            ResourceAttribute.interface_type: constants.InterfaceType.gpib,
        }
        return known.get(attribute, 0), StatusCode.success

    def set_attribute(self, session: Any, attribute: Any, attribute_state: Any) -> StatusCode:
        return StatusCode.success

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        return StatusCode.success

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        return StatusCode.success


def install() -> None:
    """Make "@stream" and "@bus" known to pyvisa in this process."""
    for name, library in (("stream", StreamLibrary), ("bus", BusLibrary)):
        module = ModuleType(f"pyvisa_{name}")
        module.WRAPPER_CLASS = library  # type: ignore[attr-defined]
        sys.modules[module.__name__] = module
