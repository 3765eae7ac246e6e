"""A whole run against the simulated bench as its own program, for tests: board text in, finding out."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from drivers.operator import Operator
from harness.bench_file import bench_from_text
from harness.demo import simulated_bench
from harness.events import Event
from harness.plan import plan_from_text
from harness.procedure_file import load_procedure
from harness.run import RunResult, carry_out
from harness.signals import StopRequest
from harness.together import check_together
from results.analysis.analysis import analyse_folder
from results.analysis.findings import RunFinding
from results.record.run_folder import RunFolder

SPEED = 10.0

STEPPED = "stepped clock"
"""Among the resources of a bench whose time stands still until somebody waits."""

BOARD_HEAD = """\
seed = 5
speed = 10.0
[rail]
voltage_v = 3.305
[meter]
noise_v = 0.3e-3
hum_v = 0.5e-3
offset_error_v = 0.1e-3
[wiring]
press = { channel = "relay_board 1", resistor_ohm = 1000.0, tolerance = 0.005 }
discharge = { channel = "relay_board 2", resistor_ohm = 1000.0 }
rail = { channel = "relay_board 3", resistor_ohm = 10000.0 }
source = { channel = "relay_board 4", resistor_ohm = 100.0 }
[[wiring.fit]]
nominal_ohm = 8200.0
channel = "relay_board 5"
tolerance = 0.005
"""

SOUND = 'pull_down = { kind = "linear", resistance_ohm = 60e3 }'
LATCHES = (
    f"{SOUND}\n"
    'leak = { kind = "mid level", plateau_a = 120e-6, up_v = 0.75, up_width_v = 0.06, down_v = 1.98, '
    "down_width_v = 0.055 }"
)
OPEN_NEEDLE = f'{SOUND}\nneedle = "open"'
SHORT_TO_RAIL = f"{SOUND}\nrail_resistance_ohm = 500.0"
NO_PULL_DOWN = 'pull_down = { kind = "missing" }'


def board_text(pins: Mapping[str, str], extra: str = "") -> str:
    """A board file with these pins; `extra` is put before them."""
    return BOARD_HEAD + extra + "".join(f'\n[[pins]]\nname = "{name}"\n{pin}\n' for name, pin in pins.items())


def bench_text(resources: Mapping[str, str], pins: Sequence[str], *, console: bool = True, speed: float = SPEED) -> str:
    """The bench file of that fixture; a stepped bench is asked for the time."""
    clock = f'resource = "{resources[STEPPED]}"' if STEPPED in resources else f"speed = {speed:g}"
    select = "\n".join(f'{pin} = "switch {101 + index}"' for index, pin in enumerate(pins))
    board = f'[board]\nresource = "{resources["board"]}"' if console else ""
    return f"""\
[bench]
name = "test bench"
line_frequency = "50 Hz"
[clock]
{clock}
[meter]
resource = "{resources["meter"]}"
accuracy_reading = "0.01 %"
accuracy = "0.5 mV"
input_resistance = "10 MΩ"
[source]
resource = "{resources["source"]}"
accuracy_reading = "0.05 %"
accuracy = "20 nA"
[switch]
resource = "{resources["switch"]}"
[relay_board]
resource = "{resources["relay_board"]}"
{board}
[fixture]
capacitance = "120 pF"
leakage_resistance = "10 GΩ"
[wiring]
press = {{ channel = "relay_board 1", resistor = "1 kΩ" }}
discharge = "relay_board 2"
rail = "relay_board 3"
source = {{ channel = "relay_board 4", resistor = "100 Ω" }}
[wiring.fit]
"8.2 kΩ" = "relay_board 5"
[wiring.select]
{select}
"""


def plan_text(pins: Sequence[str], *, path: str = "relay", resistors: str = '["none"]', trials: str = "") -> str:
    """A short plan for these pins."""
    listed = "\n".join(f'[[pins]]\nname = "{pin}"' for pin in pins)
    return f"""\
[unit]
name = "Test board"
serial = "T-1"
[rail]
voltage = "3.3 V"
[levels]
standard = "JESD8C.01 3.3 V"
[pull_down]
range = ["30 kΩ", "90 kΩ"]
[press]
path = "{path}"
reaction = "0.5 s"
[log]
before = "10 ms"
time = "100 ms"
interval = "0.2 ms"
slack = "600 ms"
[trials]
resistors = {resistors}
repeats = 1
{trials}
{listed}
"""


def nobody() -> Operator:
    """An operator at a bench where everything is switched: asking is a defect."""

    def refuse(text: str) -> None:
        raise AssertionError(f"nobody is here to {text}")

    return Operator(refuse, refuse)


class Hand:
    """A person at the simulated bench: does at its `hand` port what the operator is asked to do."""

    def __init__(self, address: str) -> None:
        host, port = address.rsplit(":", 1)
        self._socket = socket.create_connection((host, int(port)))
        self._file = self._socket.makefile("rw", encoding="ascii", newline="\n")

    def operator(self) -> Operator:
        return Operator(self.do, self.do)

    def do(self, text: str) -> None:
        orders = (
            (r"Connect the bench to pin (\w+)", "CLIP {}"),
            (r"Press pin (\w+)", "PRESS {}"),
            (r"Let go of pin", "RELEASE"),
        )
        for pattern, order in orders:
            found = re.match(pattern, text)
            if found:
                self.order(order.format(*found.groups()))
                return
        assert text.startswith("Take every trial resistor off"), text

    def order(self, line: str) -> None:
        self._file.write(line + "\n")
        self._file.flush()
        answer = self._file.readline().strip()
        assert answer == "OK", (line, answer)

    def close(self) -> None:
        """Take the clip off, or the pin stays on the bus for whoever comes next."""
        self.order("CLIP none")
        self._file.close()
        self._socket.close()


@contextmanager
def simulated(tmp_path: Path, board: str, *, stepped: bool = False) -> Iterator[dict[str, str]]:
    """The simulated bench of a board text.

    `stepped`: its time stands still until somebody waits, so that numbers and verdicts of a run are the same on a busy
    computer; else it runs at SPEED, as what is tried of the run's own time needs.
    """
    path = tmp_path / "board.toml"
    path.write_text(board, encoding="utf-8")
    with simulated_bench(path, None if stepped else SPEED, stepped=stepped) as resources:
        yield {**resources, STEPPED: resources["clock"]} if stepped else resources


def run_plan(
    tmp_path: Path,
    plan: str,
    bench: str,
    *,
    operator: Operator | None = None,
    procedures: Sequence[Path] = (),
    stop: StopRequest | None = None,
    events: list[Event] | None = None,
    path: Path | str = "bench.toml",
    resumed: RunFolder | None = None,
) -> RunResult:
    """Carry a plan out, as the command line does after it has read the files."""
    read_plan, read_bench = plan_from_text(plan), bench_from_text(bench, path)
    check_together(read_plan, read_bench)
    heard = [] if events is None else events
    return carry_out(
        read_plan,
        read_bench,
        load_procedure(read_plan.trials.procedure, procedures),
        parent=tmp_path / "runs",
        listen=heard.append,
        stop=stop or StopRequest(),
        operator=operator or nobody(),
        operator_name="tests",
        resumed=resumed,
    )


def found(result: RunResult) -> RunFinding:
    """The finding of a run that came to its end, with everything proven safe."""
    assert result.error is None, result.error
    assert result.not_verified == ()
    assert result.folder is not None
    assert result.folder.sealed
    return analyse_folder(result.folder.path)


def verdicts(finding: RunFinding) -> dict[str, str]:
    """Pin name -> verdict."""
    return {pin.pin: pin.verdict for pin in finding.pins}


def near_nothing(told: Mapping[str, Any]) -> dict[str, Any]:
    """The same, with a bus that reads a millivolt of the meter's noise and offset, of either sign, as one of 0 V."""
    return {**told, "bus": re.sub(r"reads -?0\.00[01] V", "reads 0.000 V", told["bus"])}
