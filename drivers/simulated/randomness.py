"""All chance on the simulated bench: a generator from (seed, text on the meter's display, purpose) and nothing else.

Two benches with the same three draw the same numbers, whatever either did before; so a trial that is repeated after an
interruption sees the relay bounce, the noise and the leak that it would have seen undisturbed.
"""

from __future__ import annotations

import hashlib

import numpy as np


def generator(seed: int, label: str, purpose: str) -> np.random.Generator:
    """A fresh generator for one purpose. `label`: the meter's display; empty for what holds for the whole bench."""
    # hash() of a text differs between processes; a digest does not. The separator cannot stand in a label.
    digest = hashlib.sha256(f"{seed}\0{label}\0{purpose}".encode()).digest()
    return np.random.default_rng(int.from_bytes(digest[:16], "big"))
