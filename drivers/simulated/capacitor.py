"""What capacitors that are added to the bus bring along and take away: one that is parted keeps its charge."""

from __future__ import annotations


class PartedCapacitors:
    """Remembers the volts of each one that is off the bus."""

    def __init__(self) -> None:
        self._parted_v: dict[str, float] = {}

    def charge_brought(self, before: dict[str, float], after: dict[str, float], bus_v: float) -> float:
        """Coulombs that those bring to the bus whose relays have closed, less what those take along that have opened.

        `before`, `after`: the farads of those on the bus, by contact name.
        """
        opened = before.keys() - after.keys()
        self._parted_v.update(dict.fromkeys(opened, bus_v))
        brought = sum(after[name] * self._parted_v.get(name, 0.0) for name in after.keys() - before.keys())
        return brought - sum(before[name] * bus_v for name in opened)
