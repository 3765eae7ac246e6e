"""All outcomes counted, each count beside the bound that it is held to."""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import beta

from tests.study.characterise import Outcome

LEAST_PINS = 1000
"""Fewer do not tell 93.5 % from 95 %: their share is shown, and not judged."""

COVERED = (0.935, 0.97)
"""Of the 95 % intervals, the share that holds the truth."""

LEAST_DETERMINED = 0.95
"""Of all pins, the share whose sweep tells G_req: what is not determined must not carry the hard cases away."""


@dataclass(frozen=True)
class Row:
    """A line of the table. `ok` is None where nothing is asked of it."""

    what: str
    found: str
    asked: str = ""
    ok: bool | None = None

    @property
    def judged(self) -> str:
        return "" if self.ok is None else ("yes" if self.ok else "NO")


@dataclass(frozen=True)
class Tally:
    """The table of a study and what it comes to. `reasons`: why pins are not determined, with their numbers."""

    pins: int
    rows: tuple[Row, ...]
    reasons: tuple[tuple[str, tuple[int, ...]], ...]

    @property
    def ok(self) -> bool:
        return all(row.ok is not False for row in self.rows)

    @property
    def verdict(self) -> str:
        short = [row.what for row in self.rows if row.ok is False]
        if short:
            return f"FALLS SHORT: {'; '.join(short)}"
        if self.pins < LEAST_PINS:
            return f"short run: {self.pins} pins are too few to judge the coverage; nothing else falls short"
        return f"holds: {self.pins} pins, nothing falls short"


def tally(outcomes: Sequence[Outcome]) -> Tally:
    """Count. Raises ValueError for no outcome at all."""
    if not outcomes:
        raise ValueError("a study of no pins")
    made = len(outcomes)
    found = [one for one in outcomes if one.determined]
    intervals = [one for one in found if one.has_interval]
    advised = [one for one in outcomes if one.advised_ohm is not None]
    rows = [
        Row("pins, each on a bench of its own", str(made)),
        Row("runs that failed and were made again", str(sum(one.failed_before for one in outcomes))),
        _determined(len(found), made),
        _coverage(intervals),
        _limits(intervals),
        _width(intervals),
        _never(
            "no resistor needed, by sweep or report: wrong", _none_needed(outcomes), lambda one: one.none_needed_wrong
        ),
        _never("bracket from trials: wrong", [one for one in outcomes if one.bracket], lambda one: one.bracket_wrong),
        _never("recommended resistor sticks", advised, lambda one: one.sticks),
        _never(
            "no value, or below half of the largest with the same margins",
            [one for one in found if one.names_a_value],
            lambda one: one.too_small,
        ),
        Row("recommended is that largest value itself", _itself(found)),
        Row("no upper limit (the interval of G_req reaches zero)", str(sum(one.needed is None for one in found))),
        Row("sweep and trials said to disagree", str(sum(one.agreement == "disagrees" for one in found))),
        Row("said to have a memory (none has)", str(sum(one.has_memory for one in found))),
    ]
    return Tally(made, tuple(rows), _reasons([one for one in outcomes if not one.determined]))


def _reasons(lost: Sequence[Outcome]) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """The first of what each pin's note says, without its numbers, so that the same is counted as the same; the most
    frequent first."""
    found: dict[str, list[int]] = {}
    for one in lost:
        reason = re.sub(r"\b\d+(\.\d+)? [a-zµ]?[VAsΩ]\b", "…", one.problem.split("; ")[0])
        found.setdefault(reason, []).append(one.number)
    ranked = sorted(found.items(), key=lambda pair: (-len(pair[1]), pair[0]))
    return tuple((reason, tuple(numbers)) for reason, numbers in ranked)


def _none_needed(outcomes: Sequence[Outcome]) -> list[Outcome]:
    return [one for one in outcomes if one.none_needed or one.advised_needed is False]


def _determined(found: int, made: int) -> Row:
    asked = f"{_percent(LEAST_DETERMINED, 0)} or more"
    return Row("sweep tells G_req", _share(found, made), asked, found / made >= LEAST_DETERMINED)


def _coverage(intervals: Sequence[Outcome]) -> Row:
    count, of = sum(one.covered for one in intervals), len(intervals)
    low, high = COVERED
    asked = f"{_percent(low)} to {_percent(high)}"
    what = "95 % interval of R_safe holds the truth"
    if of < LEAST_PINS:
        return Row(what, _share(count, of), f"{asked}, of {LEAST_PINS} or more")
    return Row(what, _share(count, of), asked, low <= count / of <= high)


def _limits(intervals: Sequence[Outcome]) -> Row:
    """Of the share that the study is a sample of: Clopper and Pearson, two-sided 95 %."""
    count, of = sum(one.covered for one in intervals), len(intervals)
    low = float(beta.ppf(0.025, count, of - count + 1)) if count else 0.0
    high = float(beta.ppf(0.975, count + 1, of - count)) if count < of else 1.0
    return Row("95 % limits of that share (Clopper-Pearson)", f"{_percent(low)} to {_percent(high)}")


def _width(intervals: Sequence[Outcome]) -> Row:
    halves = [width for one in intervals if (width := one.relative_half_width) is not None]
    if not halves:
        return Row("half-width of that interval over R_safe", "no interval")
    median, most = statistics.median(halves), float(np.quantile(halves, 0.9))
    return Row(
        "half-width of that interval over R_safe",
        f"median {_percent(median, 2)}, nine of ten below {_percent(most, 2)}",
    )


def _never(what: str, among: Sequence[Outcome], wrong: Callable[[Outcome], bool]) -> Row:
    count = sum(wrong(one) for one in among)
    return Row(what, f"{count} of {len(among)}", "0", count == 0)


def _itself(found: Sequence[Outcome]) -> str:
    among = [one for one in found if one.names_a_value]
    return _share(sum(one.advised_ohm == one.best_ohm for one in among), len(among))


def by_group(outcomes: Sequence[Outcome], key: Callable[[Outcome], str]) -> list[tuple[str, str, str, str]]:
    """Group, pins, intervals that hold the truth, median relative half-width; groups by name."""
    rows = []
    for name in sorted({key(one) for one in outcomes}):
        group = [one for one in outcomes if key(one) == name]
        intervals = [one for one in group if one.determined and one.has_interval]
        widths = [width for one in intervals if (width := one.relative_half_width) is not None]
        median = _percent(statistics.median(widths), 2) if widths else "–"
        rows.append((name, str(len(group)), _share(sum(one.covered for one in intervals), len(intervals)), median))
    return rows


def _share(count: int, of: int) -> str:
    return f"{count} of {of} ({_percent(count / of)})" if of else "0 of 0"


def _percent(share: float, decimals: int = 1) -> str:
    return f"{100.0 * share:.{decimals}f} %"
