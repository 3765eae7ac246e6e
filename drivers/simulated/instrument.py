"""What every SCPI instrument here has: the commands that IEEE 488.2 and SCPI-99 demand; how a message is carried out.

A message is carried out by a generator. It yields a bench time to wait for (a reading that takes 20 ms), is resumed
when the world's `now_s` is there, and returns the reply, if any. So the same instrument serves a socket in scaled real
time and a test that moves the time by hand, and never sleeps itself.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence

from drivers.simulated.command import Argument, Unit, units
from drivers.simulated.command_tree import CommandTree
from drivers.simulated.parameter import Handler, Waiting, bare, integer, nothing, word
from drivers.simulated.response import ResponseFormat
from drivers.simulated.scpi_error import ScpiError
from drivers.simulated.status import OPC, Register, Status
from drivers.simulated.world import World


class Restarted(Exception):  # noqa: N818 (an event of the message exchange, no error of this program)
    """The instrument restarted while a message was carried out: nothing of it is left, nor a reply."""


class Instrument:
    """One SCPI instrument in front of a world. Subclasses add their commands to `tree` and override `reset`.

    `pending_until()` says when an operation that was started ends.
    """

    def __init__(self, world: World, identity: str) -> None:
        self.world = world
        self.identity = identity
        self.status = Status()
        self.format = ResponseFormat()
        self.tree: CommandTree[Handler] = CommandTree()
        self._operation_complete_asked = False
        self._answering = False
        self._starts = 0
        self._add_common()
        self._add_status()

    @property
    def now_s(self) -> float:
        return self.world.now_s

    def reset(self) -> None:
        """*RST: settings to their defaults; queue, enables and format of the interface stay."""

    def heard(self) -> None:
        """A message has come, whatever it says."""

    def restart(self) -> None:
        """As after its power came back: settings, status and interface at their defaults, a message under way gone."""
        self._starts += 1
        self._operation_complete_asked = False
        self.reset()
        self.format.power_on()
        self.status.power_on()

    def pending_until(self) -> float | None:
        """The bench time at which the operation under way ends; infinity if it waits for a trigger; None: idle."""
        return None

    def condition(self) -> int:
        """The operation status condition register."""
        return 0

    def run(self, message: str) -> Generator[float, None, bytes | None]:
        """Carry out one program message; see the module's text. Errors go to the queue; units after one are not run."""
        self.heard()
        replies: list[bytes] = []
        last: Unit | None = None
        try:
            for unit in units(message):
                if last is not None and last.query and last.header == ("*IDN",) and unit.query:
                    raise ScpiError(-440, ":".join(unit.header) + "?")
                self._look()
                self._answering = bool(replies)
                result = self.tree.find(unit)(unit.arguments)
                if isinstance(result, Generator):
                    result = yield from self._unless_restarted(result)
                if result is not None:
                    replies.append(result.encode("latin-1") if isinstance(result, str) else result)
                last = unit
        except Restarted:
            return None
        except ScpiError as error:
            self.status.record(error)
        self._look()
        return b";".join(replies) + b"\n" if replies else None

    def _unless_restarted(self, steps: Waiting) -> Waiting:
        """Wait as `steps` say. Raises Restarted where the instrument restarts meanwhile."""
        starts = self._starts
        while True:
            try:
                until_s = next(steps)
            except StopIteration as end:
                reply: str | bytes | None = end.value
                return reply
            yield until_s
            if self._starts != starts:
                raise Restarted

    def interrupted(self) -> None:
        """A new message came before the reply to the last one was complete: that reply is dropped, and −410 queued."""
        self.status.record(ScpiError(-410))

    def _look(self) -> None:
        """Bring the status registers up to now."""
        self.status.operation.set_condition(self.condition())
        if self._operation_complete_asked and self.pending_until() is None:
            self._operation_complete_asked = False
            self.status.event |= OPC

    def wait(self) -> Waiting:
        """Until no operation is pending."""
        while (until := self.pending_until()) is not None:
            yield until
        return None

    def add(self, pattern: str, set_: Handler | None = None, get: Handler | None = None) -> None:
        """A header's command, its query, or both."""
        if set_ is not None:
            self.tree.add(pattern, set_)
        if get is not None:
            self.tree.add(pattern + "?", get)

    def _add_common(self) -> None:
        status = self.status

        def enable(name: str) -> Handler:
            def set_(arguments: Sequence[Argument]) -> None:
                setattr(status, name, integer(arguments, 0, 255) & (0xBF if name == "request_enable" else 0xFF))

            return set_

        self.add("*IDN", get=bare(lambda: self.identity))
        self.add("*RST", bare(self._reset))
        self.add("*CLS", bare(self._clear))
        self.add("*ESE", enable("event_enable"), bare(lambda: str(status.event_enable)))
        self.add("*SRE", enable("request_enable"), bare(lambda: str(status.request_enable)))
        self.add("*ESR", get=bare(lambda: str(status.read_event())))
        self.add("*STB", get=bare(lambda: str(status.byte(self._answering))))
        self.add("*TST", get=bare(lambda: "0"))
        self.add("*OPC", bare(self._ask_operation_complete), bare(self._wait_complete))
        self.add("*WAI", bare(self.wait))
        self.add("SYSTem:ERRor[:NEXT]", get=bare(status.errors.pop))
        self.add("SYSTem:ERRor:COUNt", get=bare(lambda: str(len(status.errors))))
        self.add("SYSTem:VERSion", get=bare(lambda: "1999.0"))

    def _reset(self) -> None:
        self._operation_complete_asked = False
        self.reset()

    def _clear(self) -> None:
        self._operation_complete_asked = False
        self.status.clear()

    def _ask_operation_complete(self) -> None:
        self._operation_complete_asked = True

    def _wait_complete(self) -> Waiting:
        yield from self.wait()
        return "1"

    def _add_status(self) -> None:
        status = self.status

        def preset(arguments: Sequence[Argument]) -> None:
            nothing(arguments)
            status.operation.preset()
            status.questionable.preset()

        self.add("STATus:PRESet", preset)
        self._add_register("STATus:OPERation", status.operation)
        self._add_register("STATus:QUEStionable", status.questionable)

    def _add_register(self, root: str, register: Register) -> None:
        self.add(f"{root}[:EVENt]", get=bare(lambda: str(register.read_event())))
        self.add(f"{root}:CONDition", get=bare(lambda: str(register.condition)))
        for mnemonic, name in (("ENABle", "enable"), ("PTRansition", "positive"), ("NTRansition", "negative")):
            self.add(f"{root}:{mnemonic}", *_register_part(register, name))

    def add_format(self) -> None:
        """FORMat[:DATA] and FORMat:BORDer, for an instrument that returns readings."""
        form = self.format

        def set_data(arguments: Sequence[Argument]) -> None:
            kind = word(arguments[:1], {"ASC": "ASC", "ASCII": "ASC", "REAL": "REAL"})
            if len(arguments) > 2:
                raise ScpiError(-108)
            length = integer(arguments[1:], 0, 64) if len(arguments) == 2 else 0
            if kind == "REAL" and (length or 64) not in (32, 64):
                raise ScpiError(-224, str(length))
            form.kind = f"REAL{length or 64}" if kind == "REAL" else "ASC"

        def set_order(arguments: Sequence[Argument]) -> None:
            order = word(arguments, {"NORM": "NORM", "NORMAL": "NORM", "SWAP": "SWAP", "SWAPPED": "SWAP"})
            form.swapped = order == "SWAP"

        self.add("FORMat[:DATA]", set_data, bare(lambda: form.data_text()))
        self.add("FORMat:BORDer", set_order, bare(lambda: "SWAP" if form.swapped else "NORM"))


def _register_part(register: Register, name: str) -> tuple[Handler, Handler]:
    def set_(arguments: Sequence[Argument]) -> None:
        setattr(register, name, integer(arguments, 0, 65_535) & 0x7FFF)

    return set_, bare(lambda: str(getattr(register, name)))
