"""Bytes and text of a reply into numbers, lists, words and blocks. No I/O; nothing is guessed.

Readers of bytes return None for "need more", a value, or raise ReplyError. A reply with anything left over is an error,
never shortened: half a reply and two replies in one look like data. `resource` and `command` only serve the message.

Numbers at or beyond 9.9E37 in size are not measurements (SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity,
-9.9E37 negative infinity, 9.91E37 not a number) and become NaN, which here means overload.
"""

from __future__ import annotations

import math
import re
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from drivers.errors import ReplyError

FloatArray = NDArray[np.float64]

OVERLOAD = 9.9e37
"""From this size on a number is no measurement."""

BEYOND_SINGLE = 1e39
"""No instrument sends a finite number of this size: it is beyond single precision, and beyond every stand-in for an
overload. What looks like one has its bytes in another order."""

LINE_MOST = 1 << 20
BLOCK_MOST = 1 << 26
"""Bytes of a line (65,536 readings as text) and of a block (8 million readings): what is longer floods the link, or has
a damaged header."""

BLOCK_DTYPES = (">f8", "<f8", ">f4", "<f4")
"""FORM REAL,64 and REAL,32 with FORM:BORD NORM (most significant byte first) and SWAP."""

# NR1, NR2 and NR3 of IEEE 488.2, 8.7.2 to 8.7.4, and the looser forms that instruments are seen to send (no digit
# before or after the point, E without sign). ASCII digits only: float() would also take "1_0" and digits of other
# scripts.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[Ee][+-]?[0-9]+)?")
# 18 digits: more than any register holds, and fewer than int() refuses.
_INTEGER = re.compile(r"[+-]?[0-9]{1,18}")
_NOT_A_MEASUREMENT = re.compile(r"[+-]?(?:INF|INFINITY)|NINF|NINFINITY|NAN", re.IGNORECASE)
_QUEUE_ENTRY = re.compile(r'(?P<quote>"?) *(?P<number>[+-]?[0-9]{1,18}) *(?:,(?P<text>.*))?(?P=quote)', re.DOTALL)


def number(text: str, *, overload: bool = True, resource: str = "reply", command: str = "") -> float:
    """One number; NaN for overload, or ReplyError where `overload` is not allowed. Blanks around it are allowed."""
    bare = text.strip(" ")
    if _NUMBER.fullmatch(bare):
        value = float(bare)
        if abs(value) < OVERLOAD:
            return value
    elif not _NOT_A_MEASUREMENT.fullmatch(bare):
        _refuse("not a number", text, resource, command)
    if not overload:
        _refuse("overload where a number is needed", text, resource, command)
    return math.nan


def integer(text: str, *, resource: str = "reply", command: str = "") -> int:
    """One integer (NR1; IEEE 488.2, 8.7.2)."""
    bare = text.strip(" ")
    if not _INTEGER.fullmatch(bare):
        _refuse("not an integer", text, resource, command)
    return int(bare)


def numbers(text: str, count: int | None = None, *, resource: str = "reply", command: str = "") -> FloatArray:
    """Numbers with commas between, shape (n,); NaN for overload. An empty field or another count is an error."""
    fields = text.split(",")
    if count is not None and len(fields) != count:
        _refuse(f"{len(fields)} numbers, expected {count}", text, resource, command)
    return np.array([number(field, resource=resource, command=command) for field in fields], dtype=np.float64)


def parts(text: str) -> list[str]:
    """The replies to the queries of one message (IEEE 488.2, 8.4.1: semicolons between), blanks around each removed.

    A semicolon inside quotes parts nothing. Whether there are as many as were asked for is up to the caller.
    """
    pieces, quote = [""], ""
    for letter in text:
        if letter == ";" and not quote:
            pieces.append("")
            continue
        if letter in "\"'":
            quote = letter if not quote else "" if quote == letter else quote
        pieces[-1] += letter
    return [piece.strip() for piece in pieces]


def quoted(text: str, *, resource: str = "reply", command: str = "") -> str:
    """The text inside double or single quotes; a doubled quote stands for one (IEEE 488.2, 8.7.8)."""
    bare = text.strip(" ")
    mark = bare[:1]
    inside = bare[1:-1].replace(mark * 2, "") if mark else ""
    if len(bare) < 2 or mark not in ('"', "'") or bare[-1] != mark or mark in inside:
        _refuse("not a quoted text", text, resource, command)
    return bare[1:-1].replace(mark * 2, mark)


def queue_entry(text: str, *, resource: str = "reply", command: str = "") -> tuple[int, str]:
    """Number and text of one entry of the error queue; (0, …) means the queue is empty (SCPI-99 vol. 2, 21.8).

    Only the leading integer is relied upon: instruments send `0`, `+0,"No error"`, `-113,"..."`, all of it quoted, or
    no quotes at all.
    """
    match = _QUEUE_ENTRY.fullmatch(text.strip(" "))
    if match is None:
        _refuse("not an entry of an error queue", text, resource, command)
    told = (match["text"] or "").strip(" ")
    if len(told) >= 2 and told[0] == told[-1] == '"':
        told = told[1:-1].replace('""', '"')
    return int(match["number"]), told


def line(data: bytes, *, ended: bool = False, resource: str = "reply", command: str = "") -> str | None:
    """The one line that `data` holds, decoded as latin-1, without its LF (or CR LF) and NULs; None: need more.

    `ended` says that the bus itself marked the end of the message (END; IEEE 488.1), which may stand in place of LF.
    Longer than LINE_MOST is an error: what has no end must not fill the memory.
    """
    if len(data) > LINE_MOST:
        _refuse(f"a line must not be longer than {LINE_MOST} bytes", data[:80], resource, command)
    body, terminator, rest = data.partition(b"\n")
    if rest:
        _refuse("more than one line", data, resource, command)
    if not terminator and not ended:
        return None
    return body.removesuffix(b"\r").strip(b"\0").decode("latin-1")


def block(data: bytes, *, ended: bool = False, resource: str = "reply", command: str = "") -> bytes | None:
    """The payload of one definite-length block (IEEE 488.2, 8.7.9) with its terminator; None: need more.

    The header is `#`, one digit n from 1 to 9, and n digits that give the count of payload bytes. An indefinite block
    (`#0`) is refused: nothing in it tells a short one from a whole one. So is one above BLOCK_MOST, before it is there.
    The terminator is LF or CR LF, or END (`ended`).
    """
    size = _payload_size(data, resource, command)
    if size is not None:
        start = 2 + int(data[1:2])
        end = start + size
        rest = data[end : end + 3]
        if rest in (b"\n", b"\r\n") or (ended and len(data) == end):
            return data[start:end]
        if rest not in (b"", b"\r"):
            _refuse(f"a block of {size} bytes must be followed by its terminator alone", rest, resource, command)
    if ended:
        _refuse("the block is shorter than its header says", data, resource, command)
    return None


def _payload_size(data: bytes, resource: str, command: str) -> int | None:
    """The count of payload bytes that a block header states; None: need more of the header."""
    if data and data[:1] != b"#":
        _refuse("a block must begin with '#'", data, resource, command)
    if len(data) < 2:
        return None
    if data[1:2] not in b"123456789":
        _refuse("a block header must have a digit from 1 to 9 after '#'", data, resource, command)
    start = 2 + int(data[1:2])
    digits = data[2:start]
    if digits and re.fullmatch(rb"[0-9]+", digits) is None:
        _refuse("the length in a block header must be digits", data, resource, command)
    if len(digits) < start - 2:
        return None
    if int(digits) > BLOCK_MOST:
        _refuse(f"a block must not be longer than {BLOCK_MOST} bytes", data[:start], resource, command)
    return int(digits)


def block_values(
    payload: bytes, count: int, dtype: str = ">f8", *, resource: str = "reply", command: str = ""
) -> FloatArray:
    """Binary floating-point numbers of a block as float64, shape (count,); NaN for overload.

    Raises ReplyError for another count and for finite numbers from BEYOND_SINGLE on, ValueError for a `dtype` that is
    not in BLOCK_DTYPES.
    """
    if dtype not in BLOCK_DTYPES:
        raise ValueError(f"dtype must be one of {', '.join(BLOCK_DTYPES)}: {dtype!r}")
    sent = np.dtype(dtype)
    if len(payload) != count * sent.itemsize:
        rule = f"{len(payload)} bytes, expected {count} numbers of {sent.itemsize} bytes"
        _refuse(rule, payload[:16], resource, command)
    values = np.frombuffer(payload, dtype=sent).astype(np.float64)
    if (np.isfinite(values) & (np.abs(values) >= BEYOND_SINGLE)).any():
        _refuse("numbers beyond 1E39: the bytes come in another order", payload[:16], resource, command)
    # NaN compares as not less, so that it stays NaN. 9.9E37 sent as float32 arrives as 9.9000003E37: still overload.
    return np.where(np.abs(values) < OVERLOAD, values, np.nan)


def _refuse(rule: str, received: str | bytes, resource: str, command: str) -> NoReturn:
    raw = received if isinstance(received, bytes) else received.encode("latin-1", "replace")
    # An empty reply would leave the message without the fact that matters.
    rule = rule if raw else f"{rule}: the reply is empty"
    raise ReplyError(rule, resource=resource, command=command, received=raw)
