"""Net pin current over voltage as a sweep found it, with load lines and rest points, as SVG text.

The branches differ by line and marker, stable and unstable rest points by filled and open circles: nothing is told by
colour alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from results.analysis.findings import PinFinding, SweepFinding
from results.analysis.sweep.sweep_curve import curve_of, interpolated
from results.quantity import show
from results.record.observation import Branch
from results.record.run_record import RunRecord
from results.record.trace import FloatArray
from results.report.figure_current import level_uprights, load_lines
from results.report.figure_image import in_image, real_volts
from results.report.figures import ACCENT, MM, RULE, looks, scale_of, style, svg_of, tidy
from results.words import words_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SWEEP_MM = (116.0, 74.0)


def sweep_svg(pin: PinFinding, record: RunRecord) -> str | None:
    """The curve of a swept pin: both branches, the load line of every trial resistor (with the bench's load), where the
    pin rests on them, V_IL and V_IH, and the load line of the largest safe resistance, which touches the curve.

    None where no branch has points enough to draw.
    """
    if pin.sweep is None:
        return None
    pin, record, rail_v = in_image(pin, record)
    assert pin.sweep is not None
    down_v, down_a = curve_of(pin.sweep.points, "down")
    up_v, up_a = curve_of(pin.sweep.points, "up")
    if min(down_v.size, up_v.size) < 3:
        return None
    from matplotlib.figure import Figure

    top = 1.15 * max(float(down_a.max()), float(up_a.max()), 0.25 * -float(down_a.min()), 1e-9)
    bottom = min(0.0, float(down_a.min()), float(up_a.min())) - 0.05 * top
    scale, unit = scale_of(max(top, -bottom), "A")
    with style():
        figure = Figure(figsize=(SWEEP_MM[0] * MM, SWEEP_MM[1] * MM))
        axes = figure.subplots()
        figure.subplots_adjust(left=0.115, right=0.85, top=0.85, bottom=0.125)
        right = 1.06 * max(record.rail_v, float(down_v[-1]))
        axes.set(xlim=(-0.02 * right, right), ylim=(bottom / scale, top / scale))
        axes.set(xlabel="voltage at the pin / V", ylabel=f"net pin current / {unit}")
        axes.axhline(0.0, color=RULE, linewidth=0.5, zorder=0.5)
        load_lines(axes, pin, record, looks(record), scale, record.pin(pin.pin).series_ohm)
        level_uprights(axes, record)
        _branch(axes, pin.sweep, "down", (down_v, down_a / scale), words_for(record.press_to, "down branch"))
        _branch(axes, pin.sweep, "up", (up_v, up_a / scale), words_for(record.press_to, "up branch"))
        _tangent(axes, pin.sweep, scale)
        _rests(axes, pin.sweep, (down_v, down_a), scale)
        axes.legend(loc="best", fontsize=5.5, frameon=True, framealpha=0.9, edgecolor="none", borderpad=0.2)
        real_volts(axes, rail_v)
        tidy(axes)
        return svg_of(figure)


def _branch(axes: Axes, sweep: SweepFinding, branch: Branch, curve: tuple[FloatArray, FloatArray], label: str) -> None:
    """A branch as a line, its markers at the equal steps of the first pass only: refined ones would run together."""
    down = branch == "down"
    axes.plot(
        *curve,
        color="#111111",
        linestyle="solid" if down else (0, (4, 2)),
        linewidth=0.9 if down else 1.5,
        alpha=1.0 if down else 0.55,
        zorder=3 if down else 2.5,
    )
    first = [
        point.at_pin_v
        for point in sweep.points
        if point.step.branch == branch and point.step.sweep_pass == 1 and point.at_pin_v is not None
    ]
    axes.plot(
        first,
        np.interp(first, *curve),
        linestyle="none",
        marker="v" if down else "^",
        markersize=2.4 if down else 4.2,
        color="#111111",
        markerfacecolor="#111111" if down else "white",
        markeredgewidth=0.5,
        zorder=3.2 if down else 2.8,
        label=label,
    )


def _tangent(axes: Axes, sweep: SweepFinding, scale: float) -> None:
    """The load line of the largest safe resistance, and where it touches the worse branch."""
    if sweep.safe is None or sweep.worse is None:
        return
    right = axes.get_xlim()[1]
    slope = sweep.worse.required.value / scale
    label = f"largest safe {show(sweep.safe.value, 'Ω')}"
    axes.plot([0.0, right], [0.0, slope * right], color=ACCENT, linewidth=1.3, linestyle=(0, (7, 1.5)), zorder=2.2)
    axes.plot(
        [sweep.worse.at_v],
        [slope * sweep.worse.at_v],
        linestyle="none",
        marker="X",
        markersize=5.0,
        color=ACCENT,
        zorder=5,
        label=label,
    )


def _rests(axes: Axes, sweep: SweepFinding, curve: tuple[FloatArray, FloatArray], scale: float) -> None:
    net_current = interpolated(*curve)
    for stable, face, label in ((True, "#111111", "stable rest point"), (False, "white", "unstable rest point")):
        volts = [rest.voltage_v for one in sweep.rests for rest in one.rests if rest.stable is stable]
        if volts:
            axes.plot(
                volts,
                net_current(np.array(volts)) / scale,
                linestyle="none",
                marker="o",
                markersize=4.6,
                markerfacecolor=face,
                markeredgecolor="#111111",
                markeredgewidth=0.9,
                zorder=6,
                label=label,
            )
