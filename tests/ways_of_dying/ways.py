"""How a run dies: signals from outside, what a procedure does, a terminal that closes, instruments that fall silent."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

STAYS = "bench.clock.wait(1e5)"
"""A procedure that waits as it should: it looks at the stop request."""


class Victim(Protocol):
    """A run that is about to die."""

    @property
    def pid(self) -> int: ...

    def guard_pid(self) -> int: ...

    def close_terminal(self) -> None: ...

    def close_output(self) -> None: ...


@dataclass(frozen=True)
class Way:
    """`act` is done from outside once the run is there; `deed` is what the procedure does there by itself.

    `hangs`: nothing happens until the guard's lease or its patience is over; what is timed begins with the end of the
    run. `terminal`: the run stands in a terminal of its own. `needs`: in which states it can be.
    """

    name: str
    act: Callable[[Victim], None] | None = None
    deed: str = STAYS
    hangs: bool = False
    terminal: bool = False
    needs: Literal["", "no press"] = ""


def sent(*names: str) -> Callable[[Victim], None]:
    """These signals, one right after the other."""

    def act(run: Victim) -> None:
        for name in names:
            os.kill(run.pid, getattr(signal, name))

    return act


def guard_sent(name: str) -> Callable[[Victim], None]:
    return lambda run: os.kill(run.guard_pid(), getattr(signal, name))


THREAD = """\
import threading
def goes_on():
    while True:
        try:
            bench._relays.close(bench.wiring.press)
        except Exception:
            pass
threading.Thread(target=goes_on, daemon=True).start()
time.sleep(0.05)
raise RuntimeError("and leaves a thread that presses on")"""

CLOSED_LINKS = """\
for instrument in bench._instruments().values():
    instrument.link.close()
raise RuntimeError("and has closed every link")"""

NO_MEMORY = """\
import resource
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + 2 * 1024 * 1024, resource.RLIM_INFINITY))
kept = []
while True:
    kept.append(bytearray(1 << 20))"""

NO_FILES = """\
import resource
used = max(int(name) for name in os.listdir("/proc/self/fd"))
resource.setrlimit(resource.RLIMIT_NOFILE, (used + 2, used + 2))
kept = []
while True:
    kept.append(open("/dev/null"))"""

CHILD = """\
import warnings
warnings.simplefilter("ignore")
if os.fork() == 0:
    time.sleep(20)
    os._exit(0)
os.kill(os.getpid(), 9)"""

GUARD_GONE = """\
children = open(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read().split()
for child in children:
    os.kill(int(child), 9)
time.sleep(0.1)
return made()"""

LEFT_OPEN = """\
bench.rail_voltage()
bench.select("D1")
kept.append(bench.pressed("D1", "relay", 3.3))
kept[-1].__enter__()
return made()"""

WAYS = (
    Way("Ctrl-C", sent("SIGINT")),
    Way("Ctrl-C twice", sent("SIGINT", "SIGINT")),
    Way("Ctrl-C three times", sent("SIGINT", "SIGINT", "SIGINT")),
    Way("SIGTERM", sent("SIGTERM")),
    Way("SIGHUP", sent("SIGHUP")),
    Way("SIGQUIT", sent("SIGQUIT")),
    Way("SIGKILL", sent("SIGKILL")),
    Way("SIGSEGV", sent("SIGSEGV")),
    Way("SIGABRT", sent("SIGABRT")),
    Way("Ctrl-Z, then Ctrl-C", sent("SIGTSTP", "SIGINT")),
    Way("SIGSTOP", sent("SIGSTOP"), hangs=True),
    Way("terminal closed", lambda run: run.close_terminal(), terminal=True),
    Way("output closed, then SIGTERM", lambda run: (run.close_output(), sent("SIGTERM")(run))[1]),
    Way("signals to the guard, then SIGKILL", lambda run: _guard_teased(run)),
    Way("procedure returns nothing", deed="return None"),
    Way("procedure raises", deed='raise RuntimeError("its own mistake")'),
    Way("sys.exit", deed="sys.exit(0)"),
    Way("KeyboardInterrupt", deed="raise KeyboardInterrupt"),
    Way("MemoryError", deed="raise MemoryError"),
    Way("endless recursion", deed="def again(): again()\nagain()"),
    Way("os._exit", deed="os._exit(0)"),
    Way("abort", deed="os.abort()"),
    Way("segmentation fault", deed="import ctypes\nctypes.string_at(0)"),
    Way("endless loop", deed="while True: pass", hangs=True),
    Way("hang in a call", deed="time.sleep(1e6)", hangs=True),
    Way("leaves a pressing thread", deed=THREAD),
    Way("closes every link", deed=CLOSED_LINKS),
    Way("closes every file", deed='os.closerange(3, 256)\nraise RuntimeError("and has closed every file")'),
    Way("no memory left", deed=NO_MEMORY),
    Way("no files left", deed=NO_FILES),
    Way("leaves a child, SIGKILL", deed=CHILD),
    Way("comes back pressed", deed=LEFT_OPEN, needs="no press"),
    Way("guard killed", deed=GUARD_GONE, needs="no press"),
)


def _guard_teased(run: Victim) -> None:
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP"):
        guard_sent(name)(run)
    sent("SIGKILL")(run)
