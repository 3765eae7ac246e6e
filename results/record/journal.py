"""The journal: one line a finished trial. A line on the disk is the commit; it says where the samples lie.

Between them stand lines of what happened to the run, {"crc32":"…","happening":{…}} (see happening.py).

A line is a JSON object whose first key is the CRC-32 (zlib's, eight hexadecimal digits) of the line without that key:

    {"crc32":"…","trial":{…},"samples":{"offset":…,"length":…,"count":…,"columns":…,"crc32":…},"observation":{…}}
"""

from __future__ import annotations

import json
import math
import zlib
from dataclasses import asdict, dataclass, fields
from typing import Any, get_type_hints

import numpy as np
from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError, create_model

from results.record.happening import Happening
from results.record.observation import Observation, Probe, SweepStep
from results.record.samples import SampleSpan
from results.record.soundness import unsound
from results.record.trace import Trace
from results.record.trial import Trial

_START = b'{"crc32":"'
_HEAD_BYTES = len(_START) + len('01234567",')


@dataclass(frozen=True)
class Entry:
    """One line: the trial, where its samples lie, and every field of its observation but the trace."""

    trial: Trial
    samples: SampleSpan
    fields: dict[str, Any]

    def observation(self, trace: Trace) -> Observation:
        """The observation with its trace back in place."""
        return Observation(trace=trace, **self.fields)


@dataclass(frozen=True)
class Journal:
    """What a journal holds. `damaged`: one line of text for every line that cannot be read. `end`: bytes that count;
    what follows is a line without its newline, never committed."""

    entries: tuple[Entry, ...]
    damaged: tuple[str, ...]
    end: int
    happenings: tuple[Happening, ...] = ()


def line_of(trial: Trial, samples: SampleSpan, observation: Observation) -> bytes:
    """The line that commits a trial, with its newline.

    A field that is not a finite number is kept as "not measured" (None) and a note says so: JSON has no NaN.
    """
    kept = {f.name: getattr(observation, f.name) for f in fields(observation) if f.name != "trace"}
    for name in [name for name, value in kept.items() if isinstance(value, float) and not math.isfinite(value)]:
        kept["notes"] = (*kept["notes"], f"{name} was read as {kept[name]}: not recorded")
        kept[name] = None
    kept["steps"] = [asdict(step) for step in observation.steps]
    kept["probes"] = [asdict(probe) for probe in observation.probes]
    return _line({"trial": asdict(trial), "samples": asdict(samples), "observation": kept})


def line_of_happening(happening: Happening) -> bytes:
    """The line that records what happened between trials, with its newline."""
    return _line({"happening": asdict(happening)})


def _line(body: dict[str, Any]) -> bytes:
    text = json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain_number)
    rest = text.encode()[1:]
    return _START + f'{zlib.crc32(rest):08x}",'.encode() + rest + b"\n"


def read(data: bytes, name: str = "journal.jsonl") -> Journal:
    """All lines of a journal, each checked. Nothing is raised: a line that cannot be read stands in `damaged`."""
    entries: list[Entry] = []
    happenings: list[Happening] = []
    damaged: list[str] = []
    end = data.rfind(b"\n") + 1
    for number, line in enumerate(data[:end].split(b"\n")[:-1], start=1):
        problem, entry = _entry(line)
        if problem:
            damaged.append(f"{name}: line {number}: {problem}")
            # A damaged newline joins two lines; the second one may still be sound.
            entry = _entry(line[max(0, line.rfind(_START)) :])[1]
        if isinstance(entry, Happening):
            happenings.append(entry)
        elif entry is not None:
            entries.append(entry)
    return Journal(tuple(entries), tuple(damaged), end, tuple(happenings))


def _entry(line: bytes) -> tuple[str, Entry | Happening | None]:
    head, rest = line[:_HEAD_BYTES], line[_HEAD_BYTES:]
    if not head.startswith(_START) or head != _START + f'{zlib.crc32(rest):08x}",'.encode():
        return "checksum does not match: a recorded trial cannot be read", None
    try:
        if rest.startswith(b'"happening":'):
            return "", _HAPPENING.validate_json(b"{" + rest).happening
        read = _LINE.validate_json(b"{" + rest)
    except ValidationError as exc:
        first = exc.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        return f"{where}: {first['msg']}", None
    entry = Entry(read.trial, read.samples, {name: getattr(read.observation, name) for name in _FIELDS})
    problem = _unsound(entry)
    return problem, None if problem else entry


def _unsound(entry: Entry) -> str:
    """What of a line no bench could have made; also a step or a look at samples that the trace does not have."""
    observation = entry.observation(_NO_TRACE)
    problem = unsound(entry.trial, "trial") or unsound(observation, "observation")
    looks: list[tuple[str, SweepStep | Probe]] = [("steps", each) for each in observation.steps]
    looks += [("probes", each) for each in observation.probes]
    for what, look in looks:
        if not (look.first >= 0 and 0 <= look.count <= entry.samples.count - look.first):
            return problem or f"observation.{what}: {look.count} samples from {look.first} on are not of its trace"
    return problem


def _plain_number(value: object) -> object:
    """numpy's own scalar types are numbers too."""
    item = getattr(value, "item", None)
    if item is None:
        raise TypeError(f"not a value for the journal: {value!r}")
    return item()


_NO_TRACE = Trace(np.empty(0), np.empty(0))
_FIELDS = [f.name for f in fields(Observation) if f.name != "trace"]
_HINTS = get_type_hints(Observation)
_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
_DEFAULTS = Observation(trace=None)  # type: ignore[arg-type]
_DEFINITIONS: dict[str, Any] = {name: (_HINTS[name], getattr(_DEFAULTS, name)) for name in _FIELDS}
_ObservationFields = create_model("ObservationFields", __config__=_STRICT, **_DEFINITIONS)


class _Line(BaseModel):
    model_config = _STRICT
    trial: Trial
    samples: SampleSpan
    observation: _ObservationFields  # type: ignore[valid-type]


class _HappeningLine(BaseModel):
    model_config = _STRICT
    happening: Happening


_LINE = TypeAdapter(_Line)
_HAPPENING = TypeAdapter(_HappeningLine)
