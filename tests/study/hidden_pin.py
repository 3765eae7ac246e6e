"""One hidden pin: its board, with errors of every instrument of its own, and the plan and bench file to find it with.

All of it is drawn from (seed, number): a pin is the same whichever others are made, and on every machine.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from tests.study.hidden_leak import SHAPES, Chance

SPEED = 30.0
"""Bench seconds a real second."""

PRESS_TIME_S = 300.0
"""A sweep is one long press. It takes 10 s in a lab as here; on a fast clock a busy computer makes it longer."""

PIN = "D1"

Drawn = TypeVar("Drawn")


@dataclass(frozen=True)
class Supply:
    """A rail with the standard of its levels, and V_IL and V_IH (volt) as that standard states them."""

    rail_v: float
    standard: str
    v_il: float
    v_ih: float


SUPPLIES = (
    Supply(1.8, "JESD8-7A", 0.35 * 1.8, 0.65 * 1.8),
    Supply(2.5, "JESD8-5A", 0.7, 1.7),
    Supply(3.3, "JESD8C.01", 0.8, 2.0),
    Supply(5.0, "5 V TTL", 0.8, 2.0),
    Supply(5.0, "5 V CMOS", 0.3 * 5.0, 0.7 * 5.0),
)

SERIES_OHM = {0.0: 0.65, 100.0: 0.15, 330.0: 0.15, 1000.0: 0.05}
"""Resistance on the board between needle and pin -> share of the pins."""

INPUT_TOLERANCE, LEAKAGE_TOLERANCE = 0.01, 0.5
"""Of the meter's input resistance and of the fixture's leakage conductance, as the bench file states them."""

PULL_DOWN_OHM = (30e3, 90e3)
"""Of the pull-down at the rail; the plan gives this range."""

FITS = ("1.5 kΩ", "2.2 kΩ", "3.3 kΩ", "4.7 kΩ", "6.8 kΩ", "10 kΩ", "15 kΩ", "22 kΩ", "33 kΩ", "47 kΩ", "100 kΩ")
FITTED = 3
"""How many trial resistors of FITS there are for a pin, beside none."""


@dataclass(frozen=True)
class Limits:
    """What the bench file states of its instruments. The true errors lie anywhere within, evenly."""

    meter_reading: float
    meter_v: float
    source_reading: float
    source_a: float


@dataclass(frozen=True)
class HiddenPin:
    """A pin with all that is true of it (`board`, its file) and all that the engineer knows of it."""

    number: int
    shape: str
    pull_down: str
    supply: Supply
    rail_v: float
    series_ohm: float
    limits: Limits
    fits: tuple[str, ...]
    series: str
    tolerance: float
    margin: float
    board: str

    def plan(self) -> str:
        """The text of plan.toml: presses with and without trial resistors, and a sweep."""
        resistors = ", ".join(f'"{name}"' for name in ("none", *self.fits))
        return f"""\
[unit]
name = "Study board"
serial = "S-{self.number}"
[rail]
voltage = "{self.supply.rail_v:g} V"
[levels]
standard = "{self.supply.standard}"
[pull_down]
range = ["{PULL_DOWN_OHM[0]:g} Ω", "{PULL_DOWN_OHM[1]:g} Ω"]
[log]
before = "10 ms"
time = "60 ms"
interval = "0.2 ms"
slack = "1 s"
[trials]
resistors = [{resistors}]
repeats = 1
[sweep]
[advice]
series = "{self.series}"
tolerance = "{100.0 * self.tolerance:g} %"
margin = "{100.0 * self.margin:g} %"
[[pins]]
name = "{PIN}"
series_resistance = "{self.series_ohm:g} Ω"
"""

    def bench(self, resources: Mapping[str, str]) -> str:
        """The text of bench.toml, with the resources of the simulated bench."""
        limits = self.limits
        fits = "\n".join(f'"{name}" = "relay_board {5 + index}"' for index, name in enumerate(self.fits))
        return f"""\
[bench]
name = "study bench"
line_frequency = "50 Hz"
[clock]
speed = {SPEED:g}
[limits]
press_time = "{PRESS_TIME_S:g} s"
[meter]
resource = "{resources["meter"]}"
accuracy_reading = "{100.0 * limits.meter_reading:.6g} %"
accuracy = "{limits.meter_v:.6g} V"
input_resistance = "10 MΩ"
input_resistance_tolerance = "{100.0 * INPUT_TOLERANCE:g} %"
[source]
resource = "{resources["source"]}"
accuracy_reading = "{100.0 * limits.source_reading:.6g} %"
accuracy = "{limits.source_a:.6g} A"
[switch]
resource = "{resources["switch"]}"
[relay_board]
resource = "{resources["relay_board"]}"
[board]
resource = "{resources["board"]}"
[fixture]
capacitance = "120 pF"
leakage_resistance = "10 GΩ"
leakage_tolerance = "{100.0 * LEAKAGE_TOLERANCE:g} %"
[wiring]
press = {{ channel = "relay_board 1", resistor = "1 kΩ" }}
discharge = "relay_board 2"
rail = "relay_board 3"
source = {{ channel = "relay_board 4", resistor = "100 Ω" }}
[wiring.fit]
{fits}
[wiring.select]
{PIN} = "switch 101"
"""


def hidden_pin(seed: int, number: int) -> HiddenPin:
    """The pin of that number."""
    chance = np.random.default_rng((seed, number))
    supply = SUPPLIES[int(chance.integers(len(SUPPLIES)))]
    rail_v = float(f"{supply.rail_v * (1.0 + chance.uniform(-0.03, 0.03)):.6g}")
    shape = _of_shares({name: share for name, (share, _) in SHAPES.items()}, chance)
    leak = SHAPES[shape][1](supply.rail_v, chance)
    pull_down_name, pull_down = _pull_down(rail_v, chance)
    series_ohm = _of_shares(SERIES_OHM, chance)
    limits = _limits(chance)
    fits = tuple(FITS[index] for index in sorted(chance.choice(len(FITS), FITTED, replace=False)))
    pin = f"""\
name = "{PIN}"
node_capacitance_f = {_log_even(30e-12, 10e-9, chance):.6g}
series_resistance_ohm = {series_ohm:g}
pull_down = {pull_down}
leak = {leak}
"""
    return HiddenPin(
        number=number,
        shape=shape,
        pull_down=pull_down_name,
        supply=supply,
        rail_v=rail_v,
        series_ohm=series_ohm,
        limits=limits,
        fits=fits,
        series=str(chance.choice(("E6", "E12", "E24", "E96"))),
        tolerance=float(chance.choice((0.01, 0.05))),
        margin=float(chance.choice((0.1, 0.2, 0.5))),
        board=_board(chance, supply, rail_v, limits, fits) + f"\n[[pins]]\n{pin}",
    )


def _of_shares(shares: Mapping[Drawn, float], chance: Chance) -> Drawn:
    names, weights = list(shares), np.array(list(shares.values()))
    return names[int(chance.choice(len(names), p=weights / weights.sum()))]


def _log_even(low: float, high: float, chance: Chance) -> float:
    return float(np.exp(chance.uniform(np.log(low), np.log(high))))


def _pull_down(rail_v: float, chance: Chance) -> tuple[str, str]:
    """A resistor or a MOS transistor, either as strong at the rail as the plan says."""
    ohm = chance.uniform(*PULL_DOWN_OHM)
    if chance.random() < 0.5:
        return "linear", f'{{ kind = "linear", resistance_ohm = {ohm:.6g} }}'
    overdrive_v = rail_v * chance.uniform(0.3, 0.8)
    transconductance = 2.0 * rail_v / ohm / overdrive_v**2
    return (
        "MOS",
        f'{{ kind = "mos", transconductance_a_per_v2 = {transconductance:.6g}, overdrive_v = {overdrive_v:.6g} }}',
    )


def _limits(chance: Chance) -> Limits:
    """Instruments from fair to good."""
    numbers = (
        _log_even(3e-5, 3e-4, chance),
        _log_even(1e-4, 1e-3, chance),
        _log_even(2e-4, 1e-3, chance),
        _log_even(5e-9, 50e-9, chance),
    )
    return Limits(*(float(f"{number:.6g}") for number in numbers))


def _board(chance: Chance, supply: Supply, rail_v: float, limits: Limits, fits: Sequence[str]) -> str:
    """The head of the board file: instruments within the limits that the bench file states, resistors within their
    tolerance. Gains and offsets are drawn by the simulated bench, from its seed."""
    wires = "".join(
        f'[[wiring.fit]]\nnominal_ohm = {1000.0 * float(name.split()[0]):g}\nchannel = "relay_board {5 + index}"\n'
        "tolerance = 0.01\n"
        for index, name in enumerate(fits)
    )
    return f"""\
seed = {int(chance.integers(2**31))}
speed = {SPEED:g}
[unit]
input_threshold_v = {chance.uniform(supply.v_il, supply.v_ih):.6g}
[rail]
voltage_v = {rail_v:g}
[fixture]
capacitance_f = {_log_even(50e-12, 300e-12, chance):.6g}
leakage_resistance_ohm = {10e9 / (1.0 + chance.uniform(-LEAKAGE_TOLERANCE, LEAKAGE_TOLERANCE)):.6g}
[meter]
input_resistance_ohm = {10e6 * (1.0 + chance.uniform(-INPUT_TOLERANCE, INPUT_TOLERANCE)):.6g}
noise_v = {_log_even(5e-5, 5e-4, chance):.6g}
hum_v = {chance.uniform(0.0, 1e-3):.6g}
gain_error = {limits.meter_reading:.6g}
offset_error_v = {limits.meter_v:.6g}
[source]
noise_v = {_log_even(2e-6, 5e-5, chance):.6g}
noise_a = {_log_even(5e-10, 5e-9, chance):.6g}
gain_error = {limits.source_reading:.6g}
offset_error_a = {limits.source_a:.6g}
[wiring]
press = {{ channel = "relay_board 1", resistor_ohm = 1000.0, tolerance = 0.01 }}
discharge = {{ channel = "relay_board 2", resistor_ohm = 1000.0 }}
rail = {{ channel = "relay_board 3", resistor_ohm = 10000.0, tolerance = 0.01 }}
source = {{ channel = "relay_board 4", resistor_ohm = 100.0, tolerance = 0.01 }}
{wires}"""
