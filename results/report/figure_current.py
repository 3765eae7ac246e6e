"""Net pin current against voltage at the settled trials of a pin, with the load lines, as SVG text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.findings import PinFinding, TrialFinding
from results.quantity import show
from results.record.run_record import RunRecord
from results.record.trace import FloatArray
from results.report.figure_image import in_image, real_volts
from results.report.figures import ACCENT, MM, RULE, Look, looks, scale_of, short, spread, style, svg_of, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CURRENT_MM = (92.0, 57.0)


def current_svg(pin: PinFinding, record: RunRecord) -> str | None:
    """Net pin current against the voltage at the pin at every settled trial, with load lines and the plain-leak line.

    Error bars are expanded uncertainties. Of the series resistance on the board, the part between node and pin is
    added to the voltage and to the load lines alike. None where no trial has a net pin current.
    """
    pin, record, rail_v = in_image(pin, record)
    series_ohm = record.pin(pin.pin).series_ohm
    points = [
        point_at_pin(row, series_ohm) for row in pin.rows if row.settled is not None and row.net_current is not None
    ]
    points = [point for point in points if np.isfinite(point[1:]).all()]
    if not points:
        return None
    from matplotlib.figure import Figure

    styles = looks(record)
    tops = [current + record.rules.coverage * u for _, _, _, current, u in points]
    bottoms = [current - record.rules.coverage * u for _, _, _, current, u in points]
    line = _plain_line(pin, record)
    if line is not None:
        tops.append(float(line[1].max()))
    top = 1.15 * max(*tops, 1e-9)
    bottom = min(0.0, *bottoms) - 0.04 * top
    scale, unit = scale_of(top, "A")
    with style():
        figure = Figure(figsize=(CURRENT_MM[0] * MM, CURRENT_MM[1] * MM))
        axes = figure.subplots()
        figure.subplots_adjust(left=0.135, right=0.83, top=0.82, bottom=0.155)
        right = 1.08 * max(record.rail_v, *(v for _, v, _, _, _ in points))
        axes.set(xlim=(-0.03 * right, right), ylim=(bottom / scale, top / scale))
        axes.set(xlabel="voltage at the pin / V", ylabel=f"net pin current / {unit}")
        axes.axhline(0.0, color=RULE, linewidth=0.5, zorder=0.5)
        load_lines(axes, pin, record, styles, scale, series_ohm)
        level_uprights(axes, record)
        if line is not None:
            axes.plot(line[0], line[1] / scale, color=ACCENT, linewidth=1.6, alpha=0.85, zorder=2)
            at = int(0.7 * line[0].size)
            axes.annotate(
                "plain-leak line",
                (line[0][at], line[1][at] / scale),
                xytext=(4, 7),
                textcoords="offset points",
                color=ACCENT,
                zorder=5,
            )
        for name, volts, u_v, current, u_a in points:
            look = styles[name]
            axes.errorbar(
                volts,
                current / scale,
                xerr=record.rules.coverage * u_v,
                yerr=record.rules.coverage * u_a / scale,
                color=look.colour,
                marker=look.marker,
                markerfacecolor="white",
                linestyle="none",
                elinewidth=0.6,
                capsize=1.5,
                capthick=0.6,
                zorder=4,
            )
        real_volts(axes, rail_v)
        tidy(axes)
        return svg_of(figure)


def level_uprights(axes: Axes, record: RunRecord) -> None:
    names = ("IL", "IH") if record.press_to == "rail" else ("IH", "IL")  # drawn in the mirror image
    for name, level in zip(names, (record.levels.v_il, record.levels.v_ih), strict=True):
        axes.axvline(level, color="#555555", linewidth=0.6, linestyle=(0, (1, 1.8)), zorder=1)
        axes.annotate(
            rf"$V_\mathrm{{{name}}}$",
            (level, 0.99),
            xycoords=("data", "axes fraction"),
            xytext=(1.5, 0.0),
            textcoords="offset points",
            va="top",
            color="#333333",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
            zorder=4,
        )


def point_at_pin(row: TrialFinding, series_ohm: float) -> tuple[str, float, float, float, float]:
    """Resistor, voltage at the pin with its u, net current with its u."""
    assert row.settled is not None
    assert row.net_current is not None
    at_pin = row.settled.value + row.net_current.value * series_ohm
    return row.trial.resistor, at_pin, row.settled.u, row.net_current.value, row.net_current.u


def _plain_line(pin: PinFinding, record: RunRecord) -> tuple[FloatArray, FloatArray] | None:
    line = pin.line
    if line is None or not line.passes or line.leak_a is None or line.pull_down_s is None:
        return None
    volts = np.linspace(record.levels.v_il / 2.0, record.rail_v, 50)
    current = line.leak_a.value - line.pull_down_s.value * volts
    shown = current >= 0.0
    return (volts[shown], current[shown]) if shown.any() else None


def load_lines(
    axes: Axes, pin: PinFinding, record: RunRecord, styles: dict[str, Look], scale: float, series_ohm: float
) -> None:
    """I = V·G of each trial resistor with the meter, and of the advised resistor alone, labelled where it leaves.

    In the mirror image of a run to ground the meter's part does not begin at the origin: I = V·G − V_ground·G_meter.
    """
    load_s = (0.0 if record.meter.input_ohm is None else 1.0 / record.meter.input_ohm) + record.fixture.conductance_s
    back_a = load_s * ground_of(record.meter).value
    tried = {row.trial.resistor for row in pin.rows}
    lines = [
        (r.conductance_s + load_s, back_a, short(r.name), styles[r.name]) for r in record.resistors if r.name in tried
    ]
    if pin.advice.ohm is not None:
        lines.append((1.0 / pin.advice.ohm, 0.0, f"fit {show(pin.advice.ohm, 'Ω')}", Look(ACCENT, (0, (1, 1)), "")))
    top, right = axes.get_ylim()[1], axes.get_xlim()[1]
    above: list[tuple[float, str, Look]] = []
    beside: list[tuple[float, str, Look]] = []
    for outside_s, ampere, label, look in lines:
        factor = (1.0 + outside_s * series_ohm) * scale
        slope, start = outside_s / factor, -ampere / factor
        end = start + slope * right
        axes.plot([0.0, right], [start, end], color=look.colour, linestyle=look.dash, linewidth=0.6, zorder=1.5)
        if end > top:
            above.append(((top - start) / slope / right, label, look))
        else:
            beside.append((end / top, label, look))
    _label_border(axes, above, upright=True)
    _label_border(axes, beside, upright=False)


def _label_border(axes: Axes, labels: list[tuple[float, str, Look]], *, upright: bool) -> None:
    """Names of the load lines above the upper border, or beside the right one, with a leader to where they leave."""
    labels = sorted(labels, key=lambda entry: entry[0])
    low, high = axes.get_xlim() if upright else axes.get_ylim()
    wanted = [(position * high - low) / (high - low) for position, _, _ in labels]
    places = spread(wanted, 0.095 if upright else 0.075, 0.0 if upright else 0.04, 1.12 if upright else 0.97)
    for start, place, (_, label, look) in zip(wanted, places, labels, strict=True):
        along, across = [start, place], [1.0, 1.04]
        x, y = (along, across) if upright else (across, along)
        axes.plot(x, y, transform=axes.transAxes, color=RULE, linewidth=0.4, clip_on=False)
        axes.text(
            place if upright else 1.05,
            1.05 if upright else place,
            label,
            transform=axes.transAxes,
            color=look.colour,
            rotation=38 if upright else 0,
            ha="left",
            va="bottom" if upright else "center_baseline",
            rotation_mode="anchor",
            parse_math=False,
        )
