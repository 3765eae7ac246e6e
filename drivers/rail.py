"""The rail of the board under test: set and switched by a supply, or set by a person, or simply there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import Literal

from drivers.board_power import FED_V, check_powered
from drivers.errors import BenchError, LimitError, WiringError
from drivers.limits import Limits
from drivers.operator import Operator
from drivers.supply import Supply

AtEnd = Literal["off", "on"]
"""What becomes of the supply once all is safe: off, or left on at the nominal voltage."""


class Rail:
    """Constructing does no I/O.

    `nominal_v`: the plan's rail, at which a supply is switched on; None leaves it as it stands. `highest_v`: what the
    board bears; None: limits.voltage alone counts. `limit_a`: the supply's current limit.
    """

    def __init__(
        self,
        limits: Limits,
        *,
        supply: Supply | None = None,
        operator: Operator | None = None,
        nominal_v: float | None = None,
        highest_v: float | None = None,
        limit_a: float = 0.1,
        at_end: AtEnd = "off",
    ) -> None:
        self.supply = supply
        self.set_v: float | None = None
        """What the rail was set to last, in volt; None: nothing has, or its power was taken away since."""
        self._limits = limits
        self._operator = operator
        self._nominal_v = nominal_v
        self._highest_v = limits.voltage_v if highest_v is None else min(highest_v, limits.voltage_v)
        self._limit_a = limit_a
        self._at_end = at_end

    def prepare(self) -> None:
        """The supply at its limits and, where the rail is known, on at the nominal voltage. Nothing without one.

        Raises BenchError where it is off and nobody says at which rail to switch it on: the board could not answer.
        """
        if self.supply is None:
            return
        self.supply.prepare(self._highest_v, self._limit_a)
        if self._nominal_v is not None:
            self.supply.set_voltage(self._nominal_v)
            self.supply.output_on()
            self.set_v = self._nominal_v
        elif not self.supply.is_on:
            raise BenchError(
                f"supply {self.supply.instrument.resource}: is off, and no plan is given that says at which rail "
                "(rail.voltage) to switch it on"
            )

    def check(self, volts: float) -> None:
        """Raises LimitError beyond what the board bears, WiringError where nobody can set a rail; nothing is sent."""
        self._limits.check_voltage("rail", volts)
        if not 0.0 < volts <= self._highest_v:
            raise LimitError(f"rail: {volts:.4g} V is not within 0 V and supply.voltage_max of {self._highest_v:.4g} V")
        if self.supply is None and self._operator is None:
            raise WiringError("rail: this bench has no [supply], and nobody is here to set it")

    def set(self, volts: float) -> None:
        """Set the rail and return once it is there: through the supply, else by a person."""
        self.check(volts)
        self.set_v = None
        if self.supply is not None:
            self.supply.set_voltage(volts)
            self.supply.output_on()
        elif self._operator is not None:
            self._operator.set_rail(volts)
        self.set_v = volts

    def off(self) -> None:
        """Take the power from the board: by the supply, else by a person. Raises WiringError where nobody can."""
        self.set_v = None
        if self.supply is not None:
            self.supply.output_off()
        elif self._operator is not None:
            self._operator.do("Switch the power of the board off and wait until its capacitors are empty.")
        else:
            raise WiringError("rail: this bench has no [supply], and nobody is here to switch it off")

    @property
    def expected_v(self) -> float | None:
        """What the rail should be: as set last, else as the plan has it; None where nobody has said."""
        return self._nominal_v if self.set_v is None else self.set_v

    def check_powered(self, what: str, rail_v: float | None) -> None:
        """Raises LimitError where the supply is off, or says that it is: a press would power the board through its pin.

        `rail_v`: what was measured of the rail since, None: nothing; a rail that is there all the same is told of.
        """
        if self.supply is None or self.supply.still_on():
            return
        fed = "" if rail_v is None or rail_v < FED_V else f", though its rail reads {rail_v:.3f} V: {self.feeds()}"
        raise LimitError(f"{what}: the supply of the board is off{fed}; no pin of an unpowered board is pressed")

    def check_measured(self, what: str, rail_v: float) -> None:
        """Raises LimitError where the rail as measured is not what it should be: off, or fed by something else."""
        check_powered(what, self._limits, rail_v, self.expected_v, self.feeds())

    def feeds(self) -> str:
        """What may feed a rail that its supply does not: as far as it can be told from here."""
        told = ""
        if self.supply is not None:
            # For a message only: whatever is wrong with the supply, the press is refused all the same.
            with suppress(BenchError):
                measured = [f"{self.supply.voltage():.3f} V"] if self.supply.measures_voltage else []
                measured += [f"{self.supply.current() * 1e3:.3f} mA"] if self.supply.measures_current else []
                told = f"The supply measures {' and '.join(measured)}. " if measured else ""
        return (
            f"{told}A line that is high feeds a board through the clamp diode of its pin, to some tenths of a volt "
            "below itself: the console, a programmer, another cable"
        )

    def measured_by_supply(self) -> float | None:
        """The rail as the supply measures it at its terminals; None where none does."""
        return self.supply.voltage() if self.supply is not None and self.supply.measures_voltage else None

    @property
    def stays_on(self) -> bool:
        """Whether the supply is to stay on at the end."""
        return self._at_end == "on"

    @property
    def is_off(self) -> bool:
        """Whether a supply is known to be off."""
        return self.supply is not None and not self.supply.is_on

    def current(self) -> float | None:
        """Amperes that the board draws; None where no supply measures it."""
        if self.supply is None or not self.supply.measures_current:
            return None
        return self.supply.current()

    @property
    def switches_off(self) -> bool:
        """Whether its safe steps end with the supply off."""
        return self.supply is not None and self._at_end == "off"

    def safe_steps(self) -> Iterator[tuple[str, Callable[[], None]]]:
        """What becomes of the rail at the end, with what is not proven where it fails."""
        if self.supply is None:
            return
        if self._at_end == "off":
            yield "supply: output not proven off", self.supply.output_off
        elif self._nominal_v is not None and self.supply.is_on:
            yield "supply: not proven at its nominal voltage", partial(self.supply.put_back, self._nominal_v)
