"""What is known of the capacitance on a node: the pin's, the fixture's, and a capacitor that a trial adds."""

from __future__ import annotations

import math

from results.analysis.uncertainty.estimate import Estimate
from results.record.run_record import RunRecord
from results.record.trial import NO_CAPACITOR, Pin


def node_capacitance(record: RunRecord, pin: Pin, capacitor: str = NO_CAPACITOR) -> Estimate | str:
    """Capacitance on the node in farad, bench connected, or one line that says what is not known.

    Tolerances are rectangular (JCGM 100:2008, 4.3.7). Raises KeyError where the record has no such capacitor.
    """
    fixture = record.fixture
    missing = _missing(pin, record)
    if missing:
        return f"the capacitance on the node is not known: {missing}"
    assert pin.node_capacitance_f is not None
    root = math.sqrt(3.0)
    total_f = pin.node_capacitance_f + fixture.capacitance_f
    parts = {
        "node capacitance": pin.node_capacitance_f * (pin.node_capacitance_tolerance or 0.0) / root,
        "fixture capacitance": fixture.capacitance_f * (fixture.capacitance_tolerance or 0.0) / root,
    }
    if capacitor != NO_CAPACITOR:
        added = record.capacitor(capacitor)
        total_f += added.capacitance_f
        parts[f"capacitor {capacitor}"] = added.capacitance_u_f
    return Estimate(total_f, parts)


def _missing(pin: Pin, record: RunRecord) -> str:
    """What the files do not state; empty where they state all.

    Of traces recorded elsewhere, the plan's capacitance is that of the node as it was recorded.
    """
    open_questions = []
    if pin.node_capacitance_f is None:
        open_questions.append("node_capacitance of the pin is not stated")
    elif pin.node_capacitance_tolerance is None:
        open_questions.append("node_capacitance_tolerance of the pin is not stated")
    if record.origin == "recorded":
        return ", ".join(open_questions)
    if record.fixture.capacitance_f <= 0.0:
        open_questions.append("capacitance of the fixture is not stated")
    elif record.fixture.capacitance_tolerance is None:
        open_questions.append("capacitance_tolerance of the fixture is not stated")
    return ", ".join(open_questions)
