"""A long dwell as SVG text: the node over minutes after its release, with V_IL and V_IH and the two levels compared."""

from __future__ import annotations

import numpy as np

from results.analysis.found.dwell_finding import DwellFinding
from results.record.run_record import RunRecord
from results.report.figures import ACCENT, MM, RULE, style, svg_of, tidy

DWELL_MM = (112.0, 46.0)
MOST_POINTS = 2000
"""Of one curve: more cannot be told apart at this width. Each is the mean of those it stands for."""


def dwell_svg(dwell: DwellFinding, record: RunRecord) -> str:
    """The trace of a dwell that has an early and a late level."""
    from matplotlib.figure import Figure

    assert dwell.observation is not None
    assert dwell.released_s is not None
    assert dwell.early is not None
    assert dwell.late is not None
    trace = dwell.observation.trace
    after = (trace.time_s > dwell.released_s) & ~np.isnan(trace.voltage_v)
    after[: int(np.argmax(after)) + 1] = False  # the first sample may still hold part of the press
    width = max(1, int(after.sum()) // MOST_POINTS)
    whole = int(after.sum()) // width * width
    minutes = (trace.time_s[after][:whole].reshape(-1, width).mean(axis=1) - dwell.released_s) / 60.0
    volts = trace.voltage_v[after][:whole].reshape(-1, width).mean(axis=1)
    levels = record.levels_at(dwell.trial.condition.rail_v)
    with style():
        figure = Figure(figsize=(DWELL_MM[0] * MM, DWELL_MM[1] * MM))
        axes = figure.subplots()
        figure.subplots_adjust(left=0.09, right=0.9, top=0.96, bottom=0.2)
        top = 1.1 * max(float(volts.max()), levels.v_il)
        axes.set(xlim=(0.0, float(minutes[-1])), ylim=(min(-0.02 * top, float(volts.min())), top))
        axes.set(xlabel="time from the release / min", ylabel="node voltage / V")
        for name, level_v in ((r"$V_\mathrm{IL}$", levels.v_il), (r"$V_\mathrm{IH}$", levels.v_ih)):
            if level_v < top:
                axes.axhline(level_v, color=RULE, linewidth=0.6, linestyle=(0, (4, 2)))
                axes.text(1.01, level_v / top, name, transform=axes.transAxes, va="center", fontsize=5.5, color=RULE)
        axes.plot(minutes, volts, color="#111111", linewidth=0.8)
        for level, dash in ((dwell.early, (0, (1, 1.5))), (dwell.late, (0, (5, 1.5)))):
            axes.axhline(level.value, color=ACCENT, linewidth=0.6, linestyle=dash)
        tidy(axes)
        return svg_of(figure)
