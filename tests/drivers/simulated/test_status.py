"""Status registers and error queue as IEEE 488.2 and SCPI-99 describe them (from memory of both)."""

from __future__ import annotations

import pytest

from drivers.simulated.scpi_error import ScpiError
from drivers.simulated.status import QUEUE_LENGTH, ErrorQueue, Register, Status


def test_errors_come_out_in_order_and_then_none() -> None:
    queue = ErrorQueue()
    queue.push(ScpiError(-113, "FOO"))
    queue.push(ScpiError(-222))

    assert [queue.pop() for _ in range(3)] == [
        '-113,"Undefined header; FOO"',
        '-222,"Data out of range"',
        '0,"No error"',
    ]


def test_a_full_queue_ends_with_overflow_and_keeps_the_oldest() -> None:
    queue = ErrorQueue()
    for _ in range(QUEUE_LENGTH + 5):
        queue.push(ScpiError(-102))

    texts = [queue.pop() for _ in range(QUEUE_LENGTH)]
    assert texts[0] == '-102,"Syntax error"'
    assert texts[-1] == '-350,"Queue overflow"'
    assert queue.pop() == '0,"No error"'


@pytest.mark.parametrize(("number", "bit"), [(-102, 32), (-222, 16), (-350, 8), (-410, 4)])
def test_the_class_of_an_error_sets_its_bit_of_the_event_register(number: int, bit: int) -> None:
    status = Status()
    assert status.read_event() == 128  # power on

    status.record(ScpiError(number))
    assert status.read_event() == bit
    assert status.read_event() == 0


def test_the_status_byte_sums_up_what_is_enabled() -> None:
    status = Status()
    status.read_event()
    status.record(ScpiError(-102))
    assert status.byte() == 4

    status.event_enable = 32
    assert status.byte() == 4 | 32
    status.request_enable = 32
    assert status.byte(message_available=True) == 4 | 16 | 32 | 64

    status.operation.enable, status.questionable.enable = 16, 1
    status.operation.set_condition(16)
    status.questionable.set_condition(1)
    assert status.byte() & (8 | 128) == 8 | 128

    status.clear()
    assert status.byte() == 0


def test_an_event_is_latched_by_the_transitions_that_the_filters_let_through() -> None:
    register = Register()
    register.set_condition(16)
    register.set_condition(0)
    assert (register.condition, register.read_event(), register.read_event()) == (0, 16, 0)

    register.positive, register.negative = 0, 16
    register.set_condition(16)
    assert register.event == 0
    register.set_condition(0)
    assert register.event == 16

    register.enable = 16
    register.preset()
    assert (register.enable, register.positive, register.negative, register.event) == (0, 0x7FFF, 0, 16)
