"""How fast the slow parts are, each against a peer in the same run: `make bench` prints the table of docs/speed.md.

Ratios, because seconds depend on the machine. Nothing is asserted about them. Every pair first shows that both sides
give the same answer, and the run ends with an error where they do not.
"""

from __future__ import annotations

import io
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from results.record.observation import Observation
from results.record.trace import FloatArray, Trace
from results.record.trial import Trial
from tests.drivers.faulty_peer import FaultyPeer, Wire
from tests.results.analysis.made_pins import SETUP, Bench, record_of
from tests.results.analysis.made_traces import LEVELS, METER, Node, made

ROUNDS = 7


@dataclass(frozen=True)
class Compared:
    """Seconds of each round, ours and the peer's, taken in turn."""

    what: str
    peer: str
    ours_s: list[float]
    peer_s: list[float]

    @property
    def row(self) -> str:
        ours, peer = statistics.median(self.ours_s), statistics.median(self.peer_s)
        return f"| {self.what} | {_shown(ours)} | {self.peer} | {_shown(peer)} | {ours / peer:.2g} |"


def _shown(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 1.0 else f"{1e3 * seconds:.3g} ms"


def in_turn(
    what: str, ours: Callable[[], object], peer_name: str, peer: Callable[[], object], rounds: int = ROUNDS
) -> Compared:
    """Both once to warm up, then in turn, so that what else the machine does hits both."""
    ours(), peer()
    taken: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for seconds, action in zip(taken, (ours, peer), strict=True):
            started = time.perf_counter()
            action()
            seconds.append(time.perf_counter() - started)
    return Compared(what, peer_name, *taken)


def same(ours: object, peer: object, *, rel: float, what: str) -> None:
    """Both sides must have done the same work."""
    if not np.allclose(np.asarray(ours, dtype=float), np.asarray(peer, dtype=float), rtol=rel, atol=0.0):
        raise SystemExit(f"speed: {what}: {ours!r} and {peer!r} differ by more than {rel:g}")


def _fall(time_s: FloatArray, level: float, size: float, tau: float) -> FloatArray:
    return np.asarray(level + size * np.exp(-time_s / tau))


def fitting_a_decay() -> Compared:
    """The time constant with all its tests (more than one exponential? changing on the way?) against a bare fit."""
    from scipy.optimize import curve_fit

    from results.analysis.findings import Edge
    from results.analysis.trace.decay import fit_decay
    from results.analysis.trace.edge import find_edge
    from results.analysis.trace.settled import Settling, settle

    traces = [made(Node(release_tau_s=5e-3, rest_v=0.4, noise_v=1e-3, seed=seed)) for seed in range(5)]
    begun: list[tuple[FloatArray, FloatArray, Edge, Settling]] = []
    for trace in traces:
        edge = find_edge(trace.time_s, trace.voltage_v, rail_v=3.3, step_v=0.0, ripple_v=0.0, aperture_s=0.0).edge
        if edge is None:
            raise SystemExit("speed: a trace without an edge")
        time_s, volts = trace.time_s[edge.after :], trace.voltage_v[edge.after :]
        begun.append((time_s, volts, edge, settle(time_s, volts, meter=METER, interval_s=1e-4, rail_v=3.3)))

    def ours() -> list[float]:
        found = [fit_decay(t, v, edge, meter=METER, interval_s=1e-4, settling=rest)[0] for t, v, edge, rest in begun]
        return [one.time_constant_s or 0.0 for one in found]

    def peer() -> list[float]:
        return [float(curve_fit(_fall, t - t[0], v, (0.0, 1.0, 1e-3))[0][2]) for t, v, _, _ in begun]

    same(ours(), peer(), rel=0.01, what="time constants")
    return in_turn("fit 5 decays", ours, "scipy curve_fit", peer)


def reading_a_trace() -> Compared:
    """The whole reading of a trace (edge, hum, rest, time constant) against a bare fit of what follows the release."""
    from scipy.optimize import curve_fit

    from results.analysis.trace.reading import read_trace

    traces = [made(Node(release_tau_s=5e-3, rest_v=0.4, noise_v=1e-3, seed=seed)) for seed in range(5)]

    def ours() -> list[float]:
        found = [read_trace(t, rail_v=3.3, levels=LEVELS, meter=METER, allowed_s=0.05).settled for t in traces]
        return [0.0 if one is None else one.voltage_v for one in found]

    def peer() -> list[float]:
        begun = [(t.time_s[260:] - 0.026, t.voltage_v[260:]) for t in traces]
        return [float(curve_fit(_fall, time_s, volts, (0.0, 1.0, 1e-3))[0][0]) for time_s, volts in begun]

    same(ours(), peer(), rel=0.01, what="settled voltages")
    return in_turn("read 5 traces whole", ours, "scipy curve_fit, the release known", peer)


def opening_a_run(folder: Path) -> Compared:
    """All samples of a sealed run folder, checksums looked at, against the same samples in one CSV."""
    import pandas as pd

    from results.record.run_folder import RunFolder

    record = record_of(Bench())
    run = RunFolder.create(folder, "speed", record, "", "", datetime(2026, 1, 1, tzinfo=UTC))
    for sequence in range(1, 145):
        trial = Trial(sequence, "press_release", "D1", "none", SETUP, sequence)
        run.append(trial, Observation(made(Node(seed=sequence))))
    run.seal()
    logged = [observation.trace for _, observation in run.observations()]
    table = folder / "samples.csv"
    pd.DataFrame(
        {
            "trial": np.repeat(np.arange(1, len(logged) + 1), [len(trace) for trace in logged]),
            "time_s": np.concatenate([trace.time_s for trace in logged]),
            "voltage_v": np.concatenate([trace.voltage_v for trace in logged]),
        }
    ).to_csv(table, index=False)

    def ours() -> list[Trace]:
        return [observation.trace for _, observation in RunFolder.open(run.path).observations()]

    def peer() -> list[Trace]:
        groups = pd.read_csv(table).groupby("trial", sort=False)
        return [Trace(group["time_s"].to_numpy(), group["voltage_v"].to_numpy()) for _, group in groups]

    same([t.voltage_v.sum() for t in ours()], [t.voltage_v.sum() for t in peer()], rel=1e-12, what="samples")
    return in_turn(f"open a sealed run of {len(logged)} traces", ours, "the same samples from CSV with pandas", peer)


def simulating_a_trial() -> Compared:
    """The simulated node let go, sampled 1500 times, against solve_ivp with the same equation and tolerances."""
    from scipy.integrate import solve_ivp

    from drivers.simulated.board_file import MidLevelLeak
    from drivers.simulated.leak import leak_current
    from drivers.simulated.node import Circuit
    from drivers.simulated.segment import ABSOLUTE_TOLERANCE_V, RELATIVE_TOLERANCE, Segment

    leak = leak_current(
        MidLevelLeak(kind="mid level", plateau_a=120e-6, up_v=0.75, up_width_v=0.06, down_v=1.98, down_width_v=0.055)
    )
    circuit = Circuit(150e-12, 1.0 / 60e3 + 1e-7, 0.0, (leak,))
    when = np.linspace(0.0, 0.12, 1500)

    def ours() -> FloatArray:
        # Means over an aperture, as the simulated meter takes them.
        return np.diff(Segment(circuit, [3.246]).integral(when, 0)) / np.diff(when)

    def slope(_: float, state: FloatArray) -> list[float]:
        volts = float(state[0])
        return [(leak(volts) - volts * circuit.conductance_s) / circuit.capacitance_f]

    def peer() -> FloatArray:
        solved = solve_ivp(
            slope, (0.0, 0.12), [3.246], "LSODA", when, rtol=RELATIVE_TOLERANCE, atol=ABSOLUTE_TOLERANCE_V
        )
        return np.asarray(solved.y[0])

    same(ours()[-1], peer()[-1], rel=1e-5, what="rest points")
    return in_turn("simulate a release", ours, "scipy solve_ivp (LSODA) of it", peer)


def querying() -> Compared:
    """A command, then a query: with Nagle's algorithm the second small packet waits for an acknowledgement."""
    import pyvisa

    from drivers.visa_link import open_visa_link

    with FaultyPeer(_answer) as stock_peer, FaultyPeer(_answer) as our_peer:
        # Opened first: our link puts its own session in place of pyvisa-py's for raw sockets.
        stock: Any = pyvisa.ResourceManager("@py").open_resource(
            stock_peer.visa, read_termination="\n", write_termination="\n", timeout=2000
        )
        link = open_visa_link(our_peer.visa)

        def ours() -> str:
            link.send("VOLT:RANG 10")
            return link.ask("VOLT?")

        def peer() -> str:
            stock.write("VOLT:RANG 10")
            return str(stock.query("VOLT?"))

        same(ours(), peer(), rel=0.0, what="replies")
        compared = in_turn("send a command and ask", ours, "pyvisa-py as it comes", peer, rounds=25)
        link.close()
        stock.close()
        return compared


def logging_messages(folder: Path) -> Compared:
    """Questions to the simulated meter, a program of its own, with the wire log and without."""
    from drivers.link import Link
    from drivers.visa_link import open_visa_link
    from harness.bench_file import bench_from_text
    from harness.wire_record import WireRecord
    from results.record.wire_files import read_wire_log
    from tests.harness.whole_bench import SOUND, bench_text, board_text, simulated

    with simulated(folder, board_text({"D1": SOUND})) as resources:
        record = WireRecord(bench_from_text(bench_text(resources, ("D1",))), sys.stderr.write)
        record.write_into(folder, "speed")
        logged, bare = open_visa_link(resources["meter"], tap=record.tap("meter")), open_visa_link(resources["meter"])

        def asked(link: Link) -> list[int]:
            return [len(link.ask("*IDN?")) for _ in range(200)]

        same(asked(logged), asked(bare), rel=0.0, what="replies")
        compared = in_turn(
            "ask 200 times, logged", lambda: asked(logged), "the same, not logged", lambda: asked(bare), rounds=25
        )
        logged.close()
        bare.close()
        record.close()
    lines = [line for session in read_wire_log(folder).sessions for line in session.lines]
    same(sum(line.what == "received" for line in lines), 27 * 200, rel=0.0, what="replies in the log")
    return compared


def _answer(wire: Wire) -> None:
    while True:
        if wire.line().endswith("?"):
            wire.say(b"+3.246000000E+00\n")


def drawing() -> Compared:
    """Both figures of each suspect pin as the report has them, against the same as pictures."""
    from results.report import figure_current, figure_traces
    from results.report.by_condition import suspects_of
    from tests.results.report.made_findings import fernhill

    finding = fernhill()
    pins = suspects_of(finding)

    def ours() -> list[bool]:
        traces = [figure_traces.traces_svg(pin, finding.record) for pin in pins]
        return [bool(drawn) for drawn in (*traces, *(figure_current.current_svg(pin, finding.record) for pin in pins))]

    def peer() -> list[bool]:
        with _as_pictures(figure_traces), _as_pictures(figure_current):
            return ours()

    same(ours(), peer(), rel=0.0, what="figures")
    return in_turn(f"draw {sum(ours())} figures as SVG", ours, "as PNG of 200 dots an inch", peer, rounds=3)


@contextmanager
def _as_pictures(module: object) -> Iterator[None]:
    def png_of(figure: Any) -> str:
        picture = io.BytesIO()
        figure.savefig(picture, format="png", dpi=200)
        return picture.getvalue().decode("latin-1")

    with patch.object(module, "svg_of", png_of):
        yield


def main() -> None:
    """Print the table, row by row."""
    sys.stdout.write("| what | ours | peer | peer's | ours / peer's |\n| --- | --- | --- | --- | --- |\n")
    with tempfile.TemporaryDirectory() as folder:
        for compare in (
            querying,
            lambda: logging_messages(Path(folder)),
            fitting_a_decay,
            reading_a_trace,
            lambda: opening_a_run(Path(folder)),
            simulating_a_trial,
            drawing,
        ):
            sys.stdout.write(compare().row + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
