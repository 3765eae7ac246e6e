"""scipy's LSODA with work arrays that are used again: in scipy 1.17 each step leaves a reference to them behind.

Arrays that are referred to are never freed, some 0.6 kB a solver; a bench that solves ten segments a trial would grow
by hundreds of megabytes in a long run. The arrays of a solver that has gone are handed to the next one instead, filled
as its own were, so that what is computed is the same. It relies on names of scipy that are not public; where scipy has
others, nothing is handed on.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import LSODA

WorkArrays = tuple[NDArray[np.float64], NDArray[np.int32]]

_free: dict[tuple[int, int], list[WorkArrays]] = {}
"""Arrays of solvers that have gone, by their sizes."""


class ReusedLsoda(LSODA):
    """LSODA, except for where its work arrays come from and go to."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self._borrowed: WorkArrays | None = None
        super().__init__(*arguments, **options)
        self._borrow()

    def _borrow(self) -> None:
        inner: Any = getattr(getattr(self, "_lsoda_solver", None), "_integrator", None)
        floats, integers = getattr(inner, "rwork", None), getattr(inner, "iwork", None)
        passed = getattr(inner, "call_args", None)
        if floats is None or integers is None or not isinstance(passed, list) or len(passed) != 7:
            return
        waiting = _free.setdefault((floats.size, integers.size), [])
        if not waiting:
            self._borrowed = floats, integers
            return
        self._borrowed = used_floats, used_integers = waiting.pop()
        used_floats[:], used_integers[:] = floats, integers
        inner.rwork, inner.iwork = passed[4], passed[5] = used_floats, used_integers

    def __del__(self) -> None:
        if self._borrowed is not None:
            _free[self._borrowed[0].size, self._borrowed[1].size].append(self._borrowed)
