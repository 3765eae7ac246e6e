"""With no pin on the bus, welded and dead relays, a wrong resistor and a rail that is off show before they mislead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.errors import WiringError
from drivers.ways_to_rail import BusLook
from drivers.wiring import Channel, Wiring
from harness.run import RunResult
from procedures.bus_check import judge_bus
from procedures.settings import PressSettings
from results.record.trial import Resistor
from tests.harness.whole_bench import (
    LATCHES,
    OPEN_NEEDLE,
    SOUND,
    bench_text,
    board_text,
    plan_text,
    run_plan,
    simulated,
)
from tests.procedures.test_contact import settings

WIRING = Wiring(
    press=Channel("relay_board", "1"), press_ohm=1e3, rail=Channel("relay_board", "3"), rail_ohm=1e4
)  # fmt: skip
RESISTORS = {name: Resistor(name, ohm, 0.01) for name, ohm in (("none", None), ("47 kΩ", 47e3), ("1 MΩ", 1e6))}
METER_OHM = 10e6


def asked(**changes: object) -> PressSettings:
    return replace(settings(), resistors=RESISTORS, **changes)  # type: ignore[arg-type]


def divided(ohm: float, loads_ohm: tuple[float, ...] = (), rail_v: float = 3.3) -> float:
    """The bus behind `ohm` with these loads and the meter to ground: a divider, by Kirchhoff's current law."""
    return rail_v / (1.0 + ohm * (1.0 / METER_OHM + sum(1.0 / load for load in loads_ohm)))


def look(
    *loads_ohm: float, rail_v: float = 3.3, alone_v: float = 0.0, fitted: Mapping[str, float] | None = None
) -> BusLook:
    return BusLook(
        rail_v=divided(1e4, loads_ohm, rail_v),
        press_v=divided(1e3, loads_ohm, rail_v),
        alone_v=alone_v,
        fitted_v={name: divided(1e4, (*loads_ohm, ohm), rail_v) for name, ohm in (fitted or {}).items()},
    )


def test_a_bus_in_order_passes() -> None:
    judge_bus(look(fitted={"47 kΩ": 47.4e3, "1 MΩ": 0.99e6}), WIRING, asked())
    judge_bus(BusLook(None, None, None, {}), Wiring(), asked())


@pytest.mark.parametrize(("ohm", "told"), [(1e3, "1 kΩ"), (8.2e3, "8.2 kΩ"), (60e3, "60 kΩ"), (1e6, "1 MΩ")])
def test_whatever_loads_the_empty_bus_is_found_and_its_size_said(ohm: float, told: str) -> None:
    with pytest.raises(WiringError, match=f"something is on the bus that should not be, about {told} to ground"):
        judge_bus(look(ohm), WIRING, asked())


def test_a_bus_that_stands_high_with_every_relay_open_is_refused() -> None:
    with pytest.raises(
        WiringError, match=r"with every relay open the bus stands at 2\.031 V, must be within 0\.33 V of 0 V"
    ):
        judge_bus(look(alone_v=2.031), WIRING, asked())
    with pytest.raises(WiringError, match=r"stands at -0\.400 V"):
        judge_bus(look(alone_v=-0.4), WIRING, asked())


@pytest.mark.parametrize(("rail_v", "read"), [(2.64, "2.640"), (3.96, "3.960"), (-3.3, "-3.300")])
def test_a_rail_beyond_its_tolerance_is_refused(rail_v: float, read: str) -> None:
    """-3.3 V: the leads of the meter are exchanged, and every pin would seem to fall to 0 V."""
    with pytest.raises(
        WiringError, match=rf"rail: reads {read} V, must be within 5 % of 3\.3 V \(plan: rail\.tolerance\)"
    ):
        judge_bus(look(rail_v=rail_v), WIRING, asked())


def test_a_relay_that_never_closes_is_named() -> None:
    dead_press = replace(look(), press_v=0.0002)
    with pytest.raises(WiringError, match="the press relay does not close"):
        judge_bus(dead_press, WIRING, asked())
    with pytest.raises(WiringError, match="the rail relay does not close"):
        judge_bus(replace(look(), rail_v=-0.0001), WIRING, asked())


def test_a_trial_resistor_that_never_comes_or_is_another_one_is_refused() -> None:
    missing = replace(look(), fitted_v={"47 kΩ": divided(1e4)})
    with pytest.raises(
        WiringError, match=r"wiring\.fit\.47 kΩ: fitted with no pin on the bus it shows nothing, must be"
    ):
        judge_bus(missing, WIRING, asked())
    with pytest.raises(WiringError, match=r"wiring\.fit\.47 kΩ: .* it shows 39 kΩ, must be within 10 % of 47 kΩ"):
        judge_bus(look(fitted={"47 kΩ": 39e3}), WIRING, asked())
    # Through the press resistor of 1 kΩ alone, 47 kΩ takes 2 % off the rail: enough to see it.
    through_press = BusLook(None, divided(1e3), 0.0, {"47 kΩ": divided(1e3)})
    with pytest.raises(WiringError, match=r"wiring\.fit\.47 kΩ: .* it shows nothing"):
        judge_bus(through_press, replace(WIRING, rail=None, rail_ohm=None), asked())


def test_what_a_source_drives_into_the_empty_bus_is_the_meter_alone() -> None:
    empty = replace(look(), source=(3.3, 3.3 / METER_OHM))
    judge_bus(empty, WIRING, asked(source_accuracy_a=20e-9))
    loaded = BusLook(None, None, 0.0, {}, (3.3, 3.3 / METER_OHM + 55e-6))
    with pytest.raises(
        WiringError, match=r"the bus draws 55 µA at 3\.300 V from the source, must draw less than 1\.1 µA"
    ):
        judge_bus(loaded, Wiring(), asked(source_accuracy_a=20e-9))
    with pytest.raises(WiringError, match=r"the source reaches 0\.100 V only"):
        judge_bus(replace(loaded, source=(0.1, 1e-3)), Wiring(), asked())


def without(bench: str, wire: str) -> str:
    return "".join(line for line in bench.splitlines(keepends=True) if not line.startswith(f"{wire} ="))


def ended(tmp_path: Path, faults: str, *, path: str = "relay", without_wires: tuple[str, ...] = ()) -> RunResult:
    """A run on a bench with these faults, D1 sound (or, welded to the bus, hiding an open needle) and D2 latching."""
    pins = {"D1": SOUND, "D2": LATCHES, "D3": OPEN_NEEDLE}
    with simulated(tmp_path, board_text(pins, f"[faults]\n{faults}\n")) as resources:
        bench = bench_text(resources, tuple(pins), console=False)
        for wire in without_wires:
            bench = without(bench, wire)
        return run_plan(tmp_path, plan_text(("D3", "D1"), path=path, resistors='["none", "8.2 kΩ"]'), bench)


@pytest.mark.parametrize(
    ("faults", "path", "without_wires", "told"),
    [
        # Each gave a wrong verdict before: an open needle that had contact, a latch that an unseen resistor cleared.
        (
            'welded = ["select D1"]',
            "source",
            ("rail", "press"),
            "something is on the bus that should not be, about 60 kΩ",
        ),
        ('welded = ["select D2"]', "relay", ("rail",), "with every relay open the bus stands at 2.03"),
        ('welded = ["fit 8200"]', "relay", (), "something is on the bus that should not be, about 8.2 kΩ"),
        (
            'never_closes = ["fit 8200"]',
            "relay",
            (),
            "wiring.fit.8.2 kΩ: fitted with no pin on the bus it shows nothing",
        ),
    ],
)
def test_a_run_on_such_a_bench_ends_before_a_pin_is_pressed(
    faults: str, path: str, without_wires: tuple[str, ...], told: str, tmp_path: Path
) -> None:
    result = ended(tmp_path, faults, path=path, without_wires=without_wires)
    assert isinstance(result.error, WiringError)
    assert told in str(result.error)
    assert result.not_verified == ()
    assert result.folder is not None
    # The trial in hand stands in the journal as failed, with the reason; nothing was pressed, nor logged.
    assert [(seen.outcome, len(seen.trace)) for _, seen in result.folder.observations()] == [("failed", 0)]


TO_GROUND = replace(WIRING, press_to="ground", resistors_to="rail")


def above(fitted: Mapping[str, float] | None = None, *, rail_v: float = 3.3, press_closes: bool = True) -> BusLook:
    """A bus for pull-up inputs: press and rail relay together divide the rail; a resistor divides it with the press."""
    press_s = 1e-3 if press_closes else 0.0
    return BusLook(
        rail_v=divided(1e4, (), rail_v),
        press_v=rail_v * 1e-4 / (1e-4 + press_s + 1e-7),
        alone_v=0.0,
        fitted_v={name: rail_v / ohm / (1.0 / ohm + press_s + 1e-7) for name, ohm in (fitted or {}).items()},
    )


def mirrored(**changes: object) -> PressSettings:
    return asked(press_to="ground", v_il=1.3, v_ih=2.5, **changes)


def test_a_bus_wired_to_ground_that_is_in_order_passes() -> None:
    judge_bus(above({"47 kΩ": 47.4e3, "1 MΩ": 0.99e6}), TO_GROUND, mirrored())


@pytest.mark.parametrize(
    ("look_at", "said"),
    [
        (above(press_closes=False), "the press relay does not close"),
        (above(rail_v=0.3), "rail: reads 0.300 V, must be within 5 % of 3.3 V .*: the press relay is welded"),
        (above({"47 kΩ": 10e3}), "wiring.fit.47 kΩ: fitted with no pin on the bus it shows 10 kΩ"),
        (replace(above(), alone_v=3.2), "with every relay open the bus stands at 3.200 V"),
    ],
)
def test_what_is_wrong_on_a_bus_wired_to_ground(look_at: BusLook, said: str) -> None:
    with pytest.raises(WiringError, match=said):
        judge_bus(look_at, TO_GROUND, mirrored())
