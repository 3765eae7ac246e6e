"""Where a run is when it dies: a procedure of one's own that goes there, says that it is there, and stays."""

from __future__ import annotations

from dataclasses import dataclass

PIN, NEIGHBOUR = "D1", "D2"


@dataclass(frozen=True)
class State:
    """`within`: the `with` blocks and lines that lead there, indented below each other; `{pin}` is put in.

    `own`: reached by a procedure, so that a procedure may misbehave in it. `presses`: the guard's lease runs.
    """

    name: str
    within: tuple[str, ...] = ()
    own: bool = True
    presses: bool = True


BARE = "bench.deselect()"
RAIL = "bench.rail_voltage()"
SELECTED = f'bench.select("{PIN}")'
HELD = f'with bench.held(["{NEIGHBOUR}"], 3.3):'
PRESSED = f'with bench.pressed("{PIN}", "relay", 3.3):'
BY_SOURCE = f'with bench.pressed("{PIN}", "source", 3.3):'

STATES = (
    State("idle", (BARE,), presses=False),
    State("selected, resistor fitted", (SELECTED, 'bench.fit("8.2 kΩ")'), presses=False),
    State("pressed by relay", (RAIL, SELECTED, PRESSED)),
    State("pressed by source", (RAIL, SELECTED, BY_SOURCE)),
    State("logging while pressed", (RAIL, SELECTED, PRESSED, "bench.start_log(1e-3, 5000)")),
    State("sweep", (RAIL, SELECTED, BY_SOURCE, "bench.force(2.0)", "bench.source.read()", "bench.force(1.5)")),
    State("neighbour held", (BARE, RAIL, HELD)),
    State("held and pressed", (BARE, RAIL, HELD, SELECTED, PRESSED)),
    State("grounded", (SELECTED, "with bench.grounded():"), presses=False),
    State("capacitor on the bus", (SELECTED, 'bench.add("100 nF")'), presses=False),
    State("preparing, supply on", own=False, presses=False),
    State("making safe", own=False, presses=False),
)


def body(state: State, deed: str) -> str:
    """The procedure: into the state, a mark on the disk, and then the deed."""
    lines, depth = [], 1
    for line in (*state.within, 'there("here")', *deed.splitlines()):
        lines.append("    " * depth + line)
        depth += line.endswith(":") and line.startswith("with ")
    return "\n".join(lines)
