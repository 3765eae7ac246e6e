"""The voltage of a sentence: as a reader sees it at the node, whether a run is analysed as it is or in its mirror
image.

A run that presses to ground is analysed in its mirror image (mirror.py). Texts are made in there, where the numbers
are; this is the one thing of the mirror that they must know. It is set for as long as one condition is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from results.analysis.ends import ground_of
from results.record.run_record import MeterModel

_GROUND_V: ContextVar[float] = ContextVar("ground_v", default=0.0)


@contextmanager
def seen_by(meter: MeterModel) -> Iterator[None]:
    """Inside, the voltages at hand are those of this meter: as it read them, or their mirror image."""
    token = _GROUND_V.set(ground_of(meter).value)
    try:
        yield
    finally:
        _GROUND_V.reset(token)


def as_seen(volts: float) -> float:
    """A voltage at hand as it stands at the real node, in volt."""
    ground_v = _GROUND_V.get()
    return ground_v - volts if ground_v else volts


def moved_as_seen(volts: float) -> float:
    """A difference of two voltages at hand as it stands at the real node, in volt."""
    return -volts if _GROUND_V.get() else volts
