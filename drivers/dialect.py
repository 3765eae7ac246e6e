"""The words of an instrument: one portable command a purpose, and what a bench file puts in its place.

The templates of the SCPI roles are the portable subset of SCPI-99 (full path from the root, short form); common
commands are those of IEEE 488.2. A template holds placeholders in braces:

    {value}   a number in SI units, or a truth value (ON, OFF), or a bare word
    {nplc}    only in `aperture`, in place of {value}: the aperture in cycles of the line frequency
    {text}    text inside double quotes; a quote in it is doubled (IEEE 488.2, 7.7.5 string data)
    {list}    channels: ("101", "103") becomes (@101,103); text is taken as it stands
    {channel} {pin} {setup}   line devices

A placeholder may carry a number format: {value:.6f}. A purpose overridden by an empty text says that the instrument has
no such command; only the purposes in OPTIONAL may be missing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from string import Formatter

from drivers.errors import LimitError

_COMMON: Mapping[str, str] = {
    "identify": "*IDN?",
    "reset": "*RST",
    "clear": "*CLS",
    "done": "*OPC?",
    "event_status": "*ESR?",
    "error": "SYST:ERR?",
    "label": 'DISP:TEXT "{text}"',
    "idle": "*STB?",
    "format": "FORM REAL,64",
    "byte_order": "FORM:BORD NORM",
}

_METER: Mapping[str, str] = {
    **_COMMON,
    "format_text": "FORM ASC",
    "label_read": "DISP:TEXT?",
    "byte_order_read": "FORM:BORD?",
    "function": 'SENS:FUNC "VOLT:DC"',
    "function_read": "SENS:FUNC?",
    "range": "SENS:VOLT:DC:RANG {value}",
    "range_read": "SENS:VOLT:DC:RANG?",
    "autorange_off": "SENS:VOLT:DC:RANG:AUTO OFF",
    "autorange_read": "SENS:VOLT:DC:RANG:AUTO?",
    "aperture": "SENS:VOLT:DC:APER {value}",
    "aperture_read": "SENS:VOLT:DC:APER?",
    "autozero": "CAL:ZERO:AUTO {value}",
    "autozero_read": "CAL:ZERO:AUTO?",
    "impedance": "INP:IMP {value}",
    "impedance_read": "INP:IMP?",
    "line_frequency": "SYST:LFR {value}",
    "trigger_immediate": "TRIG:SOUR IMM",
    "trigger_timer": "TRIG:SOUR TIM",
    "trigger_read": "TRIG:SOUR?",
    "timer": "TRIG:TIM {value}",
    "timer_read": "TRIG:TIM?",
    "count": "TRIG:COUN {value}",
    "count_read": "TRIG:COUN?",
    "memory_clear": "TRAC:CLE",
    "memory_size": "TRAC:POIN {value}",
    "memory_feed": "TRAC:FEED SENS",
    "memory_fill": "TRAC:FEED:CONT NEXT",
    "memory_data": "TRAC:DATA?",
    "memory_count": "TRAC:POIN:ACT?",
    "start": "INIT",
    "stop": "ABOR",
    "read": "READ?",
    "condition": "STAT:OPER:COND?",
}

# No portable command exists; the bench file has to say them, where an instrument has a watchdog.
_WATCHDOG: Mapping[str, str] = {
    "watchdog": "",
    "watchdog_read": "",
    "watchdog_tripped": "",
    "watchdog_off": "",
}

_SHAPES: Mapping[str, str] = {"watchdog": "{value}", "watchdog_read": "?", "watchdog_tripped": "?", "watchdog_off": ""}
"""What a command of a purpose without a portable one must look like: its placeholders, and whether it asks."""

_SOURCE: Mapping[str, str] = {
    **_COMMON,
    **_WATCHDOG,
    "mode_voltage": "SOUR:FUNC:MODE VOLT",
    "mode_current": "SOUR:FUNC:MODE CURR",
    "mode_read": "SOUR:FUNC:MODE?",
    "voltage": "SOUR:VOLT:LEV:IMM:AMPL {value}",
    "voltage_read": "SOUR:VOLT:LEV:IMM:AMPL?",
    "voltage_range": "SOUR:VOLT:RANG {value}",
    "current_limit": "SENS:CURR:PROT:LEV {value}",
    "current_limit_read": "SENS:CURR:PROT:LEV?",
    "current_limit_tripped": "SENS:CURR:PROT:TRIP?",
    "measure_both": "SENS:FUNC:CONC ON",
    "functions": 'SENS:FUNC "VOLT:DC","CURR:DC"',
    "read": "READ?",
    "output_on": "OUTP:STAT ON",
    "output_off": "OUTP:STAT OFF",
    "output_state": "OUTP:STAT?",
    # No SCPI-99 node says what an output does when it is off; this is the commonest of the dialects.
    "off_high_impedance": "OUTP:SMOD HIMP",
    "off_mode": "OUTP:SMOD?",
}

_SUPPLY: Mapping[str, str] = {
    **_COMMON,
    **_WATCHDOG,
    "voltage": "SOUR:VOLT:LEV:IMM:AMPL {value}",
    "voltage_read": "SOUR:VOLT:LEV:IMM:AMPL?",
    "current_limit": "SOUR:CURR:LEV:IMM:AMPL {value}",
    "current_limit_read": "SOUR:CURR:LEV:IMM:AMPL?",
    "over_voltage": "SOUR:VOLT:PROT:LEV {value}",
    "over_voltage_read": "SOUR:VOLT:PROT:LEV?",
    "output_on": "OUTP:STAT ON",
    "output_off": "OUTP:STAT OFF",
    "output_state": "OUTP:STAT?",
    "measure_voltage": "MEAS:VOLT?",
    "measure_current": "MEAS:CURR?",
}

_CHAMBER: Mapping[str, str] = {
    **_COMMON,
    "temperature": "SOUR:TEMP:LEV:IMM:AMPL {value}",
    "temperature_read": "SOUR:TEMP:LEV:IMM:AMPL?",
    "output_on": "OUTP:STAT ON",
    "output_off": "OUTP:STAT OFF",
    "output_state": "OUTP:STAT?",
    "measure": "MEAS:TEMP?",
}

_SWITCH: Mapping[str, str] = {
    **_COMMON,
    "close": "ROUT:CLOS {list}",
    "open": "ROUT:OPEN {list}",
    "open_all": "ROUT:OPEN:ALL",
    "closed": "ROUT:CLOS? {list}",
    "closed_list": "ROUT:CLOS:STAT?",
}

_RELAY_BOARD: Mapping[str, str] = {
    "identify": "IDN?",
    "close": "CLOSE {channel}",
    "open": "OPEN {channel}",
    "open_all": "OPEN ALL",
    "closed_list": "CLOSED?",
}

_BOARD: Mapping[str, str] = {
    "identify": "id",
    "reset": "reset",
    "setup": "setup {pin} {setup}",
    "setup_read": "setup? {pin}",
    "read": "read {pin}",
}

TEMPLATES: Mapping[str, Mapping[str, str]] = {
    "meter": _METER,
    "source": _SOURCE,
    "supply": _SUPPLY,
    "chamber": _CHAMBER,
    "switch": _SWITCH,
    "relay_board": _RELAY_BOARD,
    "board": _BOARD,
}
"""Role, then purpose, then the portable command."""

OPTIONAL = frozenset(
    {
        "clear",
        "idle",
        *_WATCHDOG,
        "event_status",
        "label",
        "label_read",
        "format_text",
        "byte_order",
        "byte_order_read",
        "function_read",
        "autorange_off",
        "autorange_read",
        "autozero",
        "autozero_read",
        "trigger_read",
        "mode_read",
        "impedance",
        "line_frequency",
        "memory_clear",
        "memory_feed",
        "voltage_range",
        "measure_both",
        "functions",
        "over_voltage",
        "over_voltage_read",
        "measure_voltage",
        "measure_current",
    }
)
"""Purposes that an instrument may lack without a measurement or the safe state being in danger."""

_NUMBER_FORMAT = re.compile(r"[+ -]?0?[0-9]{0,2}(?:\.[0-9]{1,2})?[eEfFgG]?")
"""What may stand behind the colon of a placeholder: a wider one could fill the memory, or change the number itself."""

_INSTEAD: Mapping[str, tuple[frozenset[str], ...]] = {"aperture": (frozenset({"value"}), frozenset({"nplc"}))}


class DialectError(LimitError):
    """A command of the bench file, or a value to put into a command, is not one that can be sent."""


class Dialect:
    """The commands of one instrument: the portable ones of its role, single ones replaced."""

    def __init__(self, role: str, overrides: Mapping[str, str] | None = None) -> None:
        """Check every override. Raises DialectError naming its key as the bench file writes it."""
        if role not in TEMPLATES:
            raise DialectError(f"{role}: no such role; there are {', '.join(TEMPLATES)}")
        self.role = role
        self._templates = dict(TEMPLATES[role])
        for purpose, template in (overrides or {}).items():
            self._require(purpose)
            self._check_template(purpose, template)
            self._templates[purpose] = template

    @property
    def templates(self) -> Mapping[str, str]:
        """The commands by purpose, overrides in their place; empty where the instrument has none."""
        return dict(self._templates)

    def has(self, purpose: str) -> bool:
        """Whether the instrument has a command for this purpose. Raises DialectError for an unknown purpose."""
        self._require(purpose)
        return self._templates[purpose] != ""

    def uses(self, purpose: str, placeholder: str) -> bool:
        """Whether the command for this purpose takes this placeholder ("nplc" or "value" in `aperture`)."""
        self._require(purpose)
        return placeholder in _placeholders(self._templates[purpose])

    def text(self, purpose: str, **values: object) -> str:
        """The command for this purpose with the values in place; empty where the instrument has none.

        A value that the template does not take is refused unless another form of the command takes it. Raises
        DialectError for an unknown purpose, a value missing or too many, a number that is not finite, and text that
        cannot be sent.
        """
        self._require(purpose)
        template = self._templates[purpose]
        wanted = _placeholders(template)
        if missing := wanted - values.keys():
            raise DialectError(f"{self._key(purpose)}: no value for {_braced(missing)} of {template!r}")
        if template and (excess := values.keys() - self._allowed(purpose)):
            raise DialectError(f"{self._key(purpose)}: {template!r} takes no {_braced(excess)}")
        parts = []
        for literal, field, spec, _ in Formatter().parse(template):
            parts.append(literal)
            if field is not None:
                parts.append(self._written(purpose, field, values[field], spec or ""))
        return "".join(parts)

    def _key(self, purpose: str) -> str:
        return f"{self.role}.commands.{purpose}"

    def _require(self, purpose: str) -> None:
        if purpose not in TEMPLATES[self.role]:
            known = ", ".join(sorted(TEMPLATES[self.role]))
            raise DialectError(f"{self._key(purpose)}: no such command; a {self.role} has {known}")

    def _allowed(self, purpose: str) -> frozenset[str]:
        return frozenset().union(*self._forms(purpose))

    def _forms(self, purpose: str) -> tuple[frozenset[str], ...]:
        portable = frozenset(_placeholders(self._shape(purpose)))
        return _INSTEAD.get(purpose, (portable,))

    def _shape(self, purpose: str) -> str:
        return TEMPLATES[self.role][purpose] or _SHAPES[purpose]

    def _check_template(self, purpose: str, template: str) -> None:
        key = self._key(purpose)
        if template == "" and purpose in OPTIONAL:
            return
        if not template.strip():
            raise DialectError(f"{key}: may not be empty")
        if not (template.isascii() and template.isprintable()):
            raise DialectError(f"{key}: {template!r} holds a character that is not printable ASCII")
        try:
            fields = list(Formatter().parse(template))
            for _, field, spec, conversion in fields:
                if conversion or (field is not None and not field.isidentifier()):
                    raise ValueError(f"placeholder {{{field}}} is not a plain name")
                if spec and not _NUMBER_FORMAT.fullmatch(spec):
                    raise ValueError(f"{spec!r} is no format of a number, such as .6f")
        except ValueError as exc:
            raise DialectError(f"{key}: {template!r}: {exc}") from exc
        forms = self._forms(purpose)
        if _placeholders(template) not in forms:
            wanted = " or ".join(_braced(form) for form in forms)
            raise DialectError(f"{key}: {template!r} must hold exactly {wanted}")
        if "{text}" in template.replace('"{text}"', ""):
            # Outside of quotes a semicolon in a name would begin a command of its own.
            raise DialectError(f"{key}: {template!r} must hold {{text}} in double quotes")
        asks = "?" in self._shape(purpose)
        if self.role not in ("relay_board", "board") and asks != ("?" in template):
            raise DialectError(f"{key}: {template!r} must {'' if asks else 'not '}be a query")

    def _written(self, purpose: str, field: str, value: object, spec: str) -> str:
        key = self._key(purpose)
        if isinstance(value, bool):
            return "ON" if value else "OFF"
        if isinstance(value, (int, float)):
            if not math.isfinite(value):
                raise DialectError(f"{key}: {{{field}}} must be a finite number: {value!r}")
            return format(float(value), spec) if spec else _number(value)
        if isinstance(value, str):
            words = value.replace('"', '""') if field == "text" else value
        elif field == "list" and isinstance(value, Sequence):
            words = "(@" + ",".join(str(channel) for channel in value) + ")"
        else:
            raise DialectError(f"{key}: {{{field}}} cannot be sent: {value!r}")
        if not (words.isascii() and words.isprintable()):
            raise DialectError(f"{key}: {{{field}}} must be printable ASCII: {value!r}")
        # A separator outside of quotes would start a second command behind the limits' back.
        if ";" in words and field != "text":
            raise DialectError(f"{key}: {{{field}}} must not hold a semicolon: {value!r}")
        return words


def _placeholders(template: str) -> frozenset[str]:
    return frozenset(field for _, field, _, _ in Formatter().parse(template) if field is not None)


def _braced(names: frozenset[str] | set[str]) -> str:
    return ", ".join(f"{{{name}}}" for name in sorted(names)) or "no placeholder"


def _number(value: float) -> str:
    """Decimal numeric program data (IEEE 488.2, 7.7.2): shortest text that gives the same number back."""
    return str(value) if isinstance(value, int) else repr(float(value)).upper().removesuffix(".0")
