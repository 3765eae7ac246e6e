"""Which procedure carries out which step of a run that is no plain trial: one table, by the name in the record."""

from __future__ import annotations

from harness.procedure_file import LoadedProcedure
from procedures.board_or_chip import board_or_chip
from procedures.forced_sweep import forced_sweep
from procedures.press_level import press_level
from procedures.press_release import press_release
from procedures.unlatch import unlatch

SWEEP = "forced_sweep"
UNLATCH = "unlatch"
PRESS_LEVEL = "press_level"
BOARD_OR_CHIP = "board_or_chip"
COUPON = "press_release"

OF_A_KIND = {
    SWEEP: LoadedProcedure(SWEEP, forced_sweep),
    UNLATCH: LoadedProcedure(UNLATCH, unlatch),
    PRESS_LEVEL: LoadedProcedure(PRESS_LEVEL, press_level),
    BOARD_OR_CHIP: LoadedProcedure(BOARD_OR_CHIP, board_or_chip),
    COUPON: LoadedProcedure(COUPON, press_release),
}
