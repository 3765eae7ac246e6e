"""What is true of a hidden pin, from its law alone: nothing of the product's analysis is used here."""

from __future__ import annotations

import numpy as np

from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import net_pin_current
from results.series import largest_at_most
from tests.study.hidden_pin import HiddenPin

GRID = 20_001
TOPS = 8
"""How many of the highest places of the grid are looked at closely."""

ZOOMS = 4
"""Each one 100 times finer: the last grid's steps are far below a nanovolt."""


def required_conductance(pin: HiddenPin) -> float:
    """G_req = max I_net(V)/V for V_IL <= V <= rail (siemens), by a fine grid and ever finer ones around its tops."""
    board = parse_board(pin.board)
    law = net_pin_current(
        board.pins[0], "reset default", leak_factor=1.0, rail_v=board.rail.voltage_v, output_ohm=board.unit.output_ohm
    )

    def ratio(volts: np.ndarray) -> np.ndarray:
        return np.array([law(float(v)) / float(v) for v in volts])

    low_v, high_v = pin.supply.v_il, board.rail.voltage_v
    grid = np.linspace(low_v, high_v, GRID)
    values = ratio(grid)
    padded = np.concatenate(([-np.inf], values, [-np.inf]))
    tops = np.flatnonzero((values >= padded[:-2]) & (values >= padded[2:]))
    best = -np.inf
    for top in sorted(tops, key=lambda index: -values[index])[:TOPS]:
        centre_v, reach_v = float(grid[top]), (high_v - low_v) / (GRID - 1)
        for _ in range(ZOOMS):
            near = np.linspace(max(low_v, centre_v - reach_v), min(high_v, centre_v + reach_v), 201)
            found = ratio(near)
            centre_v, reach_v = float(near[np.argmax(found)]), reach_v / 100.0
            best = max(best, float(found.max()))
    return best


def largest_value(pin: HiddenPin, required_s: float) -> float | None:
    """The largest value of the pin's series (ohm) that keeps its margin at its tolerance limit, were R_safe known.

    None where no resistor is needed, or the series resistance on the board is more than R_safe.
    """
    if required_s <= 0.0 or 1.0 / required_s <= pin.series_ohm:
        return None
    external_ohm = 1.0 / required_s - pin.series_ohm
    return largest_at_most(pin.series, external_ohm / ((1.0 + pin.margin) * (1.0 + pin.tolerance)))
