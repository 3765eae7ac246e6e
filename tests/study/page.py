"""The page that a study writes: docs/study.md."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

from tests.study.characterise import Outcome
from tests.study.hidden_leak import AMPERES, SHAPES
from tests.study.hidden_pin import PULL_DOWN_OHM, SERIES_OHM, SUPPLIES
from tests.study.tally import LEAST_PINS, Tally, by_group, tally

HEAD = """\
# The study: random pins, found out from the bench alone

`make study` writes this page. It makes up boards with one hidden pin each, finds the pin out on a simulated bench, and
holds what was found against the truth. The bench is a program of its own; the run goes through the same links,
drivers and guard as any other: presses with and without three trial resistors, then a forced-voltage sweep. Each pin
has a bench of its own, with fresh errors of its instruments. Nothing of the truth reaches the run.
"""

HOW = "\n".join(
    (
        "## What is drawn",
        "",
        "All of it from (seed, number of the pin), so that a pin is the same in every study with that seed.",
        "",
        "- **Leak**, {low:g} to {high:g} µA, in shapes that the demo does not have: {shapes}. None is narrower than "
        "two steps of the sweep: what lies between its steps a sweep does not see.",
        "- **Pull-down**, linear or MOS, of {weak:g} to {strong:g} kΩ at the rail.",
        "- **Rail and levels**: {supplies}; the rail itself within 3 % of that.",
        "- **On the board**: 30 pF to 10 nF; {series} Ω in series. Behind such a resistor a leak that rises steeply "
        "cannot be held at every voltage: the node jumps, and the sweep says that it does not know.",
        "- **Meter**: limits of 0.003 to 0.03 % and 0.1 to 1 mV, gain and offset anywhere within; 50 to 500 µV of "
        "noise at 0.1 ms, up to 1 mV of hum; input resistance within 1 % of the 10 MΩ stated.",
        "- **Source**: limits of 0.02 to 0.1 % and 5 to 50 nA, gain and offset anywhere within; 2 to 50 µV and 0.5 to "
        "5 nA of noise.",
        "- **Fixture**: 50 to 300 pF where 120 pF are stated, a leakage within 50 % of the 10 GΩ stated; every "
        "resistor within its 1 %.",
        "- **Advice**: E6, E12, E24 or E96, of 1 or 5 %, margin 10, 20 or 50 %.",
        "",
        "The truth is G_req = max I_net(V)/V for V_IL ≤ V ≤ rail of the hidden law, by a fine grid and ever finer ones "
        "around its tops (`tests/study/truth.py`), not by the product's analysis.",
        "",
        "## How it is scored",
        "",
        "- A run that fails (an instrument that cannot be opened, a computer that is too busy) is made again once, at "
        "the end. What fails twice is not determined.",
        "- A sweep that does not tell G_req is counted, with its reason, and is in no other row about sweeps.",
        "- Pins of which the sweep says that no resistor is needed stand in a row of their own, not in the coverage.",
        "- A *bracket* is wrong where the largest safe resistance lies outside of what it proves.",
        "- A recommended resistor *sticks* where, at the upper end of its tolerance, it is more than the pin allows.",
        "- The *largest with the same margins* is the value of the series that would be named, were R_safe "
        "known exactly.",
        "",
    )
)


@dataclass(frozen=True)
class Made:
    """How a study was made: its seed, the version of stuckpin, the day (ISO 8601), and the minutes that it took with
    so many pins at a time."""

    seed: int
    version: str
    day: str
    minutes: float
    jobs: int = 2


def table(counted: Tally) -> str:
    """The main table, in Markdown."""
    rows = [f"| {row.what} | {row.found} | {row.asked} | {row.judged} |" for row in counted.rows]
    return "\n".join(["| what | found | asked | held |", "| --- | --- | --- | --- |", *rows]) + "\n"


def page(outcomes: Sequence[Outcome], made: Made) -> str:
    """The whole page. `outcomes` in any order."""
    counted = tally(outcomes)
    groups = [
        "| of these | pins | interval holds the truth | median half-width |",
        "| --- | --- | --- | --- |",
        *(f"| {' | '.join(row)} |" for row in by_group(outcomes, lambda one: one.shape)),
        *(f"| {' | '.join(row)} |" for row in by_group(outcomes, lambda one: one.supply)),
    ]
    reasons = [f"- {reason} ({named(numbers)})" for reason, numbers in counted.reasons]
    parts = [
        HEAD,
        f"Seed {made.seed}, {counted.pins} pins, stuckpin {made.version}, {made.day}, "
        f"{made.minutes:.0f} minutes, {made.jobs} pins at a time.\n",
        table(counted),
        f"**Verdict: {counted.verdict}.**\n",
        "\n".join(groups) + "\n",
        "Not determined:\n" if reasons else "Every sweep told G_req.\n",
        *(["\n".join(_wrapped(reasons)) + "\n"] if reasons else []),
        _how(),
    ]
    return "\n".join(parts)


def named(numbers: Sequence[int]) -> str:
    """ "2 pins: 47, 202", and of many only the first ones."""
    shown = ", ".join(str(number) for number in numbers[:12])
    return f"{len(numbers)} {'pin' if len(numbers) == 1 else 'pins'}: {shown}{', …' if len(numbers) > 12 else ''}"


def _how() -> str:
    supplies = ", ".join(f"{one.rail_v:g} V by {one.standard}" for one in SUPPLIES)
    shapes = "; ".join(f"{name} ({100.0 * share:.0f} %)" for name, (share, _) in SHAPES.items())
    return "\n".join(
        _wrapped(
            HOW.format(
                low=1e6 * AMPERES[0],
                high=1e6 * AMPERES[1],
                weak=1e-3 * PULL_DOWN_OHM[0],
                strong=1e-3 * PULL_DOWN_OHM[1],
                shapes=shapes,
                supplies=supplies,
                series=", ".join(f"{ohm:g}" for ohm in SERIES_OHM),
            ).splitlines()
        )
    )


def _wrapped(lines: Sequence[str]) -> list[str]:
    """Lines of no more than 120 columns; an item of a list is carried on below its text."""
    return [
        part
        for line in lines
        for part in (wrap(line, 120, subsequent_indent="  " if line.startswith("- ") else "") or [""])
    ]


def too_few(pins: int) -> str:
    """Why a page of so few pins is not written; empty where it may be."""
    return "" if pins >= LEAST_PINS else f"a page is written of {LEAST_PINS} pins or more: {pins}"
