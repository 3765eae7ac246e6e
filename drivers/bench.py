"""The opened bench: what a procedure works with. Limits and states are inside; every wait goes through its clock.

The bench is one common wire, the bus, with the meter on it. Relays join it to one pin (select), to the rail through the
press resistor (press), to ground (discharge, and fit: the trial resistors), and to a source through a relay in series.
Here it is made ready and made safe; what is done with it stands beside: bench_bus.py, bench_rail.py, bench_press.py.
"""

from __future__ import annotations

from drivers.bench_bus import BenchBus
from drivers.bench_press import BenchPress
from drivers.bench_rail import BenchRail
from drivers.errors import InstrumentError
from drivers.making_safe import MAKE_SAFE_S, awake, safe_steps


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
        (resource, identity).
        """
        with self._state.moving("prepare"):
            for role, instrument in self._instruments().items():
                awake(instrument)
                if role != "board":
                    self.identities[role] = (instrument.resource, instrument.identify(self._expected.get(role, "")))
            for device in self._relays.devices.values():
                device.reset()
            if self.source is not None:
                self.source.instrument.reset()
                self.source.prepare(self.limits.voltage_v, self.limits.current_a)
            if self.chamber is not None:
                self.chamber.prepare(*self._chamber_limits_c)
            self._rail.prepare()
            if self.board is not None:
                told = self.board.identify(self._expected.get("board", ""))
                self.identities["board"] = (self.board.instrument.resource, told)
            self.meter.instrument.reset()
            self.meter.configure(self._meter_range_v, 1.0 / self._line_hz, self.meter_input_ohm, self._line_hz)
            self.clock.settle(self._settle_s)
            self._all_opened()

    def make_safe(self) -> list[str]:
        """Open every relay, then the source off, then the supply as planned: each is tried whatever failed before.

        Never raises.
        Returns what could not be verified, a line each; the bench is safe where the list is empty, else in fault.
        """
        unverified: list[str] = []
        self._presser.cover_safe_steps(MAKE_SAFE_S)
        self._holder.cover(MAKE_SAFE_S)
        for what, step in safe_steps(
            wiring=self.wiring,
            relays=self._relays,
            source=self.source,
            rail=self._rail,
            chamber=self.chamber,
            press=self._presser.press,
            operator=self.operator,
        ):
            try:
                step()
            except Exception as exc:  # noqa: BLE001 - whatever it is, the next step must still be tried
                unverified.append(f"{what}: {exc}")
        if not unverified:
            try:
                self._all_opened()
            except Exception as exc:  # noqa: BLE001 - the lease is handed in, so anything may come out of it
                unverified.append(f"lease: not given back: {exc}")
        self._state.made_safe(proven=not unverified)
        return unverified

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
