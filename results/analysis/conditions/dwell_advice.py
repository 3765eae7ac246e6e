"""What follows from a long dwell for a pin: its note, and no all-clear or resistor that a dwell has refuted."""

from __future__ import annotations

from dataclasses import replace

from results.analysis.conditions.dwell_text import dwell_text, words_text
from results.analysis.findings import Advice, PinFinding
from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.pin_notes import joined
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR


def after_dwell(record: RunRecord, pin: PinFinding, dwell: DwellFinding) -> PinFinding:
    """The pin with its dwell, what it says in the note, and the advice that still stands.

    A pin that sticks on a dwell with nothing fitted may need a resistor, although short presses released; the value
    recommended is withdrawn where the pin stuck on a dwell with that very resistor.
    """
    said = "" if dwell.early is None and not dwell.note else _said(dwell)
    return replace(pin, dwell=dwell, note=joined([pin.note, said]), advice=_advice(record, pin, dwell))


def _said(dwell: DwellFinding) -> str:
    text = dwell_text(dwell)
    # Parts of a note are divided by semicolons.
    return text if text.startswith("long dwell") else f"long dwell: {text.replace('; ', ', ')}"


def _advice(record: RunRecord, pin: PinFinding, dwell: DwellFinding) -> Advice:
    if not dwell.sticks:
        return pin.advice
    said = words_text(dwell).replace("; ", ", ")
    if dwell.trial.resistor == NO_RESISTOR:
        if pin.advice.needed is not False:
            return pin.advice
        reason = f"short presses released, but on a long dwell {said}: try resistors on a long dwell"
        return replace(pin.advice, ohm=None, needed=None, margin=None, reason=reason, limit=None, neighbours=())
    fitted_ohm = record.resistor(dwell.trial.resistor).nominal_ohm
    if pin.advice.ohm is None or fitted_ohm is None or fitted_ohm > pin.advice.ohm * (1.0 + 1e-6):
        return pin.advice
    reason = f"with {dwell.trial.resistor} on a long dwell {said}: {pin.advice.reason}"
    return replace(pin.advice, ohm=None, margin=None, reason=reason, limit=None, neighbours=())
