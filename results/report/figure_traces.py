"""All traces of a pin over the time from their release edge, as SVG text: the edge at the left, the whole log right."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from results.analysis.findings import PinFinding, TrialFinding
from results.record.run_record import RunRecord
from results.record.trace import FloatArray
from results.report.figures import MM, RULE, Look, looks, scale_of, short, spread, style, svg_of, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRACES_MM = (174.0, 49.0)
COLUMNS = 360
"""Picture columns that a long trace is thinned to, the least and the largest voltage of each kept."""

_Curve = tuple[TrialFinding, FloatArray, FloatArray]


def traces_svg(pin: PinFinding, record: RunRecord) -> str | None:
    """All traces of the pin over the time from their release edge: the edge at the left, the whole log at the right.

    None where no trial of the pin has a trace.
    """
    drawn = [row for row in pin.rows if row.observation is not None and len(row.observation.trace)]
    if not drawn:
        return None
    from matplotlib.figure import Figure

    styles = looks(record)
    with style():
        figure = Figure(figsize=(TRACES_MM[0] * MM, TRACES_MM[1] * MM))
        edge_axes, whole_axes = figure.subplots(1, 2, sharey=True, width_ratios=(1.0, 1.35))
        figure.subplots_adjust(left=0.062, right=0.85, top=0.965, bottom=0.185, wspace=0.05)
        edges = [edge for edge in map(_edge_s, drawn) if edge is not None]
        elsewhere_s = float(np.median(edges)) if edges else None
        curves = [(row, *_from_edge(row, elsewhere_s)) for row in drawn]
        axis = "time from the edge" if edges else "time from the start"
        zero = "the release edge" if edges else "the start (no edge known)"
        latest = max(float(time_s[-1]) for _, time_s, _ in curves)
        earliest = min(float(time_s[0]) for _, time_s, _ in curves)
        window = _edge_window(drawn, latest)
        _voltage_axis(edge_axes, curves, record)
        _time_panel(edge_axes, curves, styles, (-0.25 * window, window), f"time from {zero}")
        _time_panel(whole_axes, curves, styles, _whole(earliest, latest), f"whole log, {axis}")
        _levels(edge_axes, record, named=True)
        _levels(whole_axes, record, named=False)
        _label_ends(whole_axes, curves, styles, record)
        return svg_of(figure)


def thinned(time_s: FloatArray, voltage_v: FloatArray, columns: int = COLUMNS) -> tuple[FloatArray, FloatArray]:
    """The least and the largest voltage of each picture column, in their order; short traces as they are.

    Overloads (NaN) stay gaps: a column of nothing else gives NaN.
    """
    if time_s.size <= 2 * columns:
        return time_s, voltage_v
    width = -(-time_s.size // columns)
    starts = np.arange(0, time_s.size, width)
    # The last column is filled up with its last sample, which changes neither of its extremes.
    grid = voltage_v[np.minimum(starts[:, None] + np.arange(width), time_s.size - 1)]
    least = starts + np.argmin(np.where(np.isnan(grid), np.inf, grid), axis=1)
    largest = starts + np.argmax(np.where(np.isnan(grid), -np.inf, grid), axis=1)
    index = np.unique(np.minimum(np.concatenate([least, largest]), time_s.size - 1))
    return time_s[index], voltage_v[index]


def _edge_s(row: TrialFinding) -> float | None:
    return None if row.trace is None or row.trace.edge is None else row.trace.edge.time_s


def _from_edge(row: TrialFinding, elsewhere_s: float | None) -> tuple[FloatArray, FloatArray]:
    """Time from the edge; without one from the release as commanded, from where the edge of the pin's other traces
    lies, or else from the first sample."""
    assert row.observation is not None
    trace = row.observation.trace
    known = (_edge_s(row), row.observation.released_after_s, elsewhere_s, float(trace.time_s[0]))
    return trace.time_s - next(zero for zero in known if zero is not None), trace.voltage_v


def _edge_window(rows: list[TrialFinding], latest: float) -> float:
    """Long enough for the slowest fall below V_IL, and for a dozen samples of the fastest."""
    interval = max(
        (
            float(np.median(np.diff(row.observation.trace.time_s)))
            for row in rows
            if _samples(row) > 1 and row.observation
        ),
        default=latest / 100.0,
    )
    falls = [row.trace.release_time_s for row in rows if row.trace is not None and row.trace.release_time_s is not None]
    taus = [
        row.trace.decay.time_constant_s
        for row in rows
        if row.trace and row.trace.decay and row.trace.decay.time_constant_s and not row.trace.decay.is_upper_bound
    ]
    slowest = max([12.0 * interval, *(1.5 * fall for fall in falls), *(3.0 * tau for tau in taus)])
    return min(slowest, latest) if latest > 0.0 else slowest


def _whole(earliest: float, latest: float) -> tuple[float, float]:
    """The whole log with a little of what was before the edge; never empty, even for a trace of one sample."""
    start = max(earliest, -0.15 * latest) if latest > 0.0 else earliest
    return (start, latest) if latest > start else (start, start + 1e-3)


def _samples(row: TrialFinding) -> int:
    return 0 if row.observation is None else len(row.observation.trace)


def _voltage_axis(axes: Axes, curves: list[_Curve], record: RunRecord) -> None:
    finite = [volts[np.isfinite(volts)] for _, _, volts in curves]
    values = np.concatenate([*finite, np.array([0.0, record.rail_v])])
    span = float(values.max() - values.min())
    axes.set_ylim(float(values.min()) - 0.04 * span, float(values.max()) + 0.05 * span)
    axes.set_ylabel("node voltage / V")


def _time_panel(
    axes: Axes, curves: list[_Curve], styles: dict[str, Look], window: tuple[float, float], label: str
) -> None:
    scale, unit = scale_of(window[1], "s")
    order = {name: index for index, name in enumerate(styles)}
    for row, time_s, volts in curves:
        look = styles[row.trial.resistor]
        # One sample outside on either side, so that a line runs to the border of the panel.
        first, last = np.searchsorted(time_s, window)
        inside = slice(max(int(first) - 1, 0), int(last) + 1)
        x, y = thinned(time_s[inside], volts[inside])
        # The markers of the resistors are shifted against each other, so that they do not hide one another.
        axes.plot(
            x / scale,
            y,
            color=look.colour,
            linestyle=look.dash,
            # Markers at places along a line need a line.
            marker=look.marker if np.isfinite(y).any() else "",
            markerfacecolor="white",
            markevery=(0.03 + 0.021 * (order[row.trial.resistor] % 9), 0.21),
            zorder=3,
        )
    axes.set_xlim(window[0] / scale, window[1] / scale)
    axes.set_xlabel(f"{label} / {unit}")
    axes.axvline(0.0, color=RULE, linewidth=0.4, zorder=0.5)
    tidy(axes)


def _levels(axes: Axes, record: RunRecord, *, named: bool) -> None:
    for name, level in (("IL", record.levels.v_il), ("IH", record.levels.v_ih)):
        axes.axhline(level, color="#555555", linewidth=0.6, linestyle=(0, (1, 1.8)), zorder=1)
        if named:
            axes.annotate(
                rf"$V_\mathrm{{{name}}}$ {level:g} V",
                (0.012, level),
                xycoords=("axes fraction", "data"),
                xytext=(0, 1.5),
                textcoords="offset points",
                color="#333333",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
                zorder=4,
            )


def _label_ends(axes: Axes, curves: list[_Curve], styles: dict[str, Look], record: RunRecord) -> None:
    """At the right of the panel: each resistor's name and line at the level where its traces end."""
    ends: list[tuple[float, str, str]] = []
    for name in styles:
        levels = sorted(_end(volts) for row, _, volts in curves if row.trial.resistor == name)
        levels = [level for level in levels if np.isfinite(level)]
        for group in _groups(levels, 0.08 * record.rail_v):
            count = f", {len(group)}/{len(levels)}" if len(group) < len(levels) else ""
            ends.append((group[-1], name, f"{short(name)}{count}"))
    # Equal to the eye, the larger resistor stands above: the order in which they were listed, turned round.
    ends.reverse()
    ends.sort(key=lambda end: round(end[0] / (0.02 * record.rail_v)))
    low, high = axes.get_ylim()
    heights = spread([(level - low) / (high - low) for level, _, _ in ends], 0.095, 0.03, 0.98)
    for (level, name, label), height in zip(ends, heights, strict=True):
        look = styles[name]
        axes.plot(
            [1.004, 1.025],
            [(level - low) / (high - low), height],
            transform=axes.transAxes,
            color=RULE,
            linewidth=0.4,
            clip_on=False,
        )
        axes.plot(
            [1.025, 1.06, 1.095],
            [height] * 3,
            transform=axes.transAxes,
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markerfacecolor="white",
            markevery=[1],
            clip_on=False,
        )
        axes.text(
            1.11, height, label, transform=axes.transAxes, va="center_baseline", parse_math=False, color="#111111"
        )


def _end(volts: FloatArray) -> float:
    tail = volts[-max(volts.size // 20, 1) :]
    tail = tail[np.isfinite(tail)]
    return float(np.median(tail)) if tail.size else float("nan")


def _groups(levels: list[float], gap: float) -> list[list[float]]:
    """Ascending levels, parted where they lie further apart than `gap`."""
    groups = [levels[:1]] if levels else []
    for before, level in pairwise(levels):
        if level - before > gap:
            groups.append([])
        groups[-1].append(level)
    return groups
