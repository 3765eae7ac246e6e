"""A run on a stepped bench waits for nothing, and is the same to the last digit each time it is made anew."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from drivers.socket_link import open_socket_link
from harness.demo import simulated_bench
from results.record.run_folder import RunFolder
from results.report.tables import write_trials_csv
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, found, plan_text, run_plan

PINS = {"D1": SOUND, "D2": LATCHES, "D3": f"{LATCHES}\nleak_probability = 0.5"}
PLAN = plan_text(list(PINS), resistors='["none", "8.2 kΩ"]', trials='order = "random"\nseed = 5')


def _made(folder: Path, resources: Mapping[str, str]) -> tuple[str, list[np.ndarray[tuple[int], np.dtype[np.float64]]]]:
    """trials.csv and every trace of the plan, made on that bench."""
    text = bench_text(resources, list(PINS)).replace("speed = 10", f'resource = "{resources["clock"]}"')
    result = run_plan(folder, PLAN, text)
    write_trials_csv(found(result), folder / "trials.csv")
    assert result.folder is not None
    made = RunFolder.open(result.folder.path).observations()
    return (folder / "trials.csv").read_text(), [observation.trace.voltage_v for _, observation in made]


def test_a_run_is_the_same_on_a_fresh_bench_on_one_that_goes_on_and_on_one_that_is_days_old(tmp_path: Path) -> None:
    (tmp_path / "board.toml").write_text(board_text(PINS), encoding="utf-8")
    with simulated_bench(tmp_path / "board.toml", stepped=True) as fresh:
        first = _made(tmp_path / "first", fresh)
        again = _made(tmp_path / "again", fresh)
    with simulated_bench(tmp_path / "board.toml", stepped=True) as old:
        link = open_socket_link(old["clock"])
        assert float(link.ask("UNTIL 123456.789")) >= 123456.789
        link.close()
        late = _made(tmp_path / "late", old)
    table, traces = first
    assert "stuck high" in table
    for other_table, other_traces in (again, late):
        assert other_table == table
        for trace, other in zip(traces, other_traces, strict=True):
            assert np.array_equal(trace, other)
