"""What a bus that nothing drives reads."""

from __future__ import annotations

FREE_V = 0.25
"""Below this (in volt, either sign) the bus is free: its meter brings it to 0 V. A contact that stayed closed keeps it
near the rail, a latched pin above 0.5 V; common practice, no source."""
