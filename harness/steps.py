"""Which procedure carries out which step of a run that is no plain trial: one table, by the name in the record."""

from __future__ import annotations

from collections.abc import Mapping

from harness.procedure_file import LoadedProcedure
from procedures.board_or_chip import board_or_chip
from procedures.changeover import changeover
from procedures.driven_low import driven_low
from procedures.forced_sweep import forced_sweep
from procedures.long_dwell import long_dwell
from procedures.pin_leakage import pin_leakage
from procedures.polled_buffer import polled_buffer
from procedures.press_level import press_level
from procedures.press_release import press_release
from procedures.unlatch import unlatch
from results.record.run_record import Remedy

SWEEP = "forced_sweep"
UNLATCH = "unlatch"
PRESS_LEVEL = "press_level"
BOARD_OR_CHIP = "board_or_chip"
COUPON = "press_release"
PIN_LEAKAGE = "pin_leakage"
REMEDIES: Mapping[Remedy, str] = {
    "driven low": "driven_low",
    "changeover contact": "changeover",
    "polled buffer": "polled_buffer",
}
"""Remedy -> the procedure that tries it. An external pull-down has been tried by the trials already."""
DWELL = "long_dwell"

OF_A_KIND = {
    SWEEP: LoadedProcedure(SWEEP, forced_sweep),
    UNLATCH: LoadedProcedure(UNLATCH, unlatch),
    PRESS_LEVEL: LoadedProcedure(PRESS_LEVEL, press_level),
    BOARD_OR_CHIP: LoadedProcedure(BOARD_OR_CHIP, board_or_chip),
    PIN_LEAKAGE: LoadedProcedure(PIN_LEAKAGE, pin_leakage),
    COUPON: LoadedProcedure(COUPON, press_release),
    REMEDIES["driven low"]: LoadedProcedure(REMEDIES["driven low"], driven_low),
    REMEDIES["changeover contact"]: LoadedProcedure(REMEDIES["changeover contact"], changeover),
    REMEDIES["polled buffer"]: LoadedProcedure(REMEDIES["polled buffer"], polled_buffer),
    DWELL: LoadedProcedure(DWELL, long_dwell),
}
