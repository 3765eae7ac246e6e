"""A folder of traces that another instrument saved is imported, or refused by file and line; it leads nowhere else."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from harness.plan import read_plan
from harness.recorded import import_folder
from results.analysis.analysis import analyse_folder
from results.errors import ForeignTraceError
from results.record.trace_csv import read_trace
from tests.strangers.judge import accepted_or_refused, tried
from tests.strangers.nasty import TEXTS, mangled_bytes

EXAMPLE = Path(__file__).parents[2] / "examples" / "recorded"
PLAN = read_plan(EXAMPLE / "plan.toml")
ROWS = [b"%.4f,%.4f\n" % (n * 1e-3 - 0.01, 3.25 if n < 10 else 0.05) for n in range(80)]
TRACE = b"time_s,voltage_v\n" + b"".join(ROWS)
TRIALS = (
    b"file,pin,trial_resistor_ohm,pin_setup,repeat,hold_v,released_at_s,reads,temperature_c\n"
    b"a.csv,D1,,reset default,1,3.25,0.0,high,23\nb.csv,D1,8200,reset default,1,,,,\n"
)
NAMES = ("../a.csv", "/dev/zero", "b.csv", "pipe.csv", "folder.csv", "link.csv", "C:\\a.csv")
CELLS = (*TEXTS, *NAMES, "1e308", "D1", "none", "8k2")


@tried(120)
@given(mangled_bytes(TRACE))
def test_a_trace(data: bytes) -> None:
    accepted_or_refused("trace CSV", lambda: read_trace(data, "strange.csv"), (ForeignTraceError,), "strange.csv")


@st.composite
def trials(draw: st.DrawFn) -> bytes:
    """trials.csv with a cell replaced, or with bytes that are wrong anywhere."""
    if draw(st.booleans()):
        return draw(mangled_bytes(TRIALS))
    rows = [line.split(",") for line in TRIALS.decode().splitlines()]
    for _ in range(draw(st.integers(1, 2))):
        row = draw(st.sampled_from(rows))
        row[draw(st.integers(0, len(row) - 1))] = draw(st.sampled_from(CELLS))
    return "\n".join(",".join(row) for row in rows).encode("utf-8", "replace")


@tried(60)
@given(trials(), mangled_bytes(TRACE), st.booleans())
def test_a_folder(listed: bytes, strange: bytes, sound: bool) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder, runs = Path(scratch) / "traces", Path(scratch) / "runs"
        (folder / "folder.csv").mkdir(parents=True)
        (folder / "trials.csv").write_bytes(listed)
        (folder / "a.csv").write_bytes(TRACE)
        (folder / "b.csv").write_bytes(TRACE if sound else strange)
        if hasattr(os, "mkfifo"):
            os.mkfifo(folder / "pipe.csv")
            (folder / "link.csv").symlink_to("/dev/zero")

        def read() -> None:
            analyse_folder(import_folder(folder, PLAN, runs).path)

        accepted_or_refused("folder of traces", read, (ForeignTraceError,), "trials.csv")
        # Nothing is written but the run folder, and nothing of one that was refused.
        assert {path.name for path in Path(scratch).iterdir()} <= {"traces", "runs"}
