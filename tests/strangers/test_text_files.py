"""Plans, bench files, board files and checks of strangers are read whole or refused by name."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.board_file import BoardFileError, parse_board, read_board_file
from drivers.simulated.world import World
from harness.bench_file import bench_from_text, read_bench
from harness.checked import checked
from harness.demo import FERNHILL
from harness.errors import UserFileError
from harness.plan import plan_from_text, read_plan
from harness.sequence import trials_in_order
from harness.together import check_together
from harness.user_file import MOST_PROBLEMS
from results.errors import RecordError
from results.record.check import sha256_of
from tests.harness.wrong_files import BENCH, PLAN
from tests.results.record.runs import run_record
from tests.results.record.test_check import CHECK
from tests.strangers.judge import accepted_or_refused, tried
from tests.strangers.nasty import JSON, mangled_bytes, mangled_toml, places, put

FULL_PLAN = PLAN + (
    '\n[sweep]\nsteps = 33\n[unlatch]\nrepeats = 1\n[press_level]\nresolution = "20 mV"\n[temperature]\nsteps = '
    '["-10 °C", "60 °C"]\n[neighbours]\nstates = ["floating", "pressed"]\n[damage_watch]\nlimit = "100 nA"\n'
    '[dwell]\nhold = "120 s"\n[decision]\nrule = "w = U"\n[remedies]\ntried = ["external pull-down"]\n'
)
BOARD = (FERNHILL / "board.toml").read_text(encoding="utf-8")
FERNHILL_BENCH = (FERNHILL / "bench.toml").read_text(encoding="utf-8")
KINDS: tuple[tuple[str, Callable[[Path], object], type[Exception]], ...] = (
    (PLAN, read_plan, UserFileError),
    (BENCH, read_bench, UserFileError),
    (BOARD, read_board_file, BoardFileError),
)
LINES = MOST_PROBLEMS + 1


@tried(150)
@given(mangled_toml((PLAN, FULL_PLAN)))
def test_a_plan(text: str) -> None:
    def read() -> None:
        plan = plan_from_text(text, "strange.toml")
        bench = bench_from_text(BENCH)
        trials_in_order(plan)
        check_together(plan, bench)

    accepted_or_refused("plan.toml", read, (UserFileError,), ".toml: ", LINES)


@tried(150)
@given(mangled_toml((BENCH, FERNHILL_BENCH)))
def test_a_bench_file(text: str) -> None:
    read = bench_from_text
    accepted_or_refused("bench.toml", lambda: read(text, "strange.toml"), (UserFileError,), "strange.toml: ", LINES)


@tried(60)
@given(mangled_toml((BOARD,)))
def test_a_board_file_and_the_bench_that_it_describes(text: str) -> None:
    read = parse_board
    accepted_or_refused("board.toml", lambda: World(read(text, "strange.toml")), (BoardFileError,), "strange.toml: ")


@tried(60)
@given(st.data())
def test_bytes_that_are_no_text(data: st.DataObject) -> None:
    text, read, error = data.draw(st.sampled_from(KINDS))
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "strange.toml"
        path.write_bytes(data.draw(mangled_bytes(text.encode())))
        accepted_or_refused("TOML as bytes", lambda: read(path), (error,), f"{path}: ", LINES)


@tried(120)
@given(st.data())
def test_a_check_of_a_bench_and_what_a_run_makes_of_it(data: st.DataObject) -> None:
    file = bench_from_text(BENCH)
    # Lists, as JSON has them.
    raw = json.loads(json.dumps(asdict(replace(CHECK, bench_sha256=sha256_of(file.text)))))
    if data.draw(st.booleans()):
        written = json.dumps(put(raw, data.draw(st.sampled_from(list(places(raw)))), data.draw(JSON))).encode()
    else:
        written = data.draw(mangled_bytes(json.dumps(raw).encode()))
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "checks" / "20270114T101500Z_abc.json"
        path.parent.mkdir()
        path.write_bytes(written)
        beside = replace(file, path=str(Path(scratch) / "bench.toml"))

        def read() -> None:
            known = checked(beside, datetime(2027, 1, 14, 12, tzinfo=UTC), 0.01)
            known.file.driver_wiring()
            known.in_record(run_record())

        accepted_or_refused("check of a bench", read, (RecordError,), f"{path}: ")
