"""What a long run is watched with, on a short one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soak.long_run import long_run
from tests.soak.look import PROC

pytestmark = pytest.mark.skipif(not PROC.joinpath("self").exists(), reason="no /proc here")


def test_every_process_is_watched_and_every_closing_counted(tmp_path: Path) -> None:
    """The run counts the closings of each contact as often as the simulated bench has closed it."""
    seen = long_run(tmp_path, pins=4, repeats=3, every=4)
    assert seen.status == 1, seen.said
    assert (seen.outcomes, seen.wrong) == ({"measured": 24}, 0)
    assert {name: [each.trials for each in looks] for name, looks in seen.looks.items()} == {
        name: [4, 8, 12, 16, 20] for name in ("run", "guard", "simulated bench")
    }
    assert seen.closed == seen.counted
    assert seen.closed["relay_board 1"] >= 24
