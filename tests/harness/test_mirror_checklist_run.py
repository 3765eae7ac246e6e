"""Board or chip, of a pull-up input on the simulated bench: a leak to ground that is the chip's own."""

from __future__ import annotations

from pathlib import Path

from tests.harness.mirrored_bench import ENDS, LATCHES_LOW, SOUND_UP, mirrored_plan
from tests.harness.test_checklist_run import CHECKLIST, Technician
from tests.harness.test_conditions_run import supplied_bench, supplied_board
from tests.harness.whole_bench import found, run_plan, simulated


def test_a_leak_of_the_chip_is_followed_and_a_meter_to_ground_is_none(tmp_path: Path) -> None:
    """The meter holds a sound pin 20 mV below the rail, many times its uncertainty: that is no leak of the pin."""
    pins = {"D1": LATCHES_LOW, "D2": SOUND_UP}
    board = supplied_board(pins).replace("nominal_ohm = 8200.0", "nominal_ohm = 47000.0").replace("[wiring]\n", ENDS, 1)
    board = board.replace("quiescent_a = 6e-3\n", "quiescent_a = 6e-3\ninput_threshold_v = 1.9\n", 1)
    plan = mirrored_plan(tuple(pins), resistors='["none", "47 kΩ"]', trials=CHECKLIST)
    with simulated(tmp_path, board, stepped=True) as resources:
        bench = supplied_bench(resources, list(pins)).replace('"8.2 kΩ"', '"47 kΩ"').replace("[wiring]\n", ENDS, 1)
        person = Technician(resources)
        result = run_plan(tmp_path, plan, bench, operator=person.operator())
        person.close()
    chip, sound = (pin.origin for pin in found(result).pins)
    assert chip is not None
    assert sound is not None
    assert [step.state for step in chip.steps[1:]] == ["gone", "stays", "gone", "stays"]
    assert chip.origin == "chip"
    assert sound.origin == "no leak"
    first = sound.steps[0]
    assert first.settled is not None
    assert 3.27 < first.settled.value < 3.285
    assert first.held is not None
    assert abs(first.held.value) < 5e-3
