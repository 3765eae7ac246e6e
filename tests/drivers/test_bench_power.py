"""No pin is pressed but by a rail that was just measured, nor into a board that is off or fed by something else."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.bench import Bench
from drivers.errors import LimitError
from drivers.limits import Limits
from drivers.press import PressPath
from drivers.rail import Rail
from drivers.wiring import Channel, Wiring
from tests.drivers.scripted import Rig
from tests.drivers.test_hold import wired
from tests.drivers.test_supply import Scripted

FED = r"fed through another line\? A line that is high feeds a board"


def _bench(rig: Rig, limits: Limits | None = None, rail: Rail | None = None) -> Bench:
    bench = rig.bench(wired(), limits, rail=rail)
    rig.prepare(bench)
    bench.select("D1")
    rig.sent.clear()
    return bench


def _refused(rig: Rig, bench: Bench, text: str, path: PressPath = "relay", level_v: float = 3.3) -> None:
    with pytest.raises(LimitError, match=text), bench.pressed("D1", path, level_v):
        raise AssertionError("pressed")
    assert rig.sent == []
    assert bench.state in ("selected", "released")


@pytest.mark.parametrize("path", ["relay", "source"])
def test_a_press_needs_a_rail_that_was_measured_since_it_was_set(path: PressPath) -> None:
    rig = Rig()
    bench = rig.bench(wired(), with_operator=True)
    rig.prepare(bench)
    bench.set_rail(3.3)
    bench.select("D1")
    rig.sent.clear()
    _refused(rig, bench, f"press of D1 by {path}: the rail has not been measured since it was set", path)


def test_a_rail_measured_too_long_ago_is_measured_anew() -> None:
    rig = Rig()
    bench = _bench(rig)
    bench.clock.wait(61.0)
    _refused(rig, bench, r"the rail was measured 61 s ago, and limits.rail_age is 60 s: measure it first")
    rig.volts = lambda _: 3.3
    bench.rail_voltage()
    with bench.pressed("D1", "relay", 3.3):
        pass


@pytest.mark.parametrize(("rail_v", "text"), [(0.01, "the board is not powered: its rail reads 0.01"), (2.7, FED)])
def test_a_rail_below_what_it_was_set_to_is_no_power(rail_v: float, text: str) -> None:
    rig = Rig()
    bench = rig.bench(wired(), rail=Rail(Limits(), nominal_v=3.3))
    rig.prepare(bench, rail_v)
    rig.sent.clear()
    with pytest.raises(LimitError, match=text), bench.held(["D2"], 3.3):
        raise AssertionError("held")
    assert rig.sent == []
    bench.select("D1")
    rig.sent.clear()
    _refused(rig, bench, text)


@pytest.mark.parametrize(
    ("level_v", "text"),
    [
        (3.61, r"3.61 V is above the rail of 3.3 V as just measured by more than limits.above_rail of 0.3 V"),
        (-0.31, r"-0.31 V is below 0 V by more than limits.above_rail of 0.3 V"),
        (float("nan"), "nan V is beyond limits.voltage"),
    ],
)
def test_a_source_goes_no_further_than_the_rail_allows(level_v: float, text: str) -> None:
    rig = Rig()
    _refused(rig, _bench(rig), text, "source", level_v)


def test_nor_does_it_while_it_presses() -> None:
    rig = Rig()
    bench = _bench(rig)
    with bench.pressed("D1", "source", 3.3):
        bench.force(3.6)
        rig.sent.clear()
        with pytest.raises(LimitError, match=r"force of D1: 3.61 V is above the rail of 3.3 V as just measured"):
            bench.force(3.61)
        assert rig.sent == []


def test_a_source_on_a_bench_that_cannot_measure_the_rail_forces_next_to_nothing() -> None:
    rig = Rig()
    wiring = Wiring(select={"D1": Channel("switch", "101")}, source=Channel("switch", "204"))
    bench = rig.bench(wiring)
    bench.prepare()
    bench.select("D1")
    rig.sent.clear()
    _refused(rig, bench, r"3.3 V may be above the rail, which this bench cannot measure", "source")
    with bench.pressed("D1", "source", 0.3):
        pass


def _supplied(scripted: Scripted, change: Callable[[Scripted], None]) -> tuple[Rig, Bench]:
    """A bench whose supply is on at 3.3 V, and then something happens to it."""
    rig = Rig()
    bench = _bench(rig, rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.3, highest_v=3.7, limit_a=0.2))
    change(scripted)
    return rig, bench


def test_a_supply_that_somebody_has_switched_off_is_asked_before_every_press() -> None:
    """Its protection, its front panel, or a procedure that talked to it past the bench."""
    scripted = Scripted()
    rig, bench = _supplied(scripted, lambda supply: setattr(supply, "on", False))
    fed = r"the supply of the board is off, though its rail reads 3.300 V: The supply measures .* mA\. A line that is"
    _refused(rig, bench, fed)
    _refused(rig, bench, fed, "source", 0.0)


def test_a_supply_whose_lead_is_off_says_so_where_the_rail_is_fed_by_something_else() -> None:
    scripted = Scripted()
    rig, bench = _supplied(scripted, lambda _: None)
    bench.deselect()
    rig.volts = lambda _: 2.75
    bench.rail_voltage()
    bench.select("D1")
    rig.sent.clear()
    _refused(rig, bench, r"reads 2.753 V, .* another line\? The supply measures 3.300 V and 6.100 mA\.")


def test_past_what_a_person_has_fitted_the_supply_tells_the_rail() -> None:
    scripted = Scripted()
    rig = Rig()
    rail = Rail(Limits(), supply=scripted.supply(), nominal_v=3.3, highest_v=3.7, limit_a=0.2)
    bench = rig.bench(wired(), rail=rail, with_operator=True)
    bench.prepare()
    bench.fit("1 kΩ")
    bench.select("D1")
    with bench.pressed("D1", "source", 3.3):
        pass
    scripted.sags_to_v = 2.0
    rig.sent.clear()
    _refused(rig, bench, r"the board is not powered: its rail reads 2.000 V")


def test_where_a_person_presses_nothing_is_asked_of_the_rail() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(), with_operator=True)
    bench.prepare()
    bench.select("D1")
    with bench.pressed("D1", "hand", 3.3):
        pass
    assert rig.told[-2:] == ["Press pin D1 to the rail and keep it pressed.", "Let go of pin D1 now."]
