"""Whether what a file of evidence says could be so: every number within what a bench can have, every name known.

The bounds are far wider than those of a plan. They keep the analysis from numbers that no bench made: an overflow, a
division by nothing, a loop over a billion steps.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

import numpy as np

from results.record.trace import Trace
from results.record.trial import NO_CAPACITOR, NO_RESISTOR, Trial

_BOUNDS: dict[str, tuple[float, float]] = {
    "v": (-1e5, 1e5),
    "a": (-1e3, 1e3),
    "s": (-1e9, 1e9),  # seconds, and siemens
    "ohm": (0.0, 1e18),
    "f": (-1.0, 1.0),
    "hz": (10.0, 1e5),
    "c": (-300.0, 2000.0),
}
"""By the unit that a field's name ends in (SI, degrees Celsius)."""

_OTHER = (-1e30, 1e30)
_COUNT_MOST = 10**9
_SMALLEST = 1e-30
"""Ohms that are not zero, and so near to it that dividing by them overflows. What was measured may be as small as it
likes: without noise a node at rest reads 1E-40 V."""

_TEXT_MOST = 5_000
_HALF_OF_A_PAIR = re.compile("[\ud800-\udfff]")
_UNIT = re.compile(r"_(v|a|s|ohm|f|hz|c)$|^(v)_")
_MAY_BE_ZERO = re.compile(r"^series_ohm$|^press_ohm$|_u_ohm$|^u_ohm$")
"""Of a source nothing need be in series; an uncertainty may be none."""

VOLTS_MOST = 9.9e37
"""Beyond it stands no voltage but an overload (SCPI-99 vol. 1, 7.2.1), which is kept as none."""


def unsound(thing: Any, where: str = "") -> str:
    """What is wrong with a value of a record, with its keys from `where` on; empty where nothing is."""
    for name, kind in _plan_of(type(thing)):  # type: ignore[arg-type]
        value = getattr(thing, name)
        if value is None or isinstance(value, bool):
            continue
        key = f"{where}.{name}" if where else name
        problem = ""
        if isinstance(value, int):
            problem = "" if abs(value) <= _COUNT_MOST else f"must be a number of no more than {_COUNT_MOST}"
        elif isinstance(value, float):
            problem = _wrong_number(name, kind, value)
        elif isinstance(value, str):
            problem = _wrong_text(value)
        else:
            found = next(filter(None, _inside(value, key)), "")
            if found:
                return found
        if problem:
            return f"{key}: {problem}: {repr(value)[:80]}"
    return ""


def unsound_trace(trace: Trace, *, one_log: bool = True) -> str:
    """What is wrong with the samples of a trace; empty where nothing is.

    `one_log` False: of a procedure of several acts, whose looks stand one after another. What was read while a log ran
    stands behind the log.
    """
    if not np.isfinite(trace.time_s).all() or (np.abs(trace.time_s) > _BOUNDS["s"][1]).any():
        return "a time is no number"
    if one_log and (np.diff(trace.time_s) < 0.0).any():
        return "times do not rise"
    beyond = np.abs(trace.voltage_v[~np.isnan(trace.voltage_v)]) >= VOLTS_MOST
    return "a voltage is beyond every range" if beyond.any() else ""


def unknown_name(trial: Trial, resistors: set[str], capacitors: set[str]) -> str:
    """Which name of a trial stands nowhere in run.json; empty where all do."""
    if trial.resistor not in resistors and trial.resistor != NO_RESISTOR:
        return f"resistor: not in run.json: {trial.resistor[:80]!r}"
    if trial.condition.capacitor not in capacitors and trial.condition.capacitor != NO_CAPACITOR:
        return f"capacitor: not in run.json: {trial.condition.capacitor[:80]!r}"
    return ""


@cache
def _plan_of(kind: type) -> tuple[tuple[str, str], ...]:
    """Each field of a dataclass and the unit that its name ends in."""
    named = [field.name for field in fields(kind)] if is_dataclass(kind) else []
    return tuple((name, (match[1] or match[2]) if (match := _UNIT.search(name)) else "") for name in named)


def _inside(value: Any, key: str) -> Iterator[str]:
    if isinstance(value, tuple | list):
        for number, each in enumerate(value):
            if is_dataclass(each):
                yield unsound(each, f"{key}.{number}")
            elif isinstance(each, str) and _wrong_text(each):
                yield f"{key}.{number}: {_wrong_text(each)}: {repr(each)[:80]}"
    elif is_dataclass(value):
        yield unsound(value, key)


def _wrong_text(text: str) -> str:
    if len(text) > _TEXT_MOST:
        return f"must not be longer than {_TEXT_MOST} characters"
    return "is no text: half of a pair" if _HALF_OF_A_PAIR.search(text) else ""


def _wrong_number(name: str, unit: str, value: float) -> str:
    low, high = _BOUNDS.get(unit, _OTHER)
    if not math.isfinite(value) or not low <= value <= high:
        return f"must be a number from {low:g} to {high:g}"
    if unit == "ohm" and 0.0 < value < _SMALLEST:
        return "is too small to be meant"
    if unit == "ohm" and value == 0.0 and not _MAY_BE_ZERO.search(name):
        return "must be above 0"
    return ""
