"""bench.toml -> an unopened bench: instruments, wiring, limits. Nothing here opens or sends anything."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from drivers.limits import Limits
from drivers.wiring import Channel, Wiring
from harness.bench_rules import bench_faults, rectangular_u_ohm
from harness.bench_tables import BenchTables, WireTable, WiringTable
from harness.errors import UserFileError, shown
from harness.user_file import read_tables, read_text, read_toml, refuse_faults
from harness.values import AddedCapacitor, TrialResistor, Wire
from results.quantity import parse
from results.record.coupon import RELEASED, STUCK, Coupons, ReleasedCoupon, StuckCoupon

SAFE_LIBRARIES = ("@py", "@ivi")
"""pyvisa-py, and the VISA that is installed on the system: neither is named by a path."""


@dataclass(frozen=True, kw_only=True)
class BenchFile(BenchTables):
    """An unopened bench whose file keeps all its rules.

    `path` as given, `text` as read, `raw` the values as written. `libraries`: VISA libraries that the command line
    allows beside SAFE_LIBRARIES. The keys of `wiring.fit` and `wiring.add` are
    the one names of resistors and capacitors.
    """

    path: str
    text: str
    raw: dict[str, Any]
    libraries: tuple[str, ...] = ()

    def visa_library(self) -> str:
        """The VISA library as pyvisa is told it. Raises UserFileError for one that nobody has allowed.

        A library is code, carried out with all rights of the user: like a procedure file it is loaded only where the
        command line, not the file alone, allows it.
        """
        if self.bench.visa not in (*SAFE_LIBRARIES, *self.libraries):
            rule = "a VISA library is code: allow it on the command line, with --visa-library and the same words"
            raise UserFileError(self.path, "bench.visa", rule, shown(self.bench.visa))
        return self.bench.visa

    def driver_limits(self) -> Limits:
        """The limits as the drivers check them."""
        lives = {str(Wire().read(written)): life for written, life in self.limits.contact_lives.items()}
        return Limits(**{**vars(self.limits), "contact_lives": lives})

    def driver_wiring(self) -> Wiring:
        """The wiring as the drivers use it: channels, and resistances with their standard uncertainties in ohm."""
        wiring = self.wiring
        press, press_ohm, press_u_ohm = _relay(wiring.press)
        discharge, discharge_ohm, _ = _relay(wiring.discharge)
        rail, rail_ohm, _ = _relay(wiring.rail)
        source, source_ohm, source_u_ohm = _relay(wiring.source)
        return Wiring(
            select={**wiring.select, **self._coupon_channels()},
            press=press,
            press_ohm=press_ohm,
            press_u_ohm=press_u_ohm,
            discharge=discharge,
            discharge_ohm=discharge_ohm,
            rail=rail,
            rail_ohm=rail_ohm,
            source=source,
            source_ohm=source_ohm or 0.0,
            source_u_ohm=source_u_ohm or 0.0,
            press_to=wiring.press_to,
            resistors_to=wiring.resistors_to,
            hold={pin: wire.channel for pin, wire in wiring.hold.items()},
            hold_ohm={pin: wire.measured_ohm or wire.resistor_ohm for pin, wire in wiring.hold.items()},
            add={name: added.channel for name, added in wiring.add.items()},
            add_f={name: added.measured_f or parse(name, "F") for name, added in wiring.add.items()},
            fit={name: fit.channel for name, fit in wiring.fit.items() if fit.channel is not None},
        )

    def record_coupons(self) -> Coupons:
        """The check coupons as a run's record knows them."""
        released, stuck = self.coupons.released, self.coupons.stuck
        return Coupons(
            None
            if released is None
            else ReleasedCoupon(
                released.resistor_ohm, released.tolerance, released.capacitor_f, released.capacitor_tolerance
            ),
            None if stuck is None else StuckCoupon(stuck.safe_low_ohm, stuck.safe_high_ohm),
        )

    def _coupon_channels(self) -> dict[str, Channel]:
        """A coupon is selected like a pin, under the name by which trials know it."""
        named = {RELEASED: self.coupons.released, STUCK: self.coupons.stuck}
        return {name: coupon.channel for name, coupon in named.items() if coupon is not None}

    def calibration_notes(self, today: date) -> tuple[str, ...]:
        """One line for each instrument whose calibration is overdue; a note, because the measuring goes on."""
        return tuple(
            f"{role}: calibration was due on {table.calibration_due.isoformat()}"
            for role, table in self.instruments().items()
            if table.calibration_due is not None and table.calibration_due < today
        )


def _relay(wire: WireTable | None) -> tuple[Channel | None, float | None, float | None]:
    """A wire's channel, resistance and its standard uncertainty in ohm: as measured where it was."""
    if wire is None:
        return None, None, None
    if wire.measured_ohm is not None:
        return wire.channel, wire.measured_ohm, wire.measured_u_ohm
    return wire.channel, wire.resistor_ohm, rectangular_u_ohm(wire.resistor_ohm, wire.tolerance)


def read_bench(path: Path | str) -> BenchFile:
    """Read and check a bench file. Raises UserFileError with every problem, one line each, in the order of the file."""
    return bench_from_text(read_text(path), path)


def bench_from_text(text: str, path: Path | str = "bench.toml") -> BenchFile:
    """The same from the text of a bench file; `path` is what messages call it."""
    raw = read_toml(path, text)
    tables = read_tables(path, raw, BenchTables)
    refuse_faults(path, raw, bench_faults(tables))
    one_name = TrialResistor()
    fit = {one_name.read(written): fit for written, fit in tables.wiring.fit.items()}
    added = {AddedCapacitor().read(written): table for written, table in tables.wiring.add.items()}
    wiring = WiringTable(**{**vars(tables.wiring), "fit": fit, "add": added})
    return BenchFile(**{**vars(tables), "wiring": wiring}, path=str(path), text=text, raw=raw)


__all__ = ["BenchFile", "bench_from_text", "read_bench"]
