"""The study itself: hidden pins, their truth, and a tally that cannot pass what falls short."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from drivers.simulated.board_file import parse_board
from harness.bench_file import bench_from_text
from harness.plan import plan_from_text
from harness.together import check_together
from results.logic_levels import levels
from tests.study.__main__ import _outcomes, main
from tests.study.characterise import Outcome
from tests.study.hidden_leak import SHAPES
from tests.study.hidden_pin import HiddenPin, hidden_pin
from tests.study.tally import LEAST_PINS, Tally, by_group, tally
from tests.study.truth import largest_value, required_conductance

RESOURCES = {
    "meter": "TCPIP::127.0.0.1::1::SOCKET",
    "source": "TCPIP::127.0.0.1::2::SOCKET",
    "switch": "TCPIP::127.0.0.1::3::SOCKET",
    "relay_board": "/dev/pts/1",
    "board": "/dev/pts/2",
}
PINS = [hidden_pin(7, number) for number in range(60)]


def with_pin(text: str, *, v_il: float = 0.8, rail_v: float = 3.3) -> HiddenPin:
    """The first pin with another board: nothing but this pin on that rail."""
    pin = PINS[0]
    board = f'[rail]\nvoltage_v = {rail_v}\n[[pins]]\nname = "D1"\n{text}\n'
    return replace(pin, board=board, rail_v=rail_v, supply=replace(pin.supply, v_il=v_il), series_ohm=0.0)


def test_the_files_of_every_pin_are_good_and_go_together() -> None:
    """Plan and bench file state what the board file keeps within: limits, tolerances, the range of the pull-down."""
    for pin in PINS[:25]:
        plan, bench = plan_from_text(pin.plan()), bench_from_text(pin.bench(RESOURCES))
        check_together(plan, bench)
        board = parse_board(pin.board)
        assert (board.meter.gain_error, board.meter.offset_error_v) == (pin.limits.meter_reading, pin.limits.meter_v)
        assert bench.meter.accuracy_reading == pytest.approx(board.meter.gain_error, rel=1e-5)
        assert bench.meter.accuracy_v == pytest.approx(board.meter.offset_error_v, rel=1e-5)
        assert bench.source is not None
        assert bench.source.accuracy_reading == pytest.approx(board.source.gain_error, rel=1e-5)
        assert bench.source.accuracy_a == pytest.approx(board.source.offset_error_a, rel=1e-5)
        assert {part.tolerance for part in board.wiring.fit} == {plan.trials.tolerance}
        assert board.rail.voltage_v == pytest.approx(plan.rail.voltage_v, rel=plan.rail.tolerance)
        assert (pin.supply.v_il, pin.supply.v_ih) == levels(pin.supply.standard, pin.supply.rail_v)


def test_a_pin_is_drawn_from_seed_and_number_alone() -> None:
    assert hidden_pin(7, 59) == PINS[59]
    assert hidden_pin(8, 59) != PINS[59]
    assert len({pin.board for pin in PINS}) == len(PINS)


def test_every_shape_pull_down_and_rail_is_drawn() -> None:
    assert {pin.shape for pin in PINS} == set(SHAPES)
    assert {pin.pull_down for pin in PINS} == {"linear", "MOS"}
    assert {pin.supply.rail_v for pin in PINS} == {1.8, 2.5, 3.3, 5.0}


def test_the_truth_of_a_plain_leak_lies_at_v_il() -> None:
    """I/V_IL − 1/R by hand (a knee far below V_IL): 34.5 µA, 60 kΩ, 0.8 V."""
    pin = with_pin(
        'pull_down = { kind = "linear", resistance_ohm = 6e4 }\n'
        'leak = { kind = "plain", current_a = 34.5e-6, knee_v = 0.02 }'
    )
    assert required_conductance(pin) == pytest.approx(34.5e-6 / 0.8 - 1.0 / 60e3, rel=1e-12)


def test_the_truth_of_a_kinked_leak_lies_at_its_kink() -> None:
    """Straight lines through (1.0, 0), (2.0, 100 µA), (3.0, 0): I/V is largest at 2.0 V, 50 µS, less 1/50 kΩ."""
    pin = with_pin(
        'pull_down = { kind = "linear", resistance_ohm = 5e4 }\n'
        'leak = { kind = "table", voltage_v = [1.0, 2.0, 3.0], current_a = [0.0, 1e-4, 0.0] }'
    )
    assert required_conductance(pin) == pytest.approx(30e-6, rel=1e-9)


def test_the_truth_of_a_mos_pull_down_with_no_leak_is_negative() -> None:
    """Saturated above 1 V: it draws kVov²/2 = 25 µA, and −I/V is largest at the rail."""
    pin = with_pin('pull_down = { kind = "mos", transconductance_a_per_v2 = 5e-5, overdrive_v = 1.0 }')
    assert required_conductance(pin) == pytest.approx(-25e-6 / 3.3, rel=1e-9)
    assert largest_value(pin, required_conductance(pin)) is None


def test_the_best_value_keeps_the_margins() -> None:
    pin = replace(PINS[0], series="E12", margin=0.2, tolerance=0.01, series_ohm=100.0)
    # 10.1 kΩ less 100 Ω on the board: 10 kΩ / 1.2 / 1.01 = 8251 Ω.
    assert largest_value(pin, 1.0 / 10.1e3) == 8200.0
    assert largest_value(pin, 1.0 / 99.0) is None


GOOD = Outcome(
    number=0,
    shape="one hump",
    supply="JESD8C.01",
    true_s=1e-4,
    external_ohm=10e3,
    best_ohm=8.2e3,
    advised_tolerance=0.01,
    required_s=1.0005e-4,
    half_s=1e-7,
    needed=True,
    bracket="bracketed",
    at_least_ohm=8.1e3,
    below_ohm=12.1e3,
    advised_ohm=8.2e3,
    advised_needed=True,
    agreement="agrees",
)
MISSED = replace(GOOD, required_s=1.0011e-4)
SOUND = replace(
    GOOD,
    true_s=-1e-5,
    external_ohm=np.inf,
    best_ohm=None,
    required_s=-1e-5,
    needed=False,
    bracket="none needed",
    below_ohm=None,
    advised_ohm=None,
    advised_needed=False,
)


def row(counted: Tally, what: str) -> tuple[str, bool | None]:
    [one] = [one for one in counted.rows if one.what.startswith(what)]
    return one.found, one.ok


@pytest.mark.parametrize(("missed", "ok"), [(29, False), (30, True), (65, True), (66, False)])
def test_the_coverage_is_held_to_both_bounds(missed: int, ok: bool) -> None:
    """93.5 % to 97 %, both ends in: too wide an interval falls short, too."""
    counted = tally([GOOD] * (LEAST_PINS - missed) + [MISSED] * missed + [SOUND] * 50)
    assert row(counted, "95 % interval")[1] is ok
    assert counted.ok is ok
    assert counted.verdict.startswith("holds" if ok else "FALLS SHORT: 95 % interval")


def test_of_few_pins_the_coverage_is_shown_and_not_judged() -> None:
    counted = tally([GOOD] * 3 + [MISSED])
    assert row(counted, "95 % interval") == ("3 of 4 (75.0 %)", None)
    assert counted.verdict == "short run: 4 pins are too few to judge the coverage; nothing else falls short"


@pytest.mark.parametrize(
    ("wrong", "what"),
    [
        (replace(SOUND, true_s=1e-6, external_ohm=1e6), "no resistor needed"),
        (replace(GOOD, advised_ohm=None, advised_needed=False), "no resistor needed"),
        (replace(GOOD, at_least_ohm=10.1e3), "bracket"),
        (replace(GOOD, below_ohm=9.9e3), "bracket"),
        (replace(SOUND, below_ohm=1e6), "bracket"),
        # 9.95 kΩ at +1 % is 10.05 kΩ.
        (replace(GOOD, advised_ohm=9.95e3), "recommended resistor sticks"),
        (replace(GOOD, advised_ohm=4.0e3), "no value, or below half"),
        (replace(GOOD, advised_ohm=None), "no value, or below half"),
    ],
)
def test_one_wrong_pin_among_a_thousand_falls_short(wrong: Outcome, what: str) -> None:
    counted = tally([GOOD] * 960 + [MISSED] * 50 + [wrong])
    assert row(counted, what)[1] is False
    assert counted.verdict.startswith("FALLS SHORT")


def test_what_is_not_determined_is_counted_with_its_reason_and_has_a_bound() -> None:
    lost = replace(
        GOOD, required_s=None, half_s=None, needed=None, number=7, problem="sweep: between 1.2 V and 3 mV; x"
    )
    counted = tally([GOOD] * 950 + [MISSED] * 50 + [lost] * 52)
    assert row(counted, "sweep tells G_req") == ("1000 of 1052 (95.1 %)", True)
    assert row(counted, "95 % interval")[0].startswith("950 of 1000 (95.0 %)")
    assert counted.reasons == (("sweep: between … and …", (7,) * 52),)
    assert not tally([GOOD] * 950 + [MISSED] * 50 + [lost] * 53).ok


def test_a_run_that_failed_is_made_again_once_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    failed = replace(GOOD, required_s=None, half_s=None, needed=None, problem="the run failed: in use by process 7")
    made: list[list[int]] = []

    def instead(seed: int, numbers: Sequence[int], jobs: int) -> list[Outcome]:
        made.append(list(numbers))
        still = {3} if len(made) == 2 else {1, 3}
        return [replace(failed if number in still else GOOD, number=number) for number in numbers]

    monkeypatch.setattr("tests.study.__main__._made", instead)
    found = list(_outcomes(7, 5, 2))
    assert made == [[0, 1, 2, 3, 4], [1, 3]]
    assert [one.number for one in found] == [0, 2, 4, 1, 3]
    counted = tally(found)
    assert row(counted, "runs that failed")[0] == "2"
    assert row(counted, "sweep tells")[0] == "4 of 5 (80.0 %)"


def test_the_width_is_that_of_the_interval_of_the_resistance() -> None:
    """1/(G − H) to 1/(G + H): for H small against G its half is H/G² — relative: H/G."""
    assert GOOD.relative_half_width == pytest.approx(1e-7 / 1.0005e-4, rel=1e-5)
    open_ended = replace(GOOD, half_s=2e-4, needed=None)
    assert open_ended.has_interval
    assert open_ended.relative_half_width is None


def test_groups_are_counted_apart() -> None:
    other = replace(MISSED, shape="two humps")
    assert by_group([GOOD, other, SOUND], lambda one: one.shape) == [
        ("one hump", "2", "1 of 1 (100.0 %)", "0.10 %"),
        ("two humps", "1", "0 of 1 (0.0 %)", "0.10 %"),
    ]


def test_a_short_study_runs_and_tells_its_verdict_last(capfd: pytest.CaptureFixture[str]) -> None:
    """Three pins, each through its own simulated bench, links and guard."""
    status = main(["--pins", "3", "--seed", "2"])
    said = capfd.readouterr()
    last = said.out.splitlines()[-1]
    assert last == "short run: 3 pins are too few to judge the coverage; nothing else falls short", said
    assert status == 0
    assert "| sweep tells G_req | 3 of 3 (100.0 %) | 95 % or more | yes |" in said.out
    assert "3 of 3: " in said.err


def test_a_page_is_not_written_of_a_short_study(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as refused:
        main(["--pins", "3", "--write", "nowhere.md"])
    assert refused.value.code == 2
    assert "a page is written of 1000 pins or more: 3" in capsys.readouterr().err
