"""Is it the same plan, and the same bench? What differs is named by its key, with both values as they are written.

Meaning is compared, not text: a comment, another order, "1k" for "1 kΩ" and a default that is spelled out are no
difference.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from harness.bench_file import BenchFile
from harness.bench_tables import BenchTables
from harness.errors import UserFileError, shown
from harness.plan import Plan
from harness.plan_tables import PlanTables
from harness.user_file import Location, at, dotted, file_key

NOWHERE = object()
"""What stands where a table, a key or an entry of a list is missing."""

BY_VALUE = (("wiring", "fit"), ("wiring", "add"))
"""Tables whose keys are values, which have more than one spelling."""

Ignored = Callable[[Location], bool]


def refuse_another_plan(was: Plan, now: Plan) -> None:
    """Raises UserFileError naming the first key in which two plans differ; of another unit that is said."""
    where = first_difference(was, now, shape=PlanTables)
    if where is not None:
        other = "another unit: " if where == ("unit", "serial") else ""
        raise UserFileError(now.path, dotted(where), f"{other}{_both(where, was, now)}")


def refuse_another_bench(was: BenchFile, now: BenchFile) -> None:
    """Raises UserFileError naming the first key in which two bench files differ, but for addresses."""
    where = first_difference(was, now, shape=BenchTables, ignored=is_address)
    if where is not None:
        raise UserFileError(now.path, dotted(where), _both(where, was, now))


def is_address(where: Location) -> bool:
    """Whether this key of a bench file says only where something is: a port may be another after a restart.

    What it is, is told by its identity.
    """
    return (len(where) == 2 and where[1] == "resource") or where == ("bench", "visa")


def first_difference(
    was: Any, now: Any, *, shape: type | None = None, ignored: Ignored | None = None
) -> Location | None:
    """Keys and indices from the top down to the first value that differs, in the order of the tables; None: none does.

    `shape`: the dataclass whose fields count (None: of `was` itself). `ignored`: locations that may differ.
    """
    return _difference(was, now, (), shape, ignored or (lambda where: False))


def _difference(was: Any, now: Any, where: Location, shape: type | None, ignored: Ignored) -> Location | None:
    if ignored(where):
        return None
    parts = _parts(was, now, shape)
    if parts is None:
        return None if was == now else where
    for key, (before, after) in parts.items():
        found = _difference(before, after, (*where, key), None, ignored)
        if found is not None:
            return found
    return None


def _parts(was: Any, now: Any, shape: type | None) -> dict[str | int, tuple[Any, Any]] | None:
    """What two tables, or two lists, are made of, side by side; None where they are single values."""
    # A table of a file is a dataclass that knows so; a channel is a single value.
    if shape is not None or (hasattr(was, "__pydantic_config__") and type(was) is type(now)):
        names = [field.name for field in fields(shape or type(was))]
        return {file_key(name): (getattr(was, name), getattr(now, name)) for name in names}
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        return {key: (was.get(key, NOWHERE), now.get(key, NOWHERE)) for key in {**was, **now}}
    if isinstance(was, tuple) and isinstance(now, tuple) and any(map(_is_table, (*was, *now))):
        longest = range(max(len(was), len(now)))
        return {index: tuple(_at(one, index) for one in (was, now)) for index in longest}
    return None


def _is_table(value: Any) -> bool:
    return is_dataclass(value) or isinstance(value, Mapping)


def _at(listed: tuple[Any, ...], index: int) -> Any:
    return listed[index] if index < len(listed) else NOWHERE


def _both(where: Location, was: Plan | BenchFile, now: Plan | BenchFile) -> str:
    return f"was {_written(where, was)}, now {_written(where, now)}"


def _written(where: Location, file: Plan | BenchFile) -> str:
    """The value as the file writes it; of one that it leaves to its default, that."""
    written = at(file.raw, where)
    if written is None and where[-1] == "channel" and isinstance(at(file.raw, where[:-1]), str):
        written = at(file.raw, where[:-1])  # the short form of a wire is its channel
    if written is None and where[:2] in BY_VALUE and at(file.raw, where[:-1]) is None:
        # The table has another name there, "8k2" for "8.2 kΩ": then the value as it was read.
        value = _read(file, where)
        return "not stated" if value in (None, NOWHERE) else shown(str(value))
    return "not stated" if written is None else shown(written)


def _read(value: Any, where: Location) -> Any:
    for key in where:
        value = (_parts(value, value, None) or {}).get(key, (NOWHERE,))[0]
    return value
