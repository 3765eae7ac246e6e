"""What every procedure on a latched pin begins with: get ready, press, prove the contact; and what it brings home."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from drivers.bench import Bench
from procedures.contact import HoldLevel, prove_contact
from procedures.looks import Looks
from procedures.press_release import (
    high_before_press,
    level_while_held,
    prepare_board,
    press_voltage,
    put_on_bus,
    read_pin,
    who_holds,
)
from procedures.settings import PressSettings
from results.record.observation import Observation, Reading
from results.record.trial import Trial


@dataclass(frozen=True)
class Start:
    """The node before anything was done to it, and the level that it will be pressed to (V)."""

    rail_v: float | None
    level_v: float
    before_v: float
    reads_before: Reading
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Held:
    """The node while it is pressed."""

    level: HoldLevel
    reads: Reading


def made_ready(bench: Bench, trial: Trial, settings: PressSettings, pin_setup: str | None = None) -> Start:
    """Discharge, reset, set up, read: the pin alone on the bus with nothing fitted.

    `pin_setup`: another one than that of the trial's condition.
    """
    rail_v = put_on_bus(bench, trial, settings)
    prepare_board(bench, trial, settings)
    if pin_setup is not None and bench.board is not None:
        bench.board.setup(trial.pin, pin_setup)
    before_v = bench.voltage()
    reads_before = read_pin(bench, trial.pin)
    notes = high_before_press(bench, before_v, settings, rail_v)
    return Start(rail_v, press_voltage(rail_v, settings), before_v, reads_before, tuple(notes))


@contextmanager
def pressing(bench: Bench, trial: Trial, settings: PressSettings, start: Start) -> Iterator[Held]:
    """The pin is pressed and has been looked at; it is let go at the end of the block at the latest.

    Raises NotReachedError where the node did not come near the press level.
    """
    with bench.pressed(trial.pin, settings.path, start.level_v, settings.hold_s):
        bench.clock.wait(settings.hold_s)
        yield Held(level_while_held(bench, trial, settings, start.rail_v), read_pin(bench, trial.pin))


def observed(
    bench: Bench,
    trial: Trial,
    settings: PressSettings,
    start: Start,
    held: Held,
    looks: Looks,
    rest_v: float | None,
    *,
    released_after_s: float | None = None,
    notes: Sequence[str] = (),
) -> Observation:
    """Everything seen. `rest_v`: the node at rest after the release, with nothing but the bench's load on it."""
    level = held.level
    holder = who_holds(bench, rest_v, level.hold_v, settings, start.rail_v)
    contact = prove_contact(
        level,
        trial.resistor,
        settings,
        reads_before=start.reads_before,
        reads_held=held.reads,
        rest_v=rest_v if holder in ("", "pin") else None,
    )
    return Observation(
        trace=looks.trace(),
        outcome="no contact" if contact == "disproven" else "measured",
        rail_v=start.rail_v,
        before_v=start.before_v,
        hold_v=level.hold_v,
        press_v=level.press_v,
        press_ohm=level.press_ohm,
        press_u_ohm=level.press_u_ohm,
        press_current_a=level.source_a,
        released_after_s=released_after_s,
        reads_before=start.reads_before,
        reads_held=held.reads,
        contact=contact,
        holder=holder,
        notes=(*start.notes, *notes),
        probes=tuple(looks.probes),
    )
