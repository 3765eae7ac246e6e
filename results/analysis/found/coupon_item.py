"""What a check coupon must show, and when it was looked at."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from results.record.check import CheckItem

When = Literal["before", "after"]


@dataclass(frozen=True)
class CouponItem:
    """One thing that a coupon must show, before the first trial of the unit or after its last."""

    when: When
    item: CheckItem


def is_void(items: Iterable[CouponItem]) -> bool:
    """Whether a coupon was seen as something else: then nothing that lies between is to be believed."""
    return any(one.item.verdict == "fail" for one in items)
