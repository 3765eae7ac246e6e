"""The errors that a SCPI instrument queues: the standard's numbers and texts (SCPI-99 volume 2, 21.8; from memory)."""

from __future__ import annotations

ERROR_TEXT = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -131: "Invalid suffix",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -171: "Invalid expression",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""SCPI-99 volume 2, 21.8: the standard's numbers and texts, as far as they can occur here."""


class ScpiError(Exception):
    """A message or a setting that the instrument refuses: the standard's `number`, its text, and the detail."""

    def __init__(self, number: int, detail: str = "") -> None:
        self.number = number
        self.text = ERROR_TEXT[number] + (f"; {detail}" if detail else "")
        super().__init__(f"{number} {self.text}")
