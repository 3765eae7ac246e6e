"""A contact: operate and release time, bounce and resistance.

A command (the coil's current, or a finger) is answered by a list of edges: the times at which the contact really makes
and breaks. The last edge always leaves the contact as commanded. A welded contact never opens, a dead one never closes,
and neither can be told from its commanded state: no relay here reports where its armature is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from drivers.simulated.board_file import ContactPart
from drivers.simulated.clock import on_grid

Fault = Literal["none", "welded", "never closes"]


@dataclass(frozen=True)
class Edge:
    """The contact is `closed` (or not) from `time_s` on."""

    time_s: float
    closed: bool


@dataclass
class Contact:
    """One relay or push button.

    `commanded`: what it was last told; `closed`: what it does; `closings`: how often it was told to close while open.
    """

    name: str
    kind: ContactPart
    fault: Fault = "none"
    commanded: bool = False
    closed: bool = False
    closings: int = 0

    def __post_init__(self) -> None:
        self.closed = self.fault == "welded"

    @property
    def resistance_ohm(self) -> float:
        return self.kind.on_ohm if self.closed else self.kind.off_ohm

    def command(self, close: bool, time_s: float, chance: np.random.Generator) -> list[Edge]:
        """Command it at `time_s`; returns the edges to come, which replace any still outstanding from before.

        Every draw is made whether it is needed or not, so that one purpose's draws do not depend on the state.
        """
        delay_s, bounces_s = self._times(close, chance)
        self.closings += close and not self.commanded
        self.commanded = close
        if self.fault != "none":
            return []
        first_s = time_s + on_grid(delay_s)
        edges = [Edge(first_s, close)]
        for index, offset_s in enumerate(bounces_s):
            edges.append(Edge(first_s + on_grid(offset_s), close if index % 2 else not close))
        return edges

    def _times(self, close: bool, chance: np.random.Generator) -> tuple[float, list[float]]:
        """The delay to the first edge, and the offsets of the bounces (an even number) after it."""
        kind = self.kind
        delay_s = (kind.operate_s if close else kind.release_s) * (1 + kind.spread * chance.uniform(-1, 1))
        most = kind.closing_bounces if close else kind.opening_bounces
        count = int(chance.integers(0, most + 1))
        offsets = np.sort(chance.uniform(0, kind.bounce_s, size=2 * count))
        return delay_s, [float(offset) for offset in offsets]
