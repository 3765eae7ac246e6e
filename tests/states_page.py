"""The page on the states of a bench, and its picture, both made from the table that the bench itself walks by.

python -m tests.states_page        writes docs/bench_states.md and docs/pictures/bench-states.svg anew
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from io import StringIO
from pathlib import Path

from drivers.states import MOVES, State

DOCS = Path(__file__).parents[1] / "docs"
PAGE = DOCS / "bench_states.md"
PICTURE = DOCS / "pictures" / "bench-states.svg"

NAMED: Mapping[str, tuple[State, ...]] = {
    "idle": ("idle", "selected"),
    "pressed": ("pressed",),
    "released": ("released", "grounded"),
    "logging": ("pressed and logging", "released and logging", "grounded and logging"),
    "safe": ("safe",),
    "fault": ("fault",),
}
"""The six states of a bench in plain words, and those of the table that each of them covers."""

PLACES: Mapping[State, tuple[float, float]] = {
    "unprepared": (0.0, 2.0),
    "safe": (0.0, 1.0),
    "fault": (0.0, 0.0),
    "idle": (1.7, 1.0),
    "selected": (3.4, 1.0),
    "pressed": (5.1, 1.0),
    "released": (6.8, 1.0),
    "grounded": (8.5, 1.0),
    "pressed and logging": (5.1, 0.0),
    "released and logging": (6.8, 0.0),
    "grounded and logging": (8.5, 0.0),
}
"""Centre of each box."""

BOX = (1.06, 0.42)
ABOVE, BELOW = 1.0, -1.0
AROUND: Mapping[tuple[State, State], tuple[float, float]] = {
    ("released", "idle"): (ABOVE, 0.42),
    ("released", "selected"): (ABOVE, 0.33),
    ("selected", "grounded"): (ABOVE, 0.22),
    ("selected", "released and logging"): (BELOW, 0.62),
}
"""Arrows that would run through a box go around it, over or under the boxes: on which side, and how far they are bent
(a share of their length). All others are straight, one beside the other."""

SAFE_FROM_ANY = "made safe from any state:\nproven → safe, else → fault"

HEAD = """\
# The states of a bench

Between two messages a bench is in one of these states, and makes only the moves that lead out of it; anything else is
refused with one line that names the state and what is allowed, and nothing is sent. Picture and tables are drawn from
the table in `drivers/states.py`, by which the bench itself walks (`python -m tests.states_page`).

![The states of a bench and the moves between them](pictures/bench-states.svg)

From every state the bench can be made safe: every relay open, every output off. Where each step is proven it is `safe`
afterwards, else in `fault`. Into `fault` leads every move that leaves contacts or instruments unknown: a broken wire,
an instrument's error, a relay that disobeys, a defect in the program. Out of it leads nothing but being made safe. A
refused limit, an overload of the meter and a stop that was asked for leave the state as it is. While one move is under
way, no other is made.

"""


def page() -> str:
    """The whole page."""
    return HEAD + "## The states\n\n" + _states() + "\n## The moves\n\n" + _moves()


def _states() -> str:
    lines = ["| in plain words | states of the table | what holds |", "| --- | --- | --- |"]
    holds = {
        "idle": "prepared, nothing pressed; `selected`: one pin is on the bus",
        "pressed": "the pin on the bus is pressed, by relay, source or hand",
        "released": "let go; `grounded`: joined to where it rests",
        "logging": "the meter logs meanwhile",
        "safe": "every relay proven open, every output proven off",
        "fault": "something did not do as it was told: nothing is known",
    }
    for name, states in NAMED.items():
        lines.append(f"| {name} | {', '.join(f'`{state}`' for state in states)} | {holds[name]} |")
    lines.append("| – | `unprepared` | opened, and nothing is known yet |")
    return "\n".join(lines) + "\n"


def _moves() -> str:
    """One row for each state that moves lead to from each state."""
    lines = ["| from | moves | lead to |", "| --- | --- | --- |"]
    for state, after, moves in arrows():
        lines.append(f"| `{state}` | {moves} | {'the same state' if state == after else f'`{after}`'} |")
    return "\n".join(lines) + "\n"


def arrows() -> Iterator[tuple[State, State, str]]:
    """From, to, and the moves that lead there; those that lead nowhere else are the state's own."""
    for state, legal in MOVES.items():
        leads: dict[State, list[str]] = {}
        for move, after in legal.items():
            leads.setdefault(after, []).append(move)
        for after, moves in leads.items():
            yield state, after, ", ".join(moves)


def picture() -> str:
    """The diagram as SVG text: the same text for the same table and the same version of matplotlib."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.patches import FancyArrowPatch, FancyBboxPatch

    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "bench states", "font.family": "sans-serif"}):
        figure = Figure(figsize=(14.0, 5.2))
        FigureCanvasSVG(figure)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(-0.65, 9.15)
        axes.set_ylim(-0.95, 2.45)
        axes.set_axis_off()
        for state, after, moves in arrows():
            if state == after:
                continue
            start, end, (x, y), bend = _course(state, after)
            style = f"arc3,rad={bend}"
            arrow = FancyArrowPatch(
                start, end, arrowstyle="-|>", mutation_scale=11, connectionstyle=style, color="0.25"
            )
            arrow.set_gid(f"{state} -> {after}: {moves}")
            axes.add_patch(arrow)
            label = {"pad": 1.0, "facecolor": "white", "edgecolor": "none"}
            axes.text(x, y, moves, fontsize=8, ha="center", va="center", color="0.1", bbox=label)
        for state, (x, y) in PLACES.items():
            own = ", ".join(move for move, after in MOVES[state].items() if after == state)
            box = FancyBboxPatch(
                (x - BOX[0] / 2, y - BOX[1] / 2),
                *BOX,
                boxstyle="round,pad=0.02",
                facecolor=_fill(state),
                edgecolor="0.25",
            )
            box.set_gid(f"state {state}")
            axes.add_patch(box)
            axes.text(x, y + (0.07 if own else 0.0), state, fontsize=9, ha="center", va="center", weight="bold")
            if own:
                axes.text(x, y - 0.02, _wrapped(own), fontsize=6, ha="center", va="top")
        axes.text(
            0.0, -0.33, "made safe from any state:\nproven → safe, else → fault", fontsize=8, ha="center", va="top"
        )
        text = StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
    return text.getvalue()


def _fill(state: State) -> str:
    if state in ("pressed", "pressed and logging"):
        return "#f6d5c5"
    if state == "fault":
        return "#e6e6e6"
    return "#dcebdc" if state == "safe" else "#ffffff"


def _wrapped(own: str) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(own, 34))


Point = tuple[float, float]


def _course(state: State, after: State) -> tuple[Point, Point, Point, float]:
    """Of an arrow: where it leaves the one box, where it meets the other, where its label stands, how it is bent."""
    (x0, y0), (x1, y1) = PLACES[state], PLACES[after]
    wide, high = BOX[0] / 2 + 0.03, BOX[1] / 2 + 0.03
    right, up = (1.0 if x1 > x0 else -1.0), (1.0 if y1 > y0 else -1.0)
    if (state, after) in AROUND:
        side, share = AROUND[state, after]
        start, end = (x0 + 0.25 * right, y0 + side * high), (x1, y1 + side * high)
        bend = -share * right * side
        # The middle of a quadratic Bézier curve whose control point lies `bend` of its length to the side.
        middle = (start[0] + end[0] + bend * (end[1] - start[1])) / 2
        return start, end, (middle, (start[1] + end[1] - bend * (end[0] - start[0])) / 2), bend
    if y0 == y1:
        y = y0 + 0.07 * right
        return (x0 + right * wide, y), (x1 - right * wide, y), ((x0 + x1) / 2, y + 0.1 * right), 0.0
    if x0 == x1:
        x = x0 + 0.2 * up
        return (x, y0 + up * high), (x, y1 - up * high), (x + 0.22 * up, (y0 + y1) / 2), 0.0
    start, end = (x0, y0 + up * high), (x1 - right * wide, y1 - 0.12 * up)
    return start, end, ((2 * start[0] + end[0]) / 3, (2 * start[1] + end[1]) / 3), 0.0


def write() -> None:
    """Write page and picture anew."""
    PAGE.write_text(page(), encoding="utf-8")
    PICTURE.write_text(picture(), encoding="utf-8")


if __name__ == "__main__":
    write()
