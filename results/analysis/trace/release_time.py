"""How long after the edge the node is below V_IL for good."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Edge
from results.analysis.trace.settled import Settling
from results.analysis.trace.tail import TailFit

FloatArray = NDArray[np.float64]


def release_time(
    time_s: FloatArray, voltage_v: FloatArray, edge: Edge, v_il: float, settling: Settling, fit: TailFit | None
) -> float | None:
    """Seconds from the edge until the node is below `v_il` for good; None where it never is.

    `time_s`, `voltage_v`: samples of the free node. Where one exponential holds, it is solved for V_IL; elsewhere hum
    is taken out and the crossing interpolated, over as many samples as the noise needs. A node within noise of V_IL at
    the end is judged by its mean there.
    """
    rest = settling.settled.voltage_v if settling.settled is not None else settling.last_v.value
    if rest > v_il or settling.last_v.value > v_il:
        return None
    if fit is not None and fit.tau_s is not None:
        return _solved(float(time_s[0]), edge, v_il, fit)
    clean = settling.without_hum(time_s, voltage_v)
    above = np.nonzero(clean > v_il)[0]
    if not above.size:
        # The crossing lies between the edge and the first sample: nothing finer can be told.
        return max(0.5 * (float(time_s[0]) - edge.time_s), 0.0) if edge.held_v > v_il else 0.0
    return max(_crossing(time_s, clean, v_il, settling) - edge.time_s, 0.0)


def _solved(first_s: float, edge: Edge, v_il: float, fit: TailFit) -> float:
    ratio = (v_il - fit.level_v) / fit.amplitude_v
    tau = fit.tau_s or 0.0
    if ratio <= 0.0:
        return 0.0
    return max(first_s - tau * math.log(ratio) - edge.time_s, 0.0)


def _crossing(time_s: FloatArray, clean: FloatArray, v_il: float, settling: Settling) -> float:
    """The last crossing of a smoothed curve that has the noise below half of what it moves by there."""
    noise = settling.noise.sigma_v * math.sqrt(min(settling.noise.factor, 4.0))
    for width in (1, 3, 7, 15, 31, 63, 127):
        if width > clean.size // 3:
            break
        smooth = np.convolve(np.pad(clean, width // 2, mode="edge"), np.ones(width) / width, mode="valid")
        above = np.nonzero(smooth > v_il)[0]
        if not above.size:
            break
        last = int(above[-1])
        if last + 1 >= clean.size:
            continue
        wide = slice(max(last - width, 0), min(last + width + 2, clean.size))
        moved = abs(float(smooth[wide][0] - smooth[wide][-1]))
        if moved > 4.0 * noise / math.sqrt(width):
            share = float((smooth[last] - v_il) / (smooth[last] - smooth[last + 1]))
            return float(time_s[last] + share * (time_s[last + 1] - time_s[last]))
    below = np.nonzero(clean > v_il)[0]
    return float(time_s[int(np.median(below))])
