"""A number with its standard uncertainty: what every finding is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Value:
    """A number with its standard uncertainty, in the same unit."""

    value: float
    u: float
