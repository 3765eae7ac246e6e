"""Linear algebra on one thread: a trace is a small problem.

Measured on two busy cores: with a BLAS that waits for its second core, reading 432 traces took 88 s instead of 4.5 s.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any


@cache
def _libraries() -> Any:
    import numpy as np  # noqa: F401 - its BLAS must be loaded before the libraries are looked at
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """While inside, the BLAS of numpy uses one thread; afterwards as many as before."""
    with _libraries().limit(limits=1, user_api="blas"):
        yield
