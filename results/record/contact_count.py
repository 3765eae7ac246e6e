"""How often a relay's contact has closed: in a run, and in all runs of its bench that are known of."""

from __future__ import annotations

from dataclasses import dataclass

NEAR_SHARE = 0.8
"""From this share of its life on, a contact is told of."""


@dataclass(frozen=True)
class ContactCount:
    """One contact. `contact`: its channel, as the bench file writes it; `wire`: what it joins, `press` say.

    `closings`: in this run. `closings_total`: in all runs, None where those before are not known. `life`: how often it
    may close, None where the bench file limits it not.
    """

    contact: str
    wire: str
    closings: int
    closings_total: int | None = None
    life: int | None = None

    @property
    def life_share(self) -> float | None:
        """How much of its life is over, 1 for all; None where total or life are not known."""
        if self.closings_total is None or self.life is None:
            return None
        return self.closings_total / self.life

    @property
    def is_near_its_end(self) -> bool:
        return self.life_share is not None and self.life_share >= NEAR_SHARE
