"""Figures of current against voltage of a pull-up input: drawn in the mirror image, labelled with real volts.

In the image the load lines begin at the origin, as in every other such figure; the axis then runs from the rail on the
left down to 0 V on the right.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from results.analysis.findings import PinFinding
from results.analysis.mirror import finding_image, record_image
from results.record.run_record import RunRecord

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def in_image(pin: PinFinding, record: RunRecord) -> tuple[PinFinding, RunRecord, float]:
    """Pin and record as they are drawn, and the rail that the mirror stands at, in volt; 0 where there is no mirror."""
    if record.press_to == "rail":
        return pin, record.under(pin.condition), 0.0
    seen = [(row.trial, row.observation) for row in pin.rows if row.observation is not None]
    if pin.sweep is not None and pin.sweep.observation is not None:
        seen.append((pin.sweep.trial, pin.sweep.observation))
    image = record_image(record, seen)
    rails = {nominal_v: at.value for nominal_v, at in image.rail_at.items()}
    return finding_image(pin, rails), image.under(pin.condition), rails[pin.condition.rail_v]


def real_volts(axes: Axes, rail_v: float) -> None:
    """Ticks at round volts of the real node; nothing where there is no mirror."""
    if not rail_v:
        return
    from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

    ticks = [float(v) for v in MaxNLocator(8, steps=[1, 2, 5, 10]).tick_values(0.0, rail_v) if 0.0 <= v <= rail_v]
    axes.xaxis.set_major_locator(FixedLocator([rail_v - v for v in ticks]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{np.round(rail_v - x, 6) + 0.0:g}"))
