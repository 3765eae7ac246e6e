"""One line of the wire log: a JSON object in printable ASCII, whatever went over the wire.

    {"crc32":"…","n":17,"t":1.234567,"bench":12.34567,"role":"meter","what":"sent","text":"*IDN?\\n"}

`n` counts over the whole run; `t` are monotonic seconds since the session in the header began, `bench` bench seconds.
`text` holds bytes as latin-1 (what is not printable ASCII as \\u00XX), `base64` those that are mostly binary.
`crc32` is zlib's, over the line without that key, as in the journal.
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import zlib
from dataclasses import dataclass
from typing import Any

FORMAT = "stuckpin wire log 1"

LONGEST = 1024 * 1024
"""Bytes of one message that are kept: a reply may hold anything."""

LONGEST_TOLD = 500
"""Characters of a failure's message that are kept."""

WHATS = ("opened", "sent", "received", "unsent", "failed", "revoked", "closed")

_START = b'{"crc32":"'
_HEAD_BYTES = len(_START) + len('01234567",')
_PRINTABLE = b"\t\n\r" + bytes(range(0x20, 0x7F))


@dataclass(frozen=True)
class WireHeader:
    """The first line of each file.

    `session` counts the times that the run was begun or resumed; `begun_utc` is when its clock `t` was zero; `first` is
    the number of the line that follows.
    """

    file: int
    session: int
    first: int
    run: str
    version: str
    begun_utc: str
    speed: float
    resources: dict[str, str]
    identities: dict[str, str]


@dataclass(frozen=True)
class WireLine:
    """One message, or one thing that happened to a link (see drivers/wire_log.py).

    `data`: the bytes; `left_out`: how many more there were. `fault`, `told`: of a failure. `bench_s` is None where no
    bench time was known.
    """

    number: int
    time_s: float
    role: str
    what: str
    data: bytes = b""
    left_out: int = 0
    bench_s: float | None = None
    fault: str = ""
    told: str = ""


def line_of(line: WireLine) -> bytes:
    """The line with its newline."""
    fields: dict[str, object] = {"n": line.number, "t": round(line.time_s, 6)}
    if line.bench_s is not None:
        fields["bench"] = round(line.bench_s, 6)
    fields |= {"role": line.role, "what": line.what}
    if kept := line.data[:LONGEST]:
        mostly_binary = 10 * len(kept.translate(None, _PRINTABLE)) > len(kept)
        fields |= {"base64": base64.b64encode(kept).decode()} if mostly_binary else {"text": kept.decode("latin-1")}
    if left_out := line.left_out + len(line.data) - len(kept):
        fields["left_out"] = left_out
    if line.fault:
        fields |= {"fault": line.fault, "told": line.told[:LONGEST_TOLD]}
    return _checked(fields)


def header_line(header: WireHeader) -> bytes:
    """The header with its newline."""
    return _checked({"format": FORMAT, **header.__dict__})


def read_line(line: bytes) -> WireLine | WireHeader:
    """A line without its newline. Raises ValueError with what is wrong with it."""
    fields = _fields(line)
    try:
        if "format" in fields:
            return _header(fields)
        return _line(fields)
    except (KeyError, TypeError, ValueError, binascii.Error) as exc:
        raise ValueError(f"not a line of a wire log: {exc}") from exc


_ENCODER = json.JSONEncoder(ensure_ascii=True, allow_nan=False, separators=(",", ":"))
"""Made once: every message of a run is written by it."""


def _checked(fields: dict[str, Any]) -> bytes:
    rest = _ENCODER.encode(fields).encode("ascii")[1:]
    return _START + f'{zlib.crc32(rest):08x}",'.encode() + rest + b"\n"


def _fields(line: bytes) -> dict[str, Any]:
    head, rest = line[:_HEAD_BYTES], line[_HEAD_BYTES:]
    if head != _START + f'{zlib.crc32(rest):08x}",'.encode():
        raise ValueError("checksum does not match")
    try:
        fields = json.loads(b"{" + rest)
    except (ValueError, RecursionError) as exc:
        raise ValueError("not JSON") from exc
    if not isinstance(fields, dict):
        raise ValueError("not a JSON object")
    return fields


def _line(fields: dict[str, Any]) -> WireLine:
    what = fields["what"]
    if what not in WHATS:
        raise ValueError(f"unknown: {what!r}")
    data = base64.b64decode(fields["base64"], validate=True) if "base64" in fields else b""
    return WireLine(
        number=_count(fields["n"]),
        time_s=_seconds(fields["t"]),
        role=_text(fields["role"]),
        what=what,
        data=_text(fields["text"]).encode("latin-1") if "text" in fields else data,
        left_out=_count(fields.get("left_out", 0)),
        bench_s=_seconds(fields["bench"]) if "bench" in fields else None,
        fault=_text(fields.get("fault", "")),
        told=_text(fields.get("told", "")),
    )


def _header(fields: dict[str, Any]) -> WireHeader:
    if fields["format"] != FORMAT:
        raise ValueError(f"format {fields['format']!r} is not {FORMAT!r}")
    return WireHeader(
        file=_count(fields["file"]),
        session=_count(fields["session"]),
        first=_count(fields["first"]),
        run=_text(fields["run"]),
        version=_text(fields["version"]),
        begun_utc=_text(fields["begun_utc"]),
        speed=_seconds(fields["speed"]),
        resources=_texts(fields["resources"]),
        identities=_texts(fields["identities"]),
    )


def _count(value: object) -> int:
    if type(value) is not int or value < 0:
        raise TypeError(f"not a count: {value!r}")
    return value


def _seconds(value: object) -> float:
    if type(value) not in (int, float) or not math.isfinite(value):  # type: ignore[arg-type]
        raise TypeError(f"not a number: {value!r}")
    return float(value)  # type: ignore[arg-type]


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"not a text: {value!r}")
    return value


def _texts(value: object) -> dict[str, str]:
    if not isinstance(value, dict):
        raise TypeError(f"not a table of texts: {value!r}")
    return {_text(key): _text(each) for key, each in value.items()}
