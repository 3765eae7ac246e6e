"""Put back on the way out, so that of two errors the first is the one that is told."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from drivers.errors import BenchError, InstrumentError, LinkError, WiringError


@contextmanager
def undoing(undo: Callable[[], object]) -> Iterator[None]:
    """Call `undo` at the end of the block, whatever happened inside.

    Where the bench had failed inside, a failure of `undo` too (the same dead wire, mostly) is not told in its place:
    the bench is in fault already, and making safe says what is not proven. In all other cases it is raised.
    """
    try:
        yield
    except (LinkError, InstrumentError, WiringError):
        with suppress(BenchError):
            undo()
        raise
    except BaseException:
        undo()
        raise
    undo()
