"""The simulated bench served in this process, on its real sockets and lines, for tests of what stands before it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drivers.simulated.serve import serve

PATIENCE_S = 10.0


@contextmanager
def served(
    folder: Path, board: str, *, speed: float | None = None, stepped: bool = False, pty: bool = False
) -> Iterator[dict[str, str]]:
    """Role -> resource of the bench of a board text; whatever fails in the bench fails here, at the end."""
    path = folder / "board.toml"
    path.write_text(board)
    stop, ready = threading.Event(), threading.Event()
    found: dict[str, str] = {}
    failed: list[BaseException] = []

    def announce(resources: dict[str, str]) -> None:
        found.update(resources)
        ready.set()

    def run() -> None:
        try:
            serve(path, speed=speed, seed=None, announce=announce, stop=stop, pty=pty, stepped=stepped)
        except BaseException as exc:  # noqa: BLE001 (the assertion below shows it in the test's own thread)
            failed.append(exc)
            ready.set()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        assert ready.wait(PATIENCE_S)
        yield found
    finally:
        stop.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()
    assert failed == []
