"""The files of a bench for pull-up inputs: those of whole_bench.py with every end exchanged."""

from __future__ import annotations

from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, plan_text

UP = 'pulls = "up"\n'
SOUND_UP = f"{UP}{SOUND}"
LATCHES_LOW = f"{UP}{LATCHES}"
LEVELS = 'v_il = "1.3 V"\nv_ih = "2.5 V"'
ENDS = '[wiring]\npress_to = "ground"\nresistors_to = "rail"\n'


def mirrored_board(pins: dict[str, str], extra: str = "") -> str:
    text = board_text(pins, extra).replace("[wiring]\n", ENDS, 1)
    return text.replace("speed = 10.0\n", "speed = 10.0\n[unit]\ninput_threshold_v = 1.9\n", 1)


def mirrored_bench(resources: dict[str, str], pins: tuple[str, ...], *, speed: float = 10.0) -> str:
    return bench_text(resources, pins, speed=speed).replace("[wiring]\n", ENDS, 1)


def mirrored_plan(pins: tuple[str, ...], **changes: str) -> str:
    text = plan_text(pins, **changes)
    return text.replace("[press]\n", '[press]\nto = "ground"\n').replace('standard = "JESD8C.01 3.3 V"', LEVELS)
