"""A worked example of the Guide that more than one test file computes: the end gauge of JCGM 100:2008, H.1."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from results.analysis.uncertainty.budget import Source, rectangular

END_GAUGE = (
    Source("standard", "B", "normal", 25.0, 18.0, 50_000_623.0),
    Source("repeated comparison", "A", "t", 5.8, 24.0, 215.0),
    Source("comparator, random", "A", "t", 3.9, 5.0),
    Source("comparator, systematic", "B", "normal", 6.7, 8.0),
    rectangular("expansion of the standard", 2e-6, 11.5e-6),
    Source("difference of expansion", "B", "rectangular", 1e-6 / math.sqrt(3.0), 50.0),
    Source("difference of temperature", "B", "rectangular", 0.05 / math.sqrt(3.0), 2.0),
    Source("mean temperature", "A", "normal", 0.2, estimate=-0.1),
    Source("cycle of temperature", "B", "arcsine", 0.5 / math.sqrt(2.0)),
)
"""Lengths in nm, temperatures in °C, expansion in 1/°C (JCGM 100:2008, table H.1)."""


def end_gauge(x: Mapping[str, Any]) -> Any:
    """l = l_s + d − l_s (δα θ + α_s δθ) (JCGM 100:2008, eq. H.3 and H.4)."""
    compared = x["repeated comparison"] + x["comparator, random"] + x["comparator, systematic"]
    warm = x["mean temperature"] + x["cycle of temperature"]
    expanded = x["difference of expansion"] * warm + x["expansion of the standard"] * x["difference of temperature"]
    return x["standard"] + compared - x["standard"] * expanded
