"""Which procedure carries out which step of a run that is no plain trial: one table, by the name in the record."""

from __future__ import annotations

from harness.procedure_file import LoadedProcedure
from procedures.forced_sweep import forced_sweep

SWEEP = "forced_sweep"

OF_A_KIND = {
    SWEEP: LoadedProcedure(SWEEP, forced_sweep),
}
