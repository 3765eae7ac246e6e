"""The link rules that the faults try, by number, and those that nothing on this machine can try, with the reason."""

from __future__ import annotations

RULES: dict[int, str] = {
    1: "a reply ends at its line end, and both terminators are always set",
    2: "a late, doubled or unsolicited reply is never taken for the answer to another question",
    3: "half a reply is never parsed, nor its tail later",
    4: "a connection that the instrument closed is told at once, as closed",
    5: "recovering and making safe never hang, whatever the wire does",
    6: "writing has a deadline, and a deaf instrument is found deaf",
    7: "a command and its query cost no delay of the network",
    8: "opening has a deadline, tells refused from unanswered, and identifies before anything else",
    9: "a connection that vanished while idle is found before a command is lost in it",
    10: "a block is read by its header, whatever bytes are in it",
    11: "kind, count and byte order of a block are checked, and nothing is left behind",
    12: "a USBTMC instrument is reopened after a timeout, a few times at most",
    13: "reopening leaks nothing",
    14: "VXI-11 transactions are whole",
    15: "an instrument that turns new sessions away is told by name",
    16: "a HiSLIP session is cleared after a timeout",
    17: "one question at a time on a link, whatever threads ask",
    18: "one run on one instrument",
    19: "one manager of VISA sessions, closed last",
    20: "nothing on the way of a run lists what there is on the buses",
    21: "bytes that are no text, NULs and stray CRs are stripped or refused, never decoded into a number",
    22: "a serial port that disappears is told, and found again by its name",
    23: "a serial line without its end is no data, and its deadline is total",
    24: "a serial port has one owner, and what a board says while it starts is no answer",
    25: "a blocked read or write can be ended from outside",
}
"""Link rule -> what it asks for. An instrument that restarts and a clock that is set have none: they are named."""

NOT_PRODUCED: dict[int, str] = {
    7: "a delay is no wrong number; `make bench` measures it",
    12: "there is no USBTMC instrument on this machine",
    13: "no single run; tests/drivers/test_visa_link.py counts sessions over many openings",
    14: "there is no VXI-11 instrument on this machine",
    16: "there is no HiSLIP instrument on this machine",
    17: "no fault of a wire; the lock of a link is held by tests/drivers",
    18: "no fault of a wire; tests/drivers/test_claim.py starts second owners",
    19: "no fault of a wire; tests/drivers/test_visa_link.py holds it",
    20: "no fault of a wire; no module of a run calls it",
    25: "no fault of a wire; tests/drivers and tests/harness/test_guard.py end blocked links",
}
"""Link rule -> why no fault here tries it. GPIB, a real UART and Windows are not on this machine either: there the
same faults are untried, whatever the number."""
