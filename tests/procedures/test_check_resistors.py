"""Resistors measured in place, against circuits whose values are known: Ohm's and Kirchhoff's laws."""

from __future__ import annotations

import pytest

from procedures.check_resistors import (
    Point,
    dividers_agree,
    ground_conductance,
    judge_contact,
    judge_resistor,
    judge_source_path,
    mean_of,
    measured_by_dividers,
    rail_conductance,
    ratio,
)
from procedures.check_settings import CheckSettings
from results.analysis.findings import Value
from results.record.run_record import Fixture, MeterModel, SourceModel
from results.record.trial import Resistor
from tests.procedures.test_contact import settings

METER_OHM = 10e6
RESISTORS = {
    "press": Resistor("press", 1e3, 0.01),
    "rail": Resistor("rail", 10e3, 0.01),
    "fit.8.2 kΩ": Resistor("fit.8.2 kΩ", 8.2e3, 0.01),
    "fit.47 kΩ": Resistor("fit.47 kΩ", 47e3, 0.001),
}
ASKED = CheckSettings(
    press=settings(),
    rail_stated=True,
    resistors=RESISTORS,
    meter=MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3, input_ohm=METER_OHM),
    fixture=Fixture(),
    source=SourceModel(5e-4, 20e-9),
    memory=None,
    noise_v=1e-3,
    current_a=1e-3,
    voltage_v=5.5,
    press_time_s=10.0,
)


def point(bus_v: float, ampere: float, terminal_v: float = 0.0) -> Point:
    return Point(Value(bus_v, 0.0), Value(ampere, 0.0), terminal_v)


def behind(ohm: float, *loads_ohm: float, rail_v: float = 3.305) -> Value:
    """The bus behind a resistor to the rail, the meter and these loads to ground."""
    return Value(rail_v / (1.0 + ohm * (1.0 / METER_OHM + sum(1.0 / load for load in loads_ohm))), 1e-6)


def test_a_resistor_to_ground_is_what_the_current_rises_by_whatever_hangs_on_the_bus() -> None:
    volts, offset_a = 3.3, 15e-9
    bare = point(volts, volts / METER_OHM + offset_a)
    loaded = point(volts, volts / METER_OHM + volts / 8170.0 + offset_a)
    found = ground_conductance(bare, loaded, ASKED)
    assert isinstance(found, Value)
    assert 1.0 / found.value == pytest.approx(8170.0, rel=1e-9)
    # Limits as rectangular halves: 0.05 % of the current, 20 nA, 0.01 % of the volts, 0.5 mV.
    limits = [5e-4, 20e-9 / (volts / 8170.0), 1e-4, 0.5e-3 / volts]
    assert found.u / found.value == pytest.approx((sum(one**2 for one in limits) / 3.0) ** 0.5, rel=1e-6)


def test_a_resistor_to_the_rail_is_a_slope_in_which_the_rail_drops_out() -> None:
    def into_bus(volts: float, rail_v: float, ohm: float | None) -> Point:
        return point(volts, volts / METER_OHM + (0.0 if ohm is None else (volts - rail_v) / ohm))

    for rail_v in (3.1, 3.5):
        bare = (into_bus(3.3, rail_v, None), into_bus(2.6, rail_v, None))
        joined = (into_bus(3.3, rail_v, 997.0), into_bus(2.6, rail_v, 997.0))
        found = rail_conductance(bare, joined, ASKED)
        assert isinstance(found, Value)
        assert 1.0 / found.value == pytest.approx(997.0, rel=1e-9)
        assert found.u / found.value == pytest.approx(5.1e-4, rel=0.05)


def test_a_wrong_resistor_fails_by_name_and_one_that_is_not_there_says_so() -> None:
    wrong, ohm = judge_resistor("fit.8.2 kΩ", RESISTORS["fit.8.2 kΩ"], Value(1 / 6800.0, 1e-8))
    assert (wrong.name, wrong.verdict) == ("resistor 8.2 kΩ", "fail")
    assert ohm is not None
    assert ohm.value == pytest.approx(6800.0)
    absent, nothing = judge_resistor("fit.8.2 kΩ", RESISTORS["fit.8.2 kΩ"], Value(1e-10, 5e-9))
    assert absent.verdict == "fail"
    assert nothing is None
    assert absent.note == "shows nothing: its relay does not close, or it is not there"
    assert judge_resistor("press", RESISTORS["press"], "no rail")[0].note == "no rail"


def test_a_divider_is_a_ratio_of_conductances_the_load_of_the_meter_beside_the_way() -> None:
    seen = ratio(behind(10e3), behind(10e3, 8.2e3), ASKED)
    assert seen.value == pytest.approx((1 / 8.2e3) / (1 / 10e3 + 1 / METER_OHM), rel=1e-9)


def test_values_by_the_source_that_the_dividers_contradict_fail_with_e_n_above_one() -> None:
    """E_n = |difference|/√(U₁² + U₂²) (ISO/IEC 17043:2010, B.4, from memory)."""
    read = {"rail": {"": behind(10e3), "fit.8.2 kΩ": behind(10e3, 8.2e3)}}
    good = {"rail": Value(10e3, 3.0), "fit.8.2 kΩ": Value(8.2e3, 2.0)}
    [agree] = dividers_agree(read, good, 1.0 / METER_OHM, ASKED)
    assert agree.verdict == "pass"
    assert agree.value is not None
    assert agree.value < 0.05
    [differ] = dividers_agree(read, {**good, "fit.8.2 kΩ": Value(8.3e3, 2.0)}, 1.0 / METER_OHM, ASKED)
    assert differ.verdict == "fail"
    assert differ.note == "largest E_n: rail with 8.2 kΩ"


def test_without_a_source_the_best_known_resistor_is_the_measure_of_all_others() -> None:
    true = {"press": 1.004e3, "rail": 9.96e3, "fit.8.2 kΩ": 8.25e3, "fit.47 kΩ": 47e3}
    read = {
        way: {"": behind(true[way]), **{fit: behind(true[way], true[fit]) for fit in true if fit.startswith("fit")}}
        for way in ("press", "rail")
    }
    items, found = measured_by_dividers(read, 1.0 / METER_OHM, ASKED)
    assert {wire: round(value.value / true[wire], 4) for wire, value in found.items()} == {
        "press": 1.0,
        "rail": 1.0,
        "fit.8.2 kΩ": 1.0,
    }
    assert all(abs(found[wire].value - true[wire]) <= 2.0 * found[wire].u for wire in found)
    # 0.1 % of the measure (rectangular) is in every other value.
    assert all(found[wire].u >= 0.99 * 1e-3 / 3**0.5 * true[wire] for wire in found)
    assert {item.name: item.verdict for item in items}["resistor 47 kΩ"] == "not determined"


def test_a_bad_contact_in_the_way_of_the_source_shows_in_its_drop() -> None:
    series = Resistor("source", 100.0, 0.01)
    bare, amperes = point(3.3, 0.3e-6, 3.3 + 2e-3), 0.7e-3
    for ohm, verdict in ((100.2, "pass"), (103.5, "fail"), (90.0, "fail")):
        loaded = point(3.23, amperes, 3.23 + ohm * (amperes - 0.3e-6) + 2e-3)
        item = judge_source_path(bare, loaded, series)
        assert item.value == pytest.approx(ohm, rel=1e-6)
        assert item.verdict == verdict


def test_a_contact_that_differs_from_closing_to_closing_fails() -> None:
    steady = [point(3.3, 3.3 / 4700.1), point(3.3, 3.3 / 4700.0)]
    assert judge_contact(steady).verdict == "pass"
    assert judge_contact([*steady, point(3.3, 3.3 / 4705.0)]).verdict == "fail"


def test_a_mean_carries_the_scatter_of_its_readings() -> None:
    """JCGM 101:2008, 6.4.9.4: u = √((n − 1)/(n − 3)) s/√n."""
    found = mean_of([1.0, 2.0, 3.0, 4.0])
    assert found.value == 2.5
    assert found.u == pytest.approx(3.0**0.5 * (5.0 / 3.0) ** 0.5 / 2.0)
