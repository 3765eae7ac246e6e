"""What the figures of a pin have in common: how each trial resistor looks, the style, and SVG as text.

Curves are told apart by dashes, markers and labels at their ends, so that they survive black-and-white print and colour
blindness; the single colour only repeats what the label says. Figures are drawn from defaults, never from a user's
matplotlibrc, so that equal findings give equal bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR
from results.report.glyphs import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ACCENT = "#9b2c1a"
RULE = "#8a8a8a"
MM = 1 / 25.4

_DASHES: tuple[Any, ...] = (
    "solid",
    (0, (5, 1.6)),
    (0, (5, 1.4, 1, 1.4)),
    (0, (2.2, 1.2)),
    (0, (8, 1.4, 1, 1.4, 1, 1.4)),
    (0, (1, 1.1)),
    (0, (9, 2.5)),
)
# Shapes without small features, which would not survive the size.
_MARKERS = ("o", "s", "^", "D", "v", "<", ">", "h", "d")
_SHADES = ("#111111", "#3d3d3d", "#111111", "#5a5a5a", "#2a2a2a", "#666666")
_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 6.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "stuckpin",
    "axes.linewidth": 0.5,
    "axes.edgecolor": "#555555",
    "axes.labelcolor": "#333333",
    "axes.labelsize": 6.5,
    "axes.unicode_minus": True,
    "xtick.color": "#333333",
    "ytick.color": "#333333",
    "xtick.direction": "out",
    "ytick.direction": "out",
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "lines.linewidth": 0.8,
    "lines.markersize": 3.0,
    "lines.markeredgewidth": 0.6,
    # A hundredth of a millimetre: invisible, and halves the file.
    "path.simplify": True,
    "path.simplify_threshold": 0.03,
}


@dataclass(frozen=True)
class Look:
    """How one trial resistor is drawn, the same in both figures."""

    colour: str
    dash: Any
    marker: str


def looks(record: RunRecord) -> dict[str, Look]:
    """The look of each trial resistor of the run, by name."""
    found: dict[str, Look] = {}
    for index, resistor in enumerate(record.resistors):
        bare = resistor.name == NO_RESISTOR
        shade = ACCENT if bare else _SHADES[index % len(_SHADES)]
        found[resistor.name] = Look(shade, _DASHES[index % len(_DASHES)], _MARKERS[index % len(_MARKERS)])
    return found


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Positions as near as may be to those wanted (ascending), at least `gap` apart, between `low` and `high`.

    Where they do not fit they share the room evenly.
    """
    count = len(wanted)
    gap = min(gap, (high - low) / max(count - 1, 1))
    placed: list[float] = []
    for position in wanted:
        placed.append(max(position, low, placed[-1] + gap if placed else low))
    limit = high
    for index in range(count - 1, -1, -1):
        placed[index] = min(placed[index], limit)
        limit = placed[index] - gap
    return placed


@contextmanager
def style() -> Iterator[None]:
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)
        yield


def svg_of(figure: Any) -> str:
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    return text.getvalue()


def tidy(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)


def short(name: str) -> str:
    shown = printable(name)
    return shown if len(shown) <= 12 else f"{shown[:11]}…"


def scale_of(largest: float, unit: str) -> tuple[float, str]:
    for factor, prefix in ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n")):
        if abs(largest) >= factor:
            return factor, f"{prefix}{unit}"
    return 1e-9, f"n{unit}"
