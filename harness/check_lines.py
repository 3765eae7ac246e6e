"""An item of a bench check as one line of the terminal."""

from __future__ import annotations

from results.record.check import CheckItem
from results.report.bench_check import item_row
from results.report.numbers import text_of

WIDTH = 24


def item_line(item: CheckItem) -> str:
    """Verdict, name, number with U, limits, note: "pass            rail                     3.3050 ± 0.0010 V ..."."""
    name, value, limits, verdict, note = (one if isinstance(one, str) else text_of(one) for one in item_row(item, 2.0))
    parts = [f"{verdict:<15} {name:<{WIDTH}}"]
    parts += [value] if value != "–" else []
    parts += [f"({limits})"] if limits != "–" else []
    parts += [f"[{note}]"] if note else []
    return " ".join(parts).rstrip()
