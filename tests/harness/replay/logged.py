"""Wire logs in a few words, for tests: (role, what, data) or (role, "failed", data, fault), numbered from 1."""

from __future__ import annotations

from results.record.wire_files import Session
from results.record.wire_line import WireHeader, WireLine

Said = tuple[str, str, bytes] | tuple[str, str, bytes, str]


def session_of(*said: Said, first: int = 1, session: int = 1) -> Session:
    """A session of these lines, each 0.1 s after the one before."""
    lines = tuple(
        WireLine(number, 0.1 * number, role, what, data, fault=rest[0] if rest else "")
        for number, (role, what, data, *rest) in enumerate(said, start=first)
    )
    resources = {role: f"TCPIP::h::{index}::SOCKET" for index, role in enumerate({line.role for line in lines})}
    resources.pop("clock", None)
    header = WireHeader(1, session, first, "run", "0.1.0", "2027-01-01T00:00:00.000+00:00", 10.0, resources, {})
    return Session(header, lines)
