"""Press-release traces by an independent circuit simulator: the netlist, how to run it, and the stored table's shape.

The table beside this file (circuit_simulator.json) was made by `python -m tests.reference.circuit_simulator` with
ngspice (revision in the table), Gear integration, reltol 1e-7, steps of at most 1/40000 of the time simulated. The
node starts at its level while pressed (operating point through 100 ohm to the rail) and is let go at time 0 (1e12 ohm
to the rail, as an open relay). Points are rows of the simulator's own output, none interpolated.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

TABLE = Path(__file__).with_suffix(".json")
NGSPICE = shutil.which("ngspice")
RAIL_V = 3.3
PRESS_OHM = 100.0
OFF_OHM = 1e12
METER_OHM = 10e6
LAST_S = 0.12


@dataclass(frozen=True)
class Case:
    """One circuit. `leak`: the keys of a leak in the board file. `resistor_ohm`: the trial resistor, None for none."""

    name: str
    pull_down_ohm: float
    node_f: float
    leak: dict[str, float | str]
    resistor_ohm: float | None

    @property
    def span_s(self) -> float:
        """Twelve time constants of node and pull-down: every fall here is over, or has come to rest."""
        return 12 * self.pull_down_ohm * self.node_f


def _leak_source(leak: dict[str, float | str]) -> str:
    """The leak's formula in the circuit simulator's own words, not through any code of the project."""
    if leak["kind"] == "mid level":
        return (
            f"{leak['plateau_a']}*(1/(1+exp(-(v(node)-{leak['up_v']})/{leak['up_width_v']})))"
            f"*(1/(1+exp((v(node)-{leak['down_v']})/{leak['down_width_v']})))"
        )
    formula = f"{leak['current_a']}*tanh(v(node)/{leak['knee_v']})"
    if "gone_v" in leak:
        formula += f"*(1/(1+exp((v(node)-{leak['gone_v']})/{leak['gone_width_v']})))"
    return formula


def _circuit(case: Case, to_rail_ohm: float) -> str:
    fitted = f"Rext node 0 {case.resistor_ohm}\n" if case.resistor_ohm else ""
    return (
        f"{case.name}\nVdd rail 0 {RAIL_V}\nRpress rail node {to_rail_ohm}\nRpd node 0 {case.pull_down_ohm}\n"
        f"Cnode node 0 {case.node_f}\nRmeter node 0 {METER_OHM}\n{fitted}Bleak 0 node I={_leak_source(case.leak)}\n"
    )


def _run(text: str, folder: Path) -> list[tuple[float, float]]:
    (folder / "circuit.cir").write_text(text)
    assert NGSPICE is not None
    done = subprocess.run(
        [NGSPICE, "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    output = folder / "out.txt"
    if not output.exists():
        raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
    rows = [tuple(float(cell) for cell in line.split()) for line in output.read_text().splitlines()]
    output.unlink()
    return [(row[0], row[1]) for row in rows]


_CONTROL = ".control\nset numdgt=12\nrun\nset wr_singlescale\nwrdata out.txt v(node)\nquit\n.endc\n.end\n"


def held_v(case: Case, folder: Path) -> float:
    """The node while pressed."""
    return _run(_circuit(case, PRESS_OHM) + ".dc Vdd 3.3 3.3 1\n" + _CONTROL, folder)[-1][1]


def released(case: Case, start_v: float, span_s: float, folder: Path, steps: int = 40_000) -> list[tuple[float, float]]:
    """(seconds since the release, volt): every time step of the simulator."""
    step_s = span_s / steps
    text = (
        f".options reltol=1e-7 vntol=1e-9 abstol=1e-14 method=gear\n.ic v(node)={start_v!r}\n"
        f".tran {step_s} {span_s} 0 {step_s} uic\n"
    )
    return _run(_circuit(case, OFF_OHM) + text + _CONTROL, folder)


def simulate(case: Case) -> tuple[float, list[tuple[float, float]]]:
    """The level while pressed, and some 25 points after the release, even in the logarithm of time, and the last."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start_v = held_v(case, folder)
        rows = released(case, start_v, case.span_s, folder)
        wanted = [case.span_s * 10 ** (-3 + index / 8) for index in range(25)]
        points = dict(min(rows, key=lambda row: abs(row[0] - time_s)) for time_s in wanted)
        if case.span_s < LAST_S:
            points.update([released(case, start_v, LAST_S, folder)[-1]])
    return start_v, sorted(points.items())


def stored() -> list[tuple[Case, float, list[tuple[float, float]]]]:
    """The table: case, level while pressed, points."""
    table = json.loads(TABLE.read_text())
    return [(Case(**c["case"]), c["held_v"], [tuple(p) for p in c["points"]]) for c in table["cases"]]


def _cases() -> list[Case]:
    resistors = (None, 47000.0, 22000.0, 10000.0, 8200.0, 4700.0)
    pins: list[tuple[str, float, float, dict[str, float | str]]] = [
        ("D1", 60e3, 150e-12, mid_level(120e-6, 0.75, 0.06, 1.98, 0.055)),
        ("D2", 52e3, 22e-9, mid_level(95e-6, 0.80, 0.07, 2.02, 0.06)),
        ("D3", 71e3, 100e-9, {"kind": "plain", "current_a": 0.2e-6, "knee_v": 0.2}),
        (
            "D4",
            64e3,
            1e-9,
            {"kind": "plain", "current_a": 34e-6, "knee_v": 0.05, "gone_v": 2.6, "gone_width_v": 0.04},
        ),
    ]
    return [Case(f"{pin} {ohm or 'none'}", pd, c, leak, ohm) for pin, pd, c, leak in pins for ohm in resistors]


def mid_level(plateau: float, up: float, up_width: float, down: float, down_width: float) -> dict[str, float | str]:
    return {
        "kind": "mid level",
        "plateau_a": plateau,
        "up_v": up,
        "up_width_v": up_width,
        "down_v": down,
        "down_width_v": down_width,
    }


def main() -> int:
    """Write the table anew."""
    if NGSPICE is None:
        sys.stderr.write("ngspice is not on the PATH\n")
        return 2
    about = subprocess.run([NGSPICE, "--version"], capture_output=True, text=True, check=True).stdout
    version = next(word for word in about.split() if word.startswith("ngspice-"))
    cases = []
    for case in _cases():
        level_v, points = simulate(case)
        cases.append({"case": asdict(case), "held_v": level_v, "points": points})
    rows = ",\n".join(json.dumps(case) for case in cases)
    TABLE.write_text(f'{{"source": "{version}", "rail_v": {RAIL_V}, "cases": [\n{rows}\n]}}\n')
    return 0


if __name__ == "__main__":
    sys.exit(main())
