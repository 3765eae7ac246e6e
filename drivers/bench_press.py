"""The bench's press, as procedures use it: press, force, release and log a pin, and hold its neighbours."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from drivers.bench_parts import BenchParts
from drivers.board_power import check_level
from drivers.errors import BenchError, LimitError
from drivers.meter import Readings
from drivers.press import PressPath
from drivers.undo import undoing


class BenchPress(BenchParts):
    """Presses are ended on the way out of their block, whatever happened inside, and so are holds."""

    @property
    def pins_held(self) -> tuple[str, ...]:
        """The pins that hold relays keep where pins are pressed to."""
        return self._holder.pins

    @contextmanager
    def held(self, pins: Sequence[str], level_v: float, *, with_press: bool = False) -> Iterator[None]:
        """Hold other pins at the rail, each by its own relay; let go on the way out, whatever happened inside.

        `level_v` is the rail. `with_press`: they are let go right before the next press is. Begins with no pin on the
        bus. A hold lasts no longer than the limit of the press time. Raises LimitError beyond a limit and WiringError
        where a pin has no hold relay: both before anything is sent.
        """
        self._state.require("hold")
        self._rail_for(f"hold of {', '.join(pins)}", "relay")
        self._holder.check(pins, self._at_least("relay", level_v))
        self._interlock.wear.keep()
        with self._state.moving("hold"):
            self._holder.close(pins, with_press=with_press)
        with undoing(self._end_hold):
            yield

    def _rail_for(self, what: str, path: PressPath) -> float | None:
        """The rail as just measured, for something that is about to be energised; None where nobody can know it: a
        person presses, or something is on the bus that a person would have to take off.

        Raises LimitError where the board is not powered, or the rail must be measured first. A relay leads to the rail
        itself, above which it drives no pin; what a source may force follows the rail.
        """
        self._rail.check_powered(what, self._rail_v)
        if path == "hand":
            return None
        rail_v = self._rail_v
        if self._bus.rail_is_measurable:
            if rail_v is None:
                raise LimitError(f"{what}: the rail has not been measured since it was set: measure it first")
            age_s = self.clock.now() - self._rail_at_s
            if age_s > self.limits.rail_age_s:
                raise LimitError(
                    f"{what}: the rail was measured {age_s:.3g} s ago, and limits.rail_age is "
                    f"{self.limits.rail_age_s:.3g} s: measure it first"
                )
        else:
            rail_v = self._rail.measured_by_supply()
        if rail_v is not None:
            self._rail.check_measured(what, rail_v)
        return rail_v

    def _at_least(self, path: PressPath, level_v: float) -> float:
        """The level behind a relay is not below what the rail is known to be, whatever a procedure says of it."""
        known_v = (self._rail_v, self._rail.set_v) if path == "relay" and self.wiring.press_to == "rail" else ()
        return max([level_v, *(volts for volts in known_v if volts is not None)])

    def _end_hold(self) -> None:
        with self._state.moving("release", whatever=True):
            self._holder.open()

    def pace(self) -> None:
        """Wait until one more press keeps within `limits.presses_per_minute`, as a press does itself: before the rail
        is measured and the node made ready, neither of which would be fresh any more. Raises StopRequestedError."""
        self._presser.pace()

    @contextmanager
    def pressed(self, pin: str, path: PressPath, level_v: float, hold_s: float = 0.0) -> Iterator[None]:
        """Press the selected pin; let go on the way out, whatever happened inside.

        `level_v` is the level behind the press resistor: the rail for a relay, what the source forces for a source.
        `hold_s` is how long it is meant to last. Raises LimitError beyond a limit and WiringError where the bench
        cannot do it, a source without a relay in series included: both before anything is sent. Where presses would
        come faster than the limit of presses a minute, it waits.

        The rail must just have been measured, where that can be done: LimitError, too, where it was not, where the
        board is not powered by it, and where a source would go beyond it by more than `limits.above_rail`.
        """
        self._state.require("press")
        if pin != self._bus.pin:
            raise BenchError(f"press of {pin}: the pin on the bus is {self._bus.pin}")
        if pin in self._holder.pins:
            raise BenchError(f"press of {pin}: its hold relay keeps it at the rail, so that it could not be released")
        what = f"press of {pin} by {path}"
        self._presser.check(pin, path, self._at_least(path, level_v), hold_s)
        self._presser.pace()
        rail_v = self._rail_for(what, path)
        if path == "source":
            check_level(what, self.limits, level_v, rail_v)
        self._interlock.wear.keep()
        with self._state.moving("press"):
            self._path, self._level_v = path, level_v
            self._presser.make(pin, path, level_v, hold_s, rail_v)
        with undoing(self._end_press):
            yield

    def _end_press(self) -> None:
        with self._state.moving("release", whatever=True):
            self._presser.end()

    def force(self, level_v: float) -> None:
        """Force the pin, which the source presses, to another level, without letting go in between.

        `limits.press_time` counts from here anew, and so does the lease. Raises LimitError beyond a limit and
        BenchError where it is not the source that presses: nothing is sent then, and the pin stays at the level
        before.
        """
        self._state.require("force")
        self._presser.check_force(level_v)
        with self._state.moving("force"):
            self._presser.force(level_v)
            self._level_v = level_v

    def release(self) -> float:
        """Let go now, inside `pressed`: a contact opens. Returns the bench's clock at the command.

        A second call sends nothing and returns the same. Raises BenchError outside of `pressed`.
        """
        with self._state.moving("release", whatever=True):
            # Those held with it first: at the edge of the tested pin nothing is pressed any more.
            try:
                self._holder.open_with_press()
            finally:
                let_go_s = self._presser.open()
            return let_go_s

    def press_level(self) -> tuple[float | None, float | None, float | None]:
        """Of the last press: open-circuit volts behind the press resistor, its ohms, their standard uncertainty.

        None where not known: the rail where it was not measured, everything of a press by hand.
        """
        if self._path == "source":
            return self._level_v, self.wiring.source_ohm, self.wiring.source_u_ohm
        if self._path == "relay":
            behind_v = self._rail_v if self.wiring.press_to == "rail" else 0.0
            return behind_v, self.wiring.press_ohm, self.wiring.press_u_ohm
        return None, None, None

    def start_log(self, interval_s: float, samples: int, aperture_s: float | None = None) -> float:
        """Start the meter's log; returns the sample interval in seconds as the meter read it back.

        `aperture_s` None: half the interval.
        """
        self._presser.check_time()
        self._holder.check_time()
        with self._state.moving("start log"):
            return self.meter.start_log(interval_s, samples, aperture_s)

    def read_log(self) -> Readings:
        """The log, once it is complete; may be read again until the next one."""
        with self._state.moving("read log"):
            return self.meter.read_log()
