"""The table of `make faults`: one row a fault and role, and a verdict in the last line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from tests.faults.faults import FAULTS, named
from tests.faults.outcome import Kind, Outcome
from tests.faults.rules import NOT_PRODUCED, RULES

COLUMNS: tuple[Kind, ...] = ("right number", "named failure", "wrong number", "no name", "unsafe", "hung", "crash")


@dataclass(frozen=True)
class Row:
    """`counts`: by kind of outcome. `again`: tries repeated because the computer was too busy."""

    fault: str
    role: str
    counts: Counter[Kind]
    again: int

    @property
    def tried(self) -> int:
        return sum(self.counts[kind] for kind in COLUMNS)

    @property
    def falls_short(self) -> bool:
        """A wrong number, a failure without a name, an unsafe end, none at all; or a fault that never took hold."""
        return any(self.counts[kind] > 0 for kind in COLUMNS[2:]) or not self.tried


def rows(outcomes: Sequence[Outcome]) -> list[Row]:
    """By fault in the order of the table of faults, then by role; tries of a single fault only."""
    found: dict[tuple[str, str], list[Outcome]] = {}
    for outcome in outcomes:
        (injection,) = outcome.attempt.injections
        found.setdefault((injection.fault, injection.role), []).append(outcome)
    order = {fault.name: index for index, fault in enumerate(FAULTS)}
    return [
        Row(fault, role, Counter(one.kind for one in group), sum(one.stalled for one in group))
        for (fault, role), group in sorted(found.items(), key=lambda item: order[item[0][0]])
    ]


def rule_text(fault: str) -> str:
    """ "link rule 2", "link rules 4, 9", or nothing."""
    rules = named(fault).rules
    return f"link rule{'s' if len(rules) > 1 else ''} {', '.join(map(str, rules))}" if rules else "–"


def table(outcomes: Sequence[Outcome]) -> str:
    """All rows, what fell short in words, and what nothing here can produce."""
    lines = [f"{'fault':27} {'rule':19} {'role':12} {'tried':>5} " + " ".join(f"{name:>13}" for name in COLUMNS)]
    for row in rows(outcomes):
        counts = " ".join(f"{row.counts[kind]:13}" for kind in COLUMNS)
        mark = "  <-- falls short" if row.falls_short else ""
        lines.append(f"{row.fault:27} {rule_text(row.fault):19} {row.role:12} {row.tried:5} {counts}{mark}")
    lines += [f"falls short: {described(one)}" for one in outcomes if not one.holds and one.kind != "no bite"]
    lines += [f"not produced: link rule {number} ({RULES[number]}): {why}" for number, why in NOT_PRODUCED.items()]
    return "\n".join(lines) + "\n"


def described(outcome: Outcome) -> str:
    """One line that says how to make this try again, and what came of it."""
    faults = ", ".join(
        f"{one.fault} on {one.role} at {one.moment:.4f}" + (f" for {one.lasts_s:g} s" if one.lasts_s else "")
        for one in outcome.attempt.injections
    )
    return f"press by {outcome.attempt.path}, {faults}: {outcome.kind}: {outcome.text}"


def verdict(outcomes: Sequence[Outcome]) -> tuple[bool, str]:
    """Whether nothing falls short, and the sentence for the last line."""
    counts = Counter(outcome.kind for outcome in outcomes)
    tried = sum(counts[kind] for kind in COLUMNS)
    short = sum(row.falls_short for row in rows(outcomes))
    told = ", ".join(f"{kind} {counts[kind]}" for kind in COLUMNS)
    again = sum(outcome.stalled for outcome in outcomes)
    return short == 0, f"{tried} runs with one fault ({told}; {counts['no bite']} without hold, {again} made again)"
