"""Scripted instruments: a plain function behind the real link interface, and a clock that is moved by waiting on it."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from drivers.bench import Bench
from drivers.board import Board
from drivers.clock import Clock
from drivers.dialect import Dialect
from drivers.errors import LinkDirtyError
from drivers.instrument import Instrument
from drivers.lease import Lease, no_lease
from drivers.limits import Limits
from drivers.link import LinkState
from drivers.meter import Meter
from drivers.operator import Operator
from drivers.rail import Rail
from drivers.relay_board import RelayBoard
from drivers.source import Source
from drivers.switch import Switch
from drivers.wiring import Channel, Wiring

Answer = Callable[[str], str | bytes | None]


class FunctionLink:
    """A link whose other end is a function: message in, reply (or None for no reply) out. `sent` may be shared."""

    def __init__(self, resource: str, answer: Answer, sent: list[tuple[str, str]] | None = None) -> None:
        self.resource = resource
        self.answer = answer
        self.sent = [] if sent is None else sent
        self.timeouts: list[float | None] = []
        self.state: LinkState = "ok"
        self.reopened = 0

    def send(self, message: str, timeout_s: float | None = None) -> None:
        assert self._exchange(message, timeout_s) is None, f"{message!r} is answered, and nobody reads the answer"

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        reply = self._exchange(message, timeout_s)
        assert isinstance(reply, str), f"{message!r} is not answered by a line: {reply!r}"
        return reply

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        reply = self._exchange(message, timeout_s)
        assert isinstance(reply, bytes), f"{message!r} is not answered by a block: {reply!r}"
        return reply

    def reopen(self) -> None:
        self.state = "ok"
        self.reopened += 1

    def revoke(self) -> None:
        self.state = "lost"

    def close(self) -> None:
        self.state = "lost"

    def _exchange(self, message: str, timeout_s: float | None) -> str | bytes | None:
        if self.state != "ok":
            raise LinkDirtyError("reopen it first", resource=self.resource, command=message)
        self.sent.append((self.resource, message))
        self.timeouts.append(timeout_s)
        return self.answer(message)


class HandTime:
    """Real time that passes only by sleeping."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert seconds > 0.0
        self.now_s += seconds

    def clock(self, speed: float = 1.0, stop: Callable[[], bool] = lambda: False) -> Clock:
        return Clock(speed, stop, monotonic=self.monotonic, sleep=self.sleep)


def scpi(one: Answer) -> Answer:
    """Answers a program message: each command by `one`, without its leading colon; replies joined by semicolons."""

    def whole(message: str) -> str | bytes | None:
        replies = [reply for command in message.split(";") if (reply := one(command.removeprefix(":"))) is not None]
        if not replies:
            return None
        if len(replies) == 1:
            return replies[0]
        return ";".join(str(reply) for reply in replies)

    return whole


def common(identity: str, errors: list[str]) -> Answer:
    """The common commands of a well-behaved instrument; `errors` is its error queue. Raises KeyError for any other."""

    def one(command: str) -> str | None:
        if command == "SYST:ERR?":
            return errors.pop(0) if errors else '0,"No error"'
        if command == "*ESR?":
            return "16" if errors else "0"
        return {"*IDN?": identity, "*OPC?": "1", "*CLS": None, "*RST": None}[command]

    return one


@dataclass
class Rig:
    """A scripted bench: what is closed, what is on, and a voltage that follows from it by `volts`."""

    time: HandTime = field(default_factory=HandTime)
    sent: list[tuple[str, str]] = field(default_factory=list)
    closed: set[str] = field(default_factory=set)
    board_closed: set[str] = field(default_factory=set)
    stuck: set[str] = field(default_factory=set)
    errors: dict[str, list[str]] = field(default_factory=lambda: {"meter": [], "source": [], "switch": []})
    output: bool = False
    off_mode: str = "NORM"
    forced_v: float = 0.0
    compliance_a: float = 0.0
    settings: dict[str, str] = field(default_factory=dict)
    display: str = ""
    log_started_s: float | None = None
    time_base: float = 1.0
    volts: Callable[[Rig], float] = lambda rig: 0.0
    setups: dict[str, str] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    stop: bool = False

    def switch(self, command: str) -> str | None:
        head, _, channels = command.partition(" ")
        named = [one for one in channels.strip("(@)").split(",") if one]
        if head == "ROUT:CLOS":
            self.closed |= set(named)
        elif head == "ROUT:OPEN":
            self.closed -= set(named) - self.stuck
        elif head in ("ROUT:OPEN:ALL", "*RST"):
            self.closed &= self.stuck
        elif head == "ROUT:CLOS?":
            return ",".join("1" if one in self.closed else "0" for one in named)
        elif head == "ROUT:CLOS:STAT?":
            return f"(@{','.join(sorted(self.closed))})"
        else:
            return _text(common("Invented Instruments,S24,7,1.0", self.errors["switch"])(command))
        return None

    def source(self, command: str) -> str | None:
        head, _, value = command.partition(" ")
        if head == "*RST":
            self.output, self.off_mode = False, "NORM"
        elif head == "OUTP:STAT":
            self.output = value == "ON"
        elif head == "OUTP:SMOD":
            self.off_mode = value
        elif head == "SOUR:VOLT:LEV:IMM:AMPL":
            self.forced_v = float(value)
        elif head == "SENS:CURR:PROT:LEV":
            self.compliance_a = float(value)
        elif head in ("SOUR:FUNC:MODE", "SOUR:VOLT:RANG", "SENS:FUNC:CONC", "SENS:FUNC"):
            self.settings[head] = value
        else:
            asked = {
                "OUTP:STAT?": "1" if self.output else "0",
                "OUTP:SMOD?": self.off_mode,
                "SENS:CURR:PROT:LEV?": repr(self.compliance_a),
                "SENS:CURR:PROT:TRIP?": "0",
                "SOUR:FUNC:MODE?": self.settings.get("SOUR:FUNC:MODE", "VOLT"),
                "SOUR:VOLT:LEV:IMM:AMPL?": repr(self.forced_v),
                "READ?": f"{self.forced_v!r},5.5E-05",
            }
            if head in asked:
                return asked[head]
            return _text(common("Invented Instruments,U2,8,1.0", self.errors["source"])(command))
        return None

    def meter(self, command: str) -> str | bytes | None:
        head, _, value = command.partition(" ")
        if head == "DISP:TEXT":
            self.display = value
        elif head == "DISP:TEXT?":
            return self.display
        elif head == "INIT":
            self.log_started_s = self.time.now_s
        elif head == "READ?":
            return struct.pack(">d", self.volts(self))
        elif head == "TRAC:POIN:ACT?":
            return str(self.samples())
        elif head == "TRAC:DATA?":
            count = self.samples()
            return struct.pack(f">{count}d", *(0.001 * i for i in range(count)))
        elif head.startswith("*") or head == "SYST:ERR?":
            return common("Invented Instruments,V6,9,1.0", self.errors["meter"])(command)
        elif head.endswith("?"):
            return self.settings[head.removesuffix("?")]
        else:
            self.settings[head] = value
        return None

    def samples(self) -> int:
        assert self.log_started_s is not None
        past_s = (self.time.now_s - self.log_started_s) * self.time_base
        return min(int(self.settings["TRAC:POIN"]), int(past_s / float(self.settings["TRIG:TIM"]) + 1e-9))

    def relay_board(self, command: str) -> str:
        verb, _, number = command.partition(" ")
        if verb == "IDN?":
            return "Invented Instruments,R8,10,1.0"
        if verb == "CLOSED?":
            return " ".join(sorted(self.board_closed)) or "NONE"
        if verb == "OPEN" and number == "ALL":
            self.board_closed &= self.stuck
        elif verb == "OPEN":
            self.board_closed -= {number} - self.stuck
        elif verb == "CLOSE" and int(number) <= 8:
            self.board_closed.add(number)
        else:
            return f"ERR 2 no such relay {number}"
        return "OK"

    def console(self, command: str) -> str:
        verb, *rest = command.split(" ", 2)
        if verb == "id":
            return "Fernhill irrigation controller,C,FH-2417-001,1.4"
        if verb == "setup":
            self.setups[rest[0]] = rest[1]
        elif verb == "setup?":
            return self.setups.get(rest[0], "reset default")
        elif verb == "read":
            return {"D1": "high", "D2": "low"}.get(rest[0], "off")
        elif verb != "reset":
            return f"error: {verb} is not known"
        return "ok"

    def link(self, role: str) -> FunctionLink:
        answers: Mapping[str, Answer] = {
            "meter": scpi(self.meter),
            "source": scpi(self.source),
            "switch": scpi(self.switch),
            "relay_board": self.relay_board,
            "board": self.console,
        }
        return FunctionLink(role, answers[role], self.sent)

    def instrument(self, role: str, overrides: Mapping[str, str] | None = None) -> Instrument:
        return Instrument(self.link(role), Dialect(role, overrides), name=role)

    def operator(self) -> Operator:
        return Operator(self.told.append, self.told.append)

    def bench(
        self,
        wiring: Wiring | None = None,
        limits: Limits | None = None,
        *,
        with_operator: bool = False,
        with_source: bool = True,
        expected: Mapping[str, str] | None = None,
        lease: Lease = no_lease,
        rail: Rail | None = None,
    ) -> Bench:
        clock = self.time.clock(stop=lambda: self.stop)
        return Bench(
            clock=clock,
            meter=Meter(self.instrument("meter"), clock),
            limits=limits or Limits(),
            wiring=wiring or full_wiring(),
            switch=Switch(self.instrument("switch")),
            relay_board=RelayBoard(self.instrument("relay_board")),
            source=Source(self.instrument("source"), clock) if with_source else None,
            board=Board(self.instrument("board")),
            operator=self.operator() if with_operator else None,
            expected=expected,
            lease=lease,
            rail=rail,
        )

    def prepare(self, bench: Bench, rail_v: float = 3.3) -> None:
        """Prepare a bench and have its rail measured, as before any press; what the meter shows then is as before."""
        bench.prepare()
        volts, self.volts = self.volts, lambda _: rail_v / 1.001  # 10 kΩ into 10 MΩ
        bench.rail_voltage()
        self.volts = volts

    def messages(self, role: str) -> list[str]:
        return [message for to, message in self.sent if to == role]


def full_wiring() -> Wiring:
    return Wiring(
        select={"D1": Channel("switch", "101"), "D2": Channel("switch", "102")},
        press=Channel("switch", "201"),
        press_ohm=1000.0,
        press_u_ohm=5.8,
        discharge=Channel("switch", "202"),
        discharge_ohm=1000.0,
        rail=Channel("switch", "203"),
        rail_ohm=10e3,
        source=Channel("switch", "204"),
        fit={"47 kΩ": Channel("relay_board", "1"), "10 kΩ": Channel("relay_board", "2")},
    )


def _text(reply: str | bytes | None) -> str | None:
    assert not isinstance(reply, bytes)
    return reply
