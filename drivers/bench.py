"""The opened bench: what a procedure works with. Limits and states are inside; every wait goes through its clock.

The bench is one common wire, the bus, with the meter on it. Relays join it to one pin (select), to the rail through the
press resistor (press), to ground (discharge, and fit: the trial resistors), and to a source through a relay in series.
Here it is made ready and made safe; what is done with it stands beside: bench_bus.py, bench_rail.py, bench_press.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from drivers.as_set import prove
from drivers.bench_bus import BenchBus
from drivers.bench_press import BenchPress
from drivers.bench_rail import BenchRail
from drivers.board import Board
from drivers.errors import InstrumentError, LinkError, LinkTimeoutError, NotAsSetError, OtherInstrumentError
from drivers.last_look import LastLook
from drivers.making_safe import MAKE_SAFE_S, awake, carried_out, power_steps, relay_steps, source_steps


class Bench(BenchBus, BenchRail, BenchPress):
    """Everything handed in is opened already; constructing does no I/O. Starts unprepared; `prepare` comes first.

    Every method raises BenchError where the state does not allow it (nothing is sent then), and LinkError,
    InstrumentError or WiringError where the bench does not do as it is told: that is a fault, and then only `make_safe`
    and `prepare` lead on.
    """

    def prepare(self) -> None:
        """Identify everything, then reset and configure: all relays open, source off at high impedance, both verified.

        The board under test is identified and not reset: the first trial may want it as found. It is asked last, once
        its supply, where there is one, is on. A link that failed is reopened. Identities stand in `identities`: role to
        (resource, identity); a second call raises OtherInstrumentError where one is not what it was. At last every
        setting is read back, as by `prove_as_set`.
        """
        with self._state.moving("prepare"):
            for role, instrument in self._instruments().items():
                awake(instrument)
                if role != "board":
                    self._identified(role, instrument.resource, instrument.identify(self._expected.get(role, "")))
            for device in self._relays.devices.values():
                device.reset()
            if self.source is not None:
                self.source.instrument.reset()
                self.source.prepare(self.limits.voltage_v, self.limits.current_a)
            if self.chamber is not None:
                self.chamber.prepare(*self._chamber_limits_c)
            self._rail.prepare()
            if self.board is not None:
                self._identified("board", self.board.instrument.resource, self._board_identity(self.board))
                self.board.forget()
            self.meter.instrument.reset()
            self.meter.configure(self._meter_range_v, 1.0 / self._line_hz, self.meter_input_ohm, self._line_hz)
            self.clock.settle(self._settle_s)
            self._all_opened()
            # What was read of the rail before, another rail may have been.
            self._rail_v = None
            for watchdog in self._watchdogs.values():
                watchdog.arm()
            self._prove_as_set()
            self._upkeep.begin()

    def prove_as_set(self) -> None:
        """Prove that no instrument has restarted since it was last looked at, and that each stands as it was told.

        What was measured between two of these proofs was measured with these settings. Raises NotAsSetError naming the
        setting, what it was told and what it is; LinkError where an instrument does not answer, or not to the question.
        """
        with self._state.moving("read"):
            self._prove_as_set()

    def _prove_as_set(self) -> None:
        """The meter comes last: the text on its display names the trial."""
        parts = (*self._relays.devices.values(), self.source, self._rail.supply, self.chamber, self.board, self.meter)
        for part in parts:
            if part is not None:
                part.prove_as_set()

    def _identified(self, role: str, resource: str, told: str) -> None:
        _, before = self.identities.get(role, (resource, told))
        if told != before:
            rule = f"another instrument than before, which answered {before!r}"
            raise OtherInstrumentError(rule, resource=resource, reply=told)
        self.identities[role] = (resource, told)

    def _board_identity(self, board: Board) -> str:
        """What the board says it is. One without power says nothing: then it is its supply that is at fault."""
        try:
            return board.identify(self._expected.get("board", ""))
        except LinkTimeoutError:
            if self._rail.supply is not None:
                self._rail.supply.prove_as_set()
            raise

    def make_safe(self) -> list[str]:
        """Open every relay, then the source off, then the supply as planned: each is tried whatever failed before.

        Never raises; `proof` then says what the bus told of the contacts themselves. Returns what could not be
        verified, a line each; the bench is safe where the list is empty, else in fault. Takes MAKE_SAFE_S at most.
        """
        self._upkeep.end()
        self._presser.cover_safe_steps(MAKE_SAFE_S)
        self._holder.cover(MAKE_SAFE_S)
        unverified = self._let_go_told()
        look = LastLook(
            meter=self.meter,
            clock=self.clock,
            settle_s=self._settle_s,
            meter_input_ohm=self.meter_input_ohm,
            bare=self._bus.is_switchable,
            press_to=self.wiring.press_to,
        )
        phases = (
            partial(relay_steps, self.wiring, self._relays),
            partial(source_steps, self.source, self._watchdogs.get("source")),
            partial(power_steps, self._rail, self.chamber, self._watchdogs.get("supply")),
        )
        unverified += carried_out(phases, look.take)
        self.proof = look.proof()
        opened = not any("relays not proven open" in line for line in unverified)
        power_is_off = self._rail.is_off and not any(line.startswith("supply:") for line in unverified)
        if driven := look.problem(opened=opened, power_is_off=power_is_off):
            unverified.append(driven)
        if not unverified:
            try:
                self._all_opened()
            except Exception as exc:  # noqa: BLE001 - the lease is handed in, so anything may come out of it
                unverified.append(f"lease: not given back: {exc}")
        self._state.made_safe(proven=not unverified)
        return unverified

    def _let_go_told(self) -> list[str]:
        """A person who presses is told to let go; what kept it from being told."""
        press = self._presser.press
        if press is None or press.path != "hand" or press.let_go_s is not None or self.operator is None:
            return []
        try:
            self.operator.let_go(press.pin)
        except Exception as exc:  # noqa: BLE001 - whatever it is, the relays must still be opened
            return [f"operator: not told to let go of {press.pin}: {exc}"]
        return []

    def found_restart(self) -> NotAsSetError | None:
        """The first instrument that has restarted since it was last asked, of those that can tell; in any state.

        What it had closed or forced is gone then, so that a reading since may look like a fault of the wiring.
        """
        for role, instrument in self._instruments().items():
            if role in ("relay_board", "board"):
                continue  # a line protocol has no event status
            try:
                prove(instrument, [])
            except NotAsSetError as exc:
                return exc
            except (LinkError, InstrumentError):
                continue
        return None

    def role_of(self, resource: str) -> str:
        """The role of the instrument at this address; empty where there is none."""
        return next((role for role, one in self._instruments().items() if one.resource == resource), "")

    def reopen(self, role: str) -> None:
        """Open a fresh link to this instrument. Raises LinkError; the link is then lost."""
        self._instruments()[role].link.reopen()

    def nothing_presses(self, unverified: Sequence[str]) -> bool:
        """Whether, of what `make_safe` could not verify, no device has a relay that leads to the rail or the source."""
        wires = (self.wiring.press, self.wiring.source, self.wiring.rail, *self.wiring.hold.values())
        pressing = {channel.device for channel in wires if channel is not None}
        return not any(line.partition(":")[0] in {*pressing, "operator", "lease", "bus"} for line in unverified)

    def cover(self, seconds: float) -> None:
        """Nothing presses, and not all is proven safe: nobody shall step in for so many real seconds, nor while all is
        made safe once more."""
        self._presser.cover_safe_steps(seconds + MAKE_SAFE_S)
        self._holder.cover(seconds + MAKE_SAFE_S)

    def error_queues(self) -> dict[str, tuple[str, ...]]:
        """What stands in the error queue of each SCPI instrument, by role; the queues are empty afterwards."""
        with self._state.moving("read"):
            found: dict[str, tuple[str, ...]] = {}
            for role, instrument in self._instruments().items():
                if role in ("relay_board", "board"):
                    continue  # they speak a line protocol: an error is the answer to the line that caused it
                try:
                    instrument.check_errors("")
                    found[role] = ()
                except InstrumentError as exc:
                    found[role] = tuple(f"{number} {text}" for number, text in exc.errors)
            return found
