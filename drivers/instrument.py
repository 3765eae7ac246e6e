"""An instrument behind an open link: identify, apply settings and read them back, empty the error queue."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers import reply
from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkDirtyError, NotAsSetError, OtherInstrumentError, ReplyError, cut
from drivers.link import Link
from drivers.reply import FloatArray

QUEUE_MAX = 64
"""Errors read from one queue at most: some instruments report a lasting error again and again."""

RESET_TIMEOUT_S = 10.0
"""An instrument may take seconds for *RST; this deadline is for that alone."""

_ESR_FAULTS = 0b0011_1100
"""Query, device-dependent, execution, command error: bits 2 to 5 of the event status register (IEEE 488.2,
11.5.1.1)."""

_ESR_POWER_ON = 0b1000_0000
"""Power on: bit 7 of the event status register (IEEE 488.2, 11.5.1.1): off and on again since it was last read."""

_LINK_FAULTS = (-410, -420, -440)
"""Query interrupted, unterminated, unterminated after an indefinite reply (SCPI-99 vol. 2, 21.8.14): the exchange of
messages itself is broken, so that a later reply may answer an earlier question."""


class Instrument:
    """One instrument over an open link. Nothing is sent before a method is called.

    A reply outside of its grammar and a broken exchange of messages revoke the link: it must be reopened and identified
    anew before it is trusted again.
    """

    def __init__(self, link: Link, dialect: Dialect, *, name: str) -> None:
        """`name` is what messages call it: "meter", "source"."""
        self._link = link
        self._dialect = dialect
        self._power_on_is_known = False
        self.name = name

    @property
    def link(self) -> Link:
        return self._link

    @property
    def dialect(self) -> Dialect:
        return self._dialect

    @property
    def resource(self) -> str:
        """The address, as the bench file writes it."""
        return self._link.resource

    def identify(self, expected: str = "") -> str:
        """The identity as the instrument states it, four fields (maker, model, serial, firmware; IEEE 488.2, 10.14).

        Raises InstrumentError if it has other than four fields, OtherInstrumentError if it lacks the `expected` text.
        """
        command = self._dialect.text("identify")
        text = self._link.ask(command).strip()
        fields = text.split(",")
        if len(fields) != 4 or not all(field.strip() for field in fields[:2]):
            self._link.revoke()
            raise self._error("an identity must have four fields, maker and model not empty", command, text)
        if expected not in text:
            rule = f"{self.name}.identity must hold {expected!r}"
            raise OtherInstrumentError(rule, resource=self.resource, command=command, reply=text)
        return text

    def send(self, purpose: str, *, timeout_s: float | None = None, **values: object) -> None:
        """Carry out one command, followed by an error check. A purpose without a command does nothing.

        Raises InstrumentError with the errors of the queue.
        """
        if command := self._dialect.text(purpose, **values):
            self.carry_out(command, timeout_s=timeout_s)

    def keep(self) -> None:
        """Ask something cheap, so that the connection is not idle; the status byte it is (IEEE 488.2, 10.36)."""
        if self._dialect.has("idle"):
            query = self._dialect.text("idle")
            self._integer(query, self._link.ask(query))

    def carry_out(self, message: str, *, timeout_s: float | None = None) -> None:
        """Send a message that asks nothing, and check for errors. Raises as `send`, and as `check_status`."""
        # Two messages in a row and one reply. In one message, an instrument that gives it up at its first error
        # would not come to the check, and a refused command would look like a dead link.
        self._link.send(message, timeout_s)
        if not self._dialect.has("event_status"):
            self.check_errors(message)
            return
        query = self._dialect.text("event_status")
        self.check_status(query, self._link.ask(query, timeout_s), message)

    def check_status(self, query: str, text: str, message: str) -> None:
        """Check the event status register: `query` asked for it, `text` answered; `message` is what is checked by it.

        Raises NotAsSetError where it was off and on again since `clear_status`, InstrumentError for any other error.
        """
        status = self._integer(query, text)
        if status & _ESR_POWER_ON and self._power_on_is_known:
            rule = f"it restarted (event status {status}: power on): its settings are back at their defaults"
            raise NotAsSetError(rule, resource=self.resource, command=message)
        if status & _ESR_FAULTS:
            self.check_errors(message)
            raise self._error(f"event status {status} tells of an error, yet the error queue is empty", message)

    def clear_status(self) -> None:
        """Empty the status registers and the error queue. A power-on event that is seen from here on is a restart."""
        if self._dialect.has("clear"):
            self._link.send(self._dialect.text("clear"))
        elif self._dialect.has("event_status"):
            self._link.ask(self._dialect.text("event_status"))
        self._power_on_is_known = True

    def ask(self, purpose: str, *, timeout_s: float | None = None, **values: object) -> str:
        """The one line that answers this purpose, blanks around it removed."""
        return self._link.ask(self._query(purpose, values), timeout_s).strip()

    def ask_number(self, purpose: str, *, timeout_s: float | None = None, **values: object) -> float:
        """The number that answers this purpose; NaN means overload. Raises ReplyError for anything else."""
        command = self._query(purpose, values)
        text = self._link.ask(command, timeout_s)
        with self._distrust():
            return reply.number(text, resource=self.resource, command=command)

    def ask_numbers(
        self, purpose: str, count: int | None = None, *, timeout_s: float | None = None, **values: object
    ) -> FloatArray:
        """The comma-separated numbers that answer this purpose, shape (count,); NaN means overload.

        Raises ReplyError for another grammar or another count.
        """
        command = self._query(purpose, values)
        text = self._link.ask(command, timeout_s)
        with self._distrust():
            return reply.numbers(text, count, resource=self.resource, command=command)

    def ask_block(
        self, purpose: str, count: int, *, timeout_s: float | None = None, dtype: str = ">f8", **values: object
    ) -> FloatArray:
        """The block of binary numbers that answers this purpose, shape (count,); NaN means overload.

        `dtype` is big-endian float64, as FORM REAL,64 and FORM:BORD NORM give it. Raises ReplyError for another count.
        """
        command = self._query(purpose, values)
        payload = self._link.ask_block(command, timeout_s)
        with self._distrust():
            return reply.block_values(payload, count, dtype, resource=self.resource, command=command)

    def apply(
        self, purpose: str, value: float, *, read: str, rel: float = 1e-6, absolute: float = 0.0, unit: str = ""
    ) -> float:
        """Set a value, read it back by the purpose `read` and return what the instrument took.

        Raises InstrumentError if it took a value further off than `rel` (relative) and `absolute` together.
        """
        self.send(purpose, value=value)
        taken = self.ask_number(read)
        # Written so that NaN fails as well.
        if not abs(taken - value) <= rel * abs(value) + absolute:
            told = f"{value!r} {unit}".rstrip()
            raise self._error(f"{purpose} was set to {told} but reads back as {taken!r}", self._dialect.text(read))
        return taken

    def check_errors(self, command: str, *, timeout_s: float | None = None) -> None:
        """Empty the error queue. Raises one InstrumentError with all that it held, oldest first; `command` is named.

        Raises LinkDirtyError if the queue tells of a broken exchange of messages.
        """
        errors = self._drain(timeout_s)
        if not errors:
            return
        if any(number in _LINK_FAULTS for number, _ in errors):
            self._link.revoke()
            told = ", ".join(f"{number} {cut(text)}" for number, text in errors)
            rule = f"the exchange of messages is broken ({told}); reopen and identify"
            raise LinkDirtyError(rule, resource=self.resource, command=command)
        rule = "the instrument reports errors"
        if len(errors) == QUEUE_MAX:
            rule = f"the error queue is not empty after {QUEUE_MAX} entries"
        # An instrument that repeats one error for ever shall not repeat it in the message.
        raise self._error(rule, command, errors=tuple(dict.fromkeys(errors)))

    def reset(self) -> None:
        """Clear status and error queue, reset the settings, wait until done; then the error queue must be empty.

        *RST leaves the error queue alone (IEEE 488.2, 10.32), so *CLS goes first.
        """
        self.clear_status()
        command = f"{self._dialect.text('reset')};{self._dialect.text('done')}"
        if self._integer(command, self._link.ask(command, RESET_TIMEOUT_S)) != 1:
            raise self._error("a reset must be answered by 1", command)
        self.check_errors(command)

    def _query(self, purpose: str, values: dict[str, object]) -> str:
        command = self._dialect.text(purpose, **values)
        if not command:
            raise self._error(f"it has no command for {purpose!r} (bench file: {self._dialect.role}.commands)", "")
        return command

    def _drain(self, timeout_s: float | None) -> list[tuple[int, str]]:
        errors: list[tuple[int, str]] = []
        command = self._dialect.text("error")
        for _ in range(QUEUE_MAX):
            text = self._link.ask(command, timeout_s)
            with self._distrust():
                number, told = reply.queue_entry(text, resource=self.resource, command=command)
            if number == 0:
                break
            errors.append((number, told))
        return errors

    def _integer(self, command: str, text: str) -> int:
        with self._distrust():
            return reply.integer(text, resource=self.resource, command=command)

    @contextmanager
    def _distrust(self) -> Iterator[None]:
        """A reply outside of its grammar may be the answer to another question: the link is not trusted any more."""
        try:
            yield
        except ReplyError:
            self._link.revoke()
            raise

    def _error(
        self, rule: str, command: str, text: str = "", errors: tuple[tuple[int, str], ...] = ()
    ) -> InstrumentError:
        return InstrumentError(rule, resource=self.resource, command=command, errors=errors, reply=text)
