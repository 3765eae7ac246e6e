"""What is carried out while it is killed: boards, benches and plans that between them take every kind of step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tests.harness.test_check import COUPON_TABLES, LATCH, coupon_parts
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, plan_text

SELDOM = f"{LATCHES}\nleak_probability = 0.5"
SUPPLY = "\n[supply]\nnoise_a = 1e-6\n"
SUPPLY_TABLE = """
[supply]
resource = "{supply}"
current_limit = "100 mA"
voltage_max = "3.7 V"
power_up = "50 ms"
settle = "20 ms"
"""
RAILS = '[rail]\nvoltage = "3.3 V"\nsteps = ["3.0 V", "3.3 V"]'
FURTHER = """
[sweep]
steps = 17
refine = 4
[unlatch]
[press_level]
resolution = "100 mV"
repeats = 2
[remedies]
tried = ["external pull-down", "driven low", "changeover contact", "polled buffer"]
repeats = 1
driver_current = "4 mA"
polled_setup = "polled buffer"
poll_period = "50 ms"
open_time = "20 µs"
polls = 4
[dwell]
hold = "5 s"
log = "10 s"
interval = "50 ms"
"""


@dataclass(frozen=True)
class Tried:
    """A plan, and the bench it is carried out on. `speed`: bench seconds a real second; None: the bench is stepped, and
    then every run of the plan must come to the same to the last digit. `extra`: more of the board file, `tables` of the
    bench file."""

    name: str
    pins: Mapping[str, str]
    plan: str
    extra: str = ""
    speed: float | None = None
    tables: str = ""

    def board(self) -> str:
        """The hidden truth."""
        text = board_text(self.pins, self.extra)
        return text.replace("[rail]\nvoltage_v = 3.305", "[unit]\nquiescent_a = 6e-3\n[rail]\nvoltage_v = 3.305")

    def bench(self, resources: Mapping[str, str]) -> str:
        """The bench file in front of it."""
        text = bench_text(resources, list(self.pins), speed=self.speed or 1.0)
        if self.speed is None:
            text = text.replace("[clock]\nspeed = 1", f'[clock]\nresource = "{resources["clock"]}"')
        return text + self.tables.format(**resources)


PRESSES = Tried(
    "presses, stepped",
    {"D1": SOUND, "D2": LATCHES, "D3": SELDOM},
    plan_text(["D1", "D2", "D3"], resistors='["none", "8.2 kΩ"]', trials='order = "random"\nseed = 3').replace(
        "repeats = 1", "repeats = 3"
    ),
)
EVERYTHING = Tried(
    "every kind of step, two rails, stepped",
    {"D1": SOUND, "D2": LATCHES},
    plan_text(["D1", "D2"], resistors='["none", "8.2 kΩ"]')
    .replace('[rail]\nvoltage = "3.3 V"', RAILS)
    .replace("[trials]", f"{FURTHER}[trials]"),
    extra=SUPPLY,
    tables=SUPPLY_TABLE,
)
BY_SOURCE = Tried(
    "presses by the source, stepped",
    {"D1": LATCHES, "D2": SELDOM},
    plan_text(["D1", "D2"], path="source", resistors='["none", "8.2 kΩ"]').replace("repeats = 1", "repeats = 3"),
)
HOLDS = "".join(
    f'[wiring.hold.{pin}]\nchannel = "relay_board {number}"\nresistor_ohm = 1000.0\n'
    for pin, number in (("D1", 8), ("D2", 9))
)
IN_A_CHAMBER = Tried(
    "temperatures, neighbours, coupons, stepped",
    {"D1": SOUND, "D2": f"{LATCHES}\nleak_doubling_k = 10.0\nleak_rail_v = 3.305"},
    plan_text(["D1", "D2"], resistors='["none", "8.2 kΩ"]')
    .replace('name = "D1"', 'name = "D1"\nneighbours = ["D2"]')
    .replace("[trials]", '[neighbours]\nstates = ["floating", "pressed", "released together"]\n[trials]')
    + '\n[temperature]\nsteps = ["23 °C", "35 °C"]\nsoak = "10 s"\nstable = "0.5 °C"\nwithin = "1 °C"\n',
    extra=f"{HOLDS}[chamber]\ntime_constant_s = 1.0\n{coupon_parts(220e-9, LATCH)}",
    tables=f"""{COUPON_TABLES}[chamber]
resource = "{{chamber}}"
lowest = "0 °C"
highest = "60 °C"
[wiring.hold]
D1 = "relay_board 8"
D2 = "relay_board 9"
""",
)
IN_REAL_TIME = Tried(
    "presses, at ten times real time",
    {"D1": SOUND, "D2": LATCHES},
    plan_text(["D1", "D2"], resistors='["none", "8.2 kΩ"]').replace("repeats = 1", "repeats = 3"),
    speed=10.0,
)
