"""The world repeats bit for bit, keeps its charges, and randomness follows from seed and display text alone."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.meter import Meter
from drivers.simulated.segment import Segment
from drivers.simulated.world import NoSuchNameError, World
from tests.drivers.simulated.by_hand import IDEAL, MID_LEVEL, PATHS, ask, board, press_and_release

PINS = f"""
[[pins]]
name = "D1"
node_capacitance_f = 30e-12
leak = {MID_LEVEL}
leak_probability = 0.5
[[pins]]
name = "D2"
node_capacitance_f = 1e-9
"""
NOISY = "[meter]\nnoise_v = 3e-4\nhum_v = 5e-4\nflicker_v = 1e-4\n" + PATHS + PINS
QUIET = PATHS + PINS.replace("leak_probability = 0.5\n", "")


def _bench(text: str, seed: int = 5) -> tuple[World, Meter]:
    world = World(board(text), seed)
    return world, Meter(world, "Invented Instruments,Meter,1,1")


def test_the_same_commands_at_the_same_times_give_the_same_bits() -> None:
    first = press_and_release(*_bench(NOISY), "D1 none 1")
    second = press_and_release(*_bench(NOISY), "D1 none 1")

    assert first.tobytes() == second.tobytes()


def test_who_looks_when_changes_no_bit() -> None:
    world, meter = _bench(NOISY)
    undisturbed = press_and_release(world, meter, "D1 none 1")

    world, meter = _bench(NOISY)
    whole, looked = world.move_to, 0

    def move_to(time_s: float) -> None:
        nonlocal looked
        for instant in np.linspace(world.now_s, time_s, 5)[1:]:
            whole(float(instant))
            world.bus_v()
            ask(meter, "TRAC:POIN:ACT?")
            looked += 1

    world.move_to = move_to  # type: ignore[method-assign]
    watched = press_and_release(world, meter, "D1 none 1")

    assert looked > 10
    assert watched.tobytes() == undisturbed.tobytes()


def test_a_trial_does_not_depend_on_the_trials_before_it() -> None:
    world, meter = _bench(NOISY)
    alone = press_and_release(world, meter, "D1 none 2")

    world, meter = _bench(NOISY)
    press_and_release(world, meter, "D1 none 1", "fit 10000")
    press_and_release(world, meter, "D1 none 1b")
    after = press_and_release(world, meter, "D1 none 2")

    # Only the rounding of the bench's absolute time is left.
    np.testing.assert_allclose(after, alone, rtol=0, atol=1e-8)


def test_another_label_or_seed_draws_anew() -> None:
    first = press_and_release(*_bench(NOISY), "D1 none 1")

    assert not np.array_equal(first, press_and_release(*_bench(NOISY), "D1 none 2"))
    assert not np.array_equal(first, press_and_release(*_bench(NOISY, seed=6), "D1 none 1"))


def test_a_leaky_pin_latches_as_its_circuit_says() -> None:
    """120 uA plateau, 60 kohm: rests at 2.0309 V alone and at 1.0155 V with 10 kohm, and releases with 8.2 kohm
    (values of an independent circuit simulator)."""
    world, meter = _bench(QUIET)
    alone = press_and_release(world, meter, "1")
    with_10k = press_and_release(world, meter, "2", "fit 10000")
    with_8k2 = press_and_release(world, meter, "3", "fit 8200")

    assert alone[0] == pytest.approx(3.3 * 60e3 / 61e3, abs=2e-3)
    assert alone[-1] == pytest.approx(2.03092, abs=2e-4)
    assert with_10k[-1] == pytest.approx(1.01554, abs=2e-4)
    assert with_8k2[-1] == pytest.approx(0.0, abs=2e-4)


def test_an_intermittent_leak_is_there_in_its_share_of_the_trials() -> None:
    world, meter = _bench(NOISY)
    there = []
    for index in range(200):
        ask(meter, f'DISP:TEXT "D1 {index}"')
        world.move_to(world.now_s + 1e-3)
        world.bus_v()
        there.append(world.wiring.pins["D1"].leaks)

    assert 80 <= sum(there) <= 120
    ask(meter, 'DISP:TEXT "D1 17"')
    world.bus_v()
    assert world.wiring.pins["D1"].leaks is there[17]


def test_a_bounce_presses_again_before_the_node_is_let_go() -> None:
    text = QUIET.replace("[wiring]", "[relays]\nopening_bounces = 3\nbounce_s = 2e-3\n[wiring]")
    world, meter = _bench(text, seed=4)
    trace = press_and_release(world, meter, "D1", "fit 8200")
    high = trace > 2.5
    falls = int(np.sum(high[:-1] & ~high[1:]))

    assert falls > 1
    assert trace[-1] < 1e-3


def test_a_pin_keeps_its_charge_when_it_is_selected_and_left() -> None:
    """1 nF at 3.3 V joined to a discharged bus of 1 nF: both at half (Q = C V)."""
    text = IDEAL.replace("1e-15", "1e-9") + PATHS + '[[pins]]\nname = "D1"\nnode_capacitance_f = 1e-9\n'
    text += 'pull_down = { kind = "missing" }\n[meter]\ninput_resistance_ohm = 1e12\n'
    world = World(board(text))
    world.set_contact("select D1", True)
    world.set_contact("press", True)
    world.move_to(0.1)
    world.set_contact("press", False)
    world.set_contact("select D1", False)
    world.move_to(0.11)
    world.set_contact("discharge", True)
    world.move_to(0.12)
    assert world.bus_v() == pytest.approx(0.0, abs=1e-6)
    assert world.pin_v("D1") == pytest.approx(3.3, abs=1e-3)

    world.set_contact("discharge", False)
    world.set_contact("select D1", True)
    world.move_to(0.12 + 1e-9)
    assert world.bus_v() == pytest.approx(1.65, abs=1e-3)
    assert world.pin_v("D1") == world.bus_v()


def test_an_added_capacitor_shares_its_charge_and_keeps_it_when_it_is_parted() -> None:
    """1 nF at 3.3 V meets a bus of 1 nF at 0 V: 1.65 V on both (Q = C V); and 100 nF slow the press through 1 kΩ."""
    paths = PATHS.replace("[wiring]\n", '[wiring]\nadd = [{ nominal_f = 1e-9, channel = "relay_board 30" }]\n', 1)
    text = IDEAL.replace("1e-15", "1e-9") + paths + '[[pins]]\nname = "D1"\n[meter]\ninput_resistance_ohm = 1e12\n'
    world = World(board(text))
    world.set_contact("add 1e-09", True)
    world.set_contact("press", True)
    world.move_to(2e-6)
    # Two nanofarads through 1 kΩ: one time constant.
    assert world.bus_v() == pytest.approx(3.3 * (1.0 - np.exp(-1.0)), rel=2e-3)
    world.move_to(0.1)
    assert world.bus_v() == pytest.approx(3.3, abs=1e-3)
    world.set_contact("add 1e-09", False)
    world.set_contact("press", False)
    world.set_contact("discharge", True)
    world.move_to(0.2)
    assert world.bus_v() == pytest.approx(0.0, abs=1e-6)
    world.set_contact("discharge", False)
    world.set_contact("add 1e-09", True)
    world.move_to(0.2 + 1e-9)
    assert world.bus_v() == pytest.approx(1.65, abs=2e-3)


def test_a_latched_pin_stays_latched_when_its_select_relay_opens() -> None:
    world, _ = _bench(QUIET)
    world.set_contact("select D1", True)
    world.set_contact("press", True)
    world.move_to(0.05)
    world.set_contact("press", False)
    world.move_to(0.1)
    world.set_contact("select D1", False)
    world.move_to(0.2)

    assert world.pin_v("D1") == pytest.approx(2.0314, abs=1e-3)  # without the meter a little higher
    assert world.bus_v() == pytest.approx(0.0, abs=1e-4)


def test_a_welded_press_relay_holds_the_bus_with_no_pin_selected() -> None:
    world = World(board('[faults]\nwelded = ["press"]\n' + QUIET))
    world.set_contact("press", True)
    world.move_to(0.1)
    world.set_contact("press", False)
    world.move_to(0.2)

    assert world.bus_v() == pytest.approx(3.3 * 10e6 / (10e6 + 1e3), rel=2e-3)
    assert world.wiring.contacts["press"].commanded is False


def test_an_open_needle_follows_the_rail_and_falls_to_zero_beautifully() -> None:
    text = QUIET.replace('name = "D1"', 'name = "D1"\nneedle = "open"')
    trace = press_and_release(*_bench(text), "D1")

    assert trace[0] == pytest.approx(3.3 * 10e6 / 10.001e6, abs=3e-4)
    assert trace[-1] == pytest.approx(0.0, abs=1e-4)


def test_a_strong_leak_to_the_rail_holds_the_press_level() -> None:
    text = QUIET.replace('name = "D1"', 'name = "D1"\nrail_resistance_ohm = 100.0')
    trace = press_and_release(*_bench(text), "D1")

    assert np.all(trace > 3.29)


def test_a_series_resistance_stands_between_the_needle_and_the_pin() -> None:
    """1 kohm press, 10 kohm series, 60 kohm pull-down: the bus at 70/71 of the rail, the pin at 60/71 (divider)."""
    text = IDEAL + PATHS + '[[pins]]\nname = "D1"\nseries_resistance_ohm = 10e3\n'
    world = World(board(text))
    world.set_contact("select D1", True)
    world.set_contact("press", True)
    world.move_to(0.1)

    assert world.bus_v() == pytest.approx(3.3 * 70 / 71, rel=2e-4)
    assert world.pin_v("D1") == pytest.approx(3.3 * 60 / 71, rel=2e-4)
    world.set_contact("press", False)
    world.move_to(0.2)
    assert world.bus_v() == pytest.approx(0.0, abs=1e-4)


def test_the_meters_own_time_constant_delays_what_it_reads() -> None:
    """A step seen through 1 ms: 1/e after 1 ms (closed form)."""
    text = "[meter]\nstep_response_s = 1e-3\n" + IDEAL + PATHS
    text += '[[pins]]\nname = "D1"\nnode_capacitance_f = 1e-12\npull_down = { kind = "linear", resistance_ohm = 1e3 }\n'
    world = World(board(text))
    world.set_contact("select D1", True)
    world.set_contact("press", True)
    world.move_to(0.1)
    held_v = world.bus_v()
    world.keep_from("test", 0.1)
    world.set_contact("press", False)
    world.move_to(0.2)
    mean_v = world.means(0.0, np.array([0.101 - 5e-7, 0.103 - 5e-7]), 1e-6)

    assert mean_v == pytest.approx(held_v * np.exp([-1.0, -3.0]), abs=2e-4)


def test_several_pins_at_once_share_the_bus() -> None:
    world = World(board(IDEAL + PATHS + '[[pins]]\nname = "D1"\n[[pins]]\nname = "D2"\n'))
    world.set_contact("select D1", True)
    world.set_contact("select D2", True)
    world.set_contact("press", True)
    world.move_to(0.1)

    assert world.bus_v() == pytest.approx(3.3 * 30 / 31, rel=2e-4)
    assert world.pin_v("D2") == world.bus_v()


def test_a_name_that_is_not_there_is_refused() -> None:
    world, _ = _bench(QUIET)

    with pytest.raises(NoSuchNameError, match="no contact 'select D9'"):
        world.set_contact("select D9", True)
    with pytest.raises(NoSuchNameError, match="no pin 'D9'"):
        world.pin_v("D9")


def test_a_trial_is_solved_in_few_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench must keep up with ten to twenty times real time; a step costs some five microseconds."""
    world, meter = _bench(NOISY)
    taken: list[int] = []
    whole = Segment._solve_until

    def counted(self: Segment, time_s: float) -> None:
        known = len(self._time_s)
        whole(self, time_s)
        taken.append(len(self._time_s) - known)

    monkeypatch.setattr(Segment, "_solve_until", counted)
    press_and_release(world, meter, "D1 10k 1", "fit 10000")

    assert 200 < sum(taken) < 4000


def test_a_relay_that_is_told_to_open_before_it_has_closed_never_closes() -> None:
    world, _ = _bench(QUIET)
    world.set_contact("press", True)
    world.move_to(0.2e-3)
    world.set_contact("press", False)
    world.move_to(0.05)

    assert world.bus_v() == pytest.approx(0.0, abs=1e-4)
    assert not world.wiring.contacts["press"].closed
