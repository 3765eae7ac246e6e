"""Status registers (IEEE 488.2 chapter 11) and error queue (SCPI-99 volume 2, 21.8); both from memory.

error  -> queue, and its class -> a bit of the standard event register (ESR)
ESR & ESE -> ESB (bit 5 of STB); queue not empty -> bit 2; OPER -> bit 7; QUES -> bit 3; reply waiting -> MAV (bit 4)
STB & SRE -> MSS (bit 6)
"""

from __future__ import annotations

from collections import deque

from drivers.simulated.scpi_error import ERROR_TEXT, ScpiError

OPC, QYE, DDE, EXE, CME, PON = 1, 4, 8, 16, 32, 128
QUEUE_LENGTH = 20


class ErrorQueue:
    """First in, first out; when full, the last entry becomes −350 and what follows is lost."""

    def __init__(self) -> None:
        self._errors: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._errors)

    def push(self, error: ScpiError) -> None:
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append((error.number, error.text))
        else:
            self._errors[-1] = (-350, ERROR_TEXT[-350])

    def pop(self) -> str:
        """The oldest as `number,"text"`; 0 where there is none."""
        number, text = self._errors.popleft() if self._errors else (0, ERROR_TEXT[0])
        return f'{number},"{text.replace(chr(34), chr(39))}"'

    def clear(self) -> None:
        self._errors.clear()


class Register:
    """A SCPI status register: condition, transition filters, event, enable. 15 bits; bit 15 is always 0."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0
        self.positive = 0x7FFF
        self.negative = 0

    def set_condition(self, condition: int) -> None:
        rising = condition & ~self.condition
        falling = self.condition & ~condition
        self.event |= (rising & self.positive) | (falling & self.negative)
        self.condition = condition

    def read_event(self) -> int:
        """The event register, which is cleared by reading."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """STATus:PRESet: enable 0, positive transitions only; the event register stays."""
        self.enable, self.positive, self.negative = 0, 0x7FFF, 0


class Status:
    """All status of one instrument, shared by every connection to it."""

    def __init__(self) -> None:
        self.errors = ErrorQueue()
        self.operation = Register()
        self.questionable = Register()
        self.event = PON
        self.event_enable = 0
        self.request_enable = 0

    def record(self, error: ScpiError) -> None:
        """Queue an error and set the event bit of its class."""
        self.errors.push(error)
        bits = {-1: CME, -2: EXE, -3: DDE, -4: QYE}
        self.event |= bits[-(abs(error.number) // 100)]

    def read_event(self) -> int:
        event, self.event = self.event, 0
        return event

    def byte(self, message_available: bool = False) -> int:
        """STB with MSS in bit 6, as *STB? returns it."""
        stb = 4 if len(self.errors) else 0
        stb |= 8 if self.questionable.event & self.questionable.enable else 0
        stb |= 16 if message_available else 0
        stb |= 32 if self.event & self.event_enable else 0
        stb |= 128 if self.operation.event & self.operation.enable else 0
        return stb | (64 if stb & self.request_enable else 0)

    def power_on(self) -> None:
        """As power finds it: everything cleared, and the power-on bit alone set (IEEE 488.2, 11.5.1.1)."""
        self.clear()
        self.event, self.event_enable, self.request_enable = PON, 0, 0
        for register in (self.operation, self.questionable):
            register.preset()
            register.condition = 0

    def clear(self) -> None:
        """*CLS: events and the queue; enables, filters and conditions stay."""
        self.errors.clear()
        self.event = 0
        self.operation.event = 0
        self.questionable.event = 0
