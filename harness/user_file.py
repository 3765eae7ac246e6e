"""A TOML file of the user: read whole, checked against frozen dataclasses, every problem one line.

The keys of a table are the fields of its dataclass, less the SI unit that a field's name ends in: `hold_s` is `hold`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from difflib import get_close_matches
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin, get_type_hints

from pydantic import ConfigDict, TypeAdapter, ValidationError

from harness.errors import Problem, UserFileError, shown, written_key
from harness.values import listed
from results.record.plain_file import open_plain

MAX_BYTES = 1_000_000
"""No plan or bench file comes near this; a log or a disk image given by mistake does."""

MOST_PROBLEMS = 100
"""A message of more lines helps nobody; how many there are besides is said."""

MOST_PARTS = 32
"""Parts of a dotted key: no table of ours lies so deep, and a reader's time grows with their square."""

_KEY_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_DEEP_KEY = re.compile(rf"(?<![A-Za-z0-9_-]){_KEY_PART}(?:[ \t]*\.[ \t]*{_KEY_PART}){{{MOST_PARTS}}}")

Location = tuple[str | int, ...]
"""Keys and list indices (from 0) from the top of a file down to a value."""

Table = TypeVar("Table")

_UNIT_ENDINGS = re.compile(r"_(v|a|s|ohm|f|hz|c)$")


def file_key(field: str) -> str:
    """The key in the file of a dataclass field: the name without its unit."""
    return _UNIT_ENDINGS.sub("", field)


TABLE = ConfigDict(extra="forbid", alias_generator=file_key)
"""What every dataclass of a file has as `__pydantic_config__`: unknown keys are refused."""


@dataclass(frozen=True)
class Fault:
    """One rule broken at one key. `named` stands in for the value where the value is not what is wrong."""

    where: Location
    rule: str
    named: str | None = None


def read_text(path: Path | str) -> str:
    """The text of a file. Raises UserFileError: missing, a folder, too large, unreadable, not UTF-8."""
    file = Path(path)
    try:
        if file.is_dir():
            raise UserFileError(path, "", "is a folder, not a file")
        with open_plain(file, links=True) as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as exc:
        raise UserFileError(path, "", "no such file") from exc
    except (OSError, ValueError) as exc:
        raise UserFileError(path, "", f"cannot be read: {getattr(exc, 'strerror', None) or exc}") from exc
    if len(raw) > MAX_BYTES:
        raise UserFileError(path, "", f"must not be larger than {MAX_BYTES} bytes")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        raise UserFileError(path, f"line {line}", "not UTF-8", f"byte 0x{raw[exc.start]:02x}") from exc


def read_toml(path: Path | str, text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises UserFileError with line and column."""
    if deep := _DEEP_KEY.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        raise UserFileError(path, f"line {line}", f"a key must not have more than {MOST_PARTS} parts")
    try:
        return tomllib.loads(text)
    except RecursionError as exc:
        raise UserFileError(path, "", "not TOML: nested too deeply") from exc
    except ValueError as exc:
        match = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", str(exc), re.DOTALL)
        if match is None:
            raise UserFileError(path, "", f"not TOML: {exc}") from exc
        where = f"line {match[2]}, column {match[3]}" if match[2] else "last line"
        raise UserFileError(path, where, f"not TOML: {match[1][0].lower()}{match[1][1:]}") from exc


def read_tables(path: Path | str, raw: dict[str, Any], shape: type[Table]) -> Table:
    """The file as its dataclass. Raises UserFileError with all problems, in the order of the file."""
    try:
        tables: Table = _adapter(shape).validate_python(raw)
    except ValidationError as exc:
        # pydantic calls a list too short as well where all its entries are wrong.
        errors = [
            error
            for error in exc.errors(include_url=False)
            if not (error["type"] == "too_short" and at(raw, error["loc"]))
        ]
        found = [
            _fault(error["type"], _written(raw, error["loc"]), error["msg"], error.get("ctx", {}), shape)
            for error in errors[:MOST_PROBLEMS]
        ]
        raise user_file_error(path, raw, found, more=len(errors) - len(found)) from None
    return tables


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}


def _adapter(shape: type) -> TypeAdapter[Any]:
    """Built once a kind of file: building costs more than reading."""
    if shape not in _ADAPTERS:
        _ADAPTERS[shape] = TypeAdapter(shape)
    return _ADAPTERS[shape]


def refuse_faults(path: Path | str, raw: dict[str, Any], faults: Sequence[Fault]) -> None:
    """Raise UserFileError with the faults in the order of the file, if there are any."""
    if faults:
        raise user_file_error(path, raw, faults)


def user_file_error(path: Path | str, raw: dict[str, Any], faults: Sequence[Fault], more: int = 0) -> UserFileError:
    """One error for all faults of a file, in the order of the file; where they are many (or there are `more`), for the
    first of them and how many there are besides."""
    ordered = sorted(faults[:MOST_PROBLEMS], key=lambda fault: _position(raw, fault.where))
    problems = [problem(path, raw, fault) for fault in ordered]
    more += len(faults) - len(ordered)
    return UserFileError.of([*problems, Problem(str(path), "", f"{more} more problems")] if more else problems)


def problem(path: Path | str, raw: dict[str, Any], fault: Fault) -> Problem:
    """The line that names file, key, rule and value."""
    value = fault.named
    if value is None:
        written = at(raw, fault.where)
        value = "" if written is None else shown(written)
    return Problem(str(path), dotted(fault.where), fault.rule, value)


def at(raw: Any, where: Location) -> Any:
    """The value of a file at these keys as written; None where there is none."""
    for part in where:
        try:
            raw = raw[part]
        except (KeyError, IndexError, TypeError):
            return None
    return raw


def dotted(where: Location) -> str:
    """The keys as a TOML file would write them; entries of a list are counted from 1: `pins[3].name`."""
    text = ""
    for part in where:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{written_key(part)}" if text else written_key(part)
    return text


def closest(word: str, known: Sequence[str]) -> str:
    """What a message says after an unknown word: the one that was probably meant, or all there are."""
    match = get_close_matches(word, known, n=1)
    return f"did you mean {match[0]}?" if match else f"known here: {listed(list(known), 'and')}"


def _position(raw: Any, where: Location) -> list[int]:
    """Sort key: where the keys stand in the file; what is missing comes after all that is there."""
    position = []
    for part in where:
        if isinstance(part, int):
            position.append(part)
            raw = raw[part] if isinstance(raw, list) and part < len(raw) else None
        else:
            keys = list(raw) if isinstance(raw, Mapping) else []
            position.append(keys.index(part) if part in keys else len(keys))
            raw = raw[part] if part in keys else None
    return position


def _written(raw: Any, where: Location) -> Location:
    """The keys as the user wrote them: `press = "switch 1"` is short for a table, whose `channel` stands nowhere."""
    return where[:-1] if isinstance(at(raw, where[:-1]), str) else where


def _fault(kind: str, where: Location, message: str, context: Mapping[str, Any], shape: type) -> Fault:
    """What pydantic found, in our words."""
    if kind == "rule":
        return Fault(where, str(context["rule"]))
    if kind == "missing":
        return Fault(where, "missing", named="")
    if kind == "unexpected_keyword_argument":
        return Fault(where, f"unknown key ({closest(str(where[-1]), _keys(shape, where[:-1]))})")
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", str(context["expected"]))
        return Fault(where, f"must be {listed([shown(word) for word in words])}")
    if kind in ("dataclass_type", "dict_type"):
        return Fault(where, "must be a table")
    if kind in ("tuple_type", "list_type"):
        return Fault(where, "must be a list")
    if kind == "too_short":
        return Fault(where, "must not be empty")
    return Fault(where, message[0].lower() + message[1:])


def _keys(shape: Any, where: Location) -> list[str]:
    """The keys that the table there may have."""
    for part in where:
        table = _bare(shape)
        if is_dataclass(table):
            hints = get_type_hints(table, include_extras=True)
            shape = {file_key(field.name): hints[field.name] for field in fields(table)}[str(part)]
        else:
            # dict[str, X] or tuple[X, ...]: any key or index leads to an X.
            shape = get_args(table)[1 if get_origin(table) is dict else 0]
    return [file_key(field.name) for field in fields(_bare(shape))]


def _bare(hint: Any) -> Any:
    """A type without what `Annotated[...]` and `X | None` put around it."""
    while get_origin(hint) in (Annotated, Union, UnionType):
        hint = next(part for part in get_args(hint) if part is not NoneType)
    return hint
