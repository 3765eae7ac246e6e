"""Making a bench safe: its steps in order, each tried again on a fresh link where the first one fails."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from drivers.chamber import Chamber
from drivers.errors import LinkError
from drivers.instrument import Instrument
from drivers.operator import Operator
from drivers.press import Press
from drivers.rail import Rail
from drivers.relays import Relays
from drivers.source import Source
from drivers.wiring import Wiring

MAKE_SAFE_S = 35.0
"""Real seconds that making safe takes at most: 27 s where two relay devices, source, supply, chamber are all deaf."""


def safe_steps(
    *,
    wiring: Wiring,
    relays: Relays,
    source: Source | None,
    rail: Rail,
    chamber: Chamber | None,
    press: Press | None,
    operator: Operator | None,
) -> Iterator[tuple[str, Callable[[], None]]]:
    """In order, each with what is not proven where it fails. Relays first: a release is a relay that opens."""
    if press is not None and press.path == "hand" and press.let_go_s is None and operator is not None:
        yield f"operator: not told to let go of {press.pin}", partial(operator.let_go, press.pin)
    leading = (wiring.press, wiring.source, *wiring.hold.values())
    pressing = {channel.device for channel in leading if channel is not None}
    # What can press comes first: a deaf one before it would keep the pin energised until its deadlines are over.
    for role, device in sorted(relays.devices.items(), key=lambda item: item[0] not in pressing):
        yield f"{role}: relays not proven open", partial(tried_twice, device.instrument, device.open_all)
    if source is not None:
        yield "source: output not proven off", partial(tried_twice, source.instrument, source.output_off)
    if rail.supply is not None:
        # Last: nothing presses any more, so that no pin of an unpowered board is driven.
        for what, step in rail.safe_steps():
            yield what, partial(tried_twice, rail.supply.instrument, step)
    if chamber is not None:
        yield "chamber: not proven off", partial(tried_twice, chamber.instrument, chamber.off)


def awake(instrument: Instrument) -> None:
    """Reopen a link that has failed."""
    if instrument.link.state != "ok":
        instrument.link.reopen()


def tried_twice(instrument: Instrument, step: Callable[[], None]) -> None:
    """Carry a safe step out; where a link that seemed sound fails, once more on a fresh one.

    A link that had failed before gets one fresh try only: each costs a deadline, and a guard tries on for longer.
    """
    if instrument.link.state != "ok":
        instrument.link.reopen()
        step()
        return
    try:
        step()
    except LinkError:
        instrument.link.reopen()
        step()
