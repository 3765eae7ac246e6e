"""The page of the study is of the form that the program writes, and its verdict is that of its own table."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

import harness
from tests.study.hidden_leak import SHAPES
from tests.study.hidden_pin import SUPPLIES
from tests.study.page import HEAD, Made, page
from tests.study.tally import COVERED, LEAST_DETERMINED, LEAST_PINS
from tests.study.test_study import GOOD, MISSED, SOUND

PAGE = Path(harness.__file__).parent.parent / "docs" / "study.md"
REASON = (
    "sweep, down branch: not determined: no step settled outside of the current limit between 974.1 mV and 1.138 V, or "
    "the node jumped over it; sweep, up branch: not determined"
)
MADE = Made(seed=2417, version="0.1.0", day="2026-01-31", minutes=31.4)


def written() -> str:
    """A page of made outcomes, with every shape and supply, and one reason."""
    pins = [
        replace(one, shape=shape, supply=supply.standard)
        for shape in SHAPES
        for supply in SUPPLIES
        for one in [GOOD] * 57 + [MISSED] * 3 + [SOUND]
    ]
    return page([*pins, replace(GOOD, required_s=None, number=47, problem=REASON)], MADE)


def table(text: str) -> dict[str, list[str]]:
    """The rows of the main table: what -> found, asked, held."""
    body = text[text.index("| what |") : text.index("**Verdict")]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in body.splitlines()[2:] if line]
    return {row[0]: row[1:] for row in rows}


def test_a_page_names_seed_count_version_day_and_verdict() -> None:
    text = written()
    assert "Seed 2417, 2136 pins, stuckpin 0.1.0, 2026-01-31, 31 minutes, 2 pins at a time." in text
    assert "**Verdict: holds: 2136 pins, nothing falls short.**" in text
    reason = "no step settled outside of the current limit between … and …, or the node jumped over it (1 pin: 47)"
    assert f"- sweep, down branch: not determined: {reason} ##" in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 120


def test_each_shape_and_each_supply_has_a_row_of_its_own() -> None:
    text = written()
    for name in (*SHAPES, *(supply.standard for supply in SUPPLIES)):
        assert re.search(rf"^\| {re.escape(name)} \| \d+ \| \d+ of \d+ ", text, re.MULTILINE), name


def test_the_page_in_the_docs_is_of_the_form_that_the_program_writes() -> None:
    """Same text, same rows, same bounds as a page written now."""
    text, now = PAGE.read_text(encoding="utf-8"), written()
    assert text.startswith(HEAD)
    assert text[text.index("## What is drawn") :] == now[now.index("## What is drawn") :]
    assert {what: cells[1] for what, cells in table(text).items()} == {
        what: cells[1] for what, cells in table(now).items()
    }


def test_the_page_in_the_docs_says_how_it_was_made_and_its_verdict_follows_from_its_table() -> None:
    text = PAGE.read_text(encoding="utf-8")
    [made] = re.findall(r"^Seed (\d+), (\d+) pins, stuckpin (\S+), (\d{4}-\d\d-\d\d), \d+ minutes", text, re.MULTILINE)
    rows = table(text)
    pins = int(made[1])
    assert pins >= LEAST_PINS
    assert rows["pins, each on a bench of its own"][0] == str(pins)
    count, of = (int(n) for n in re.findall(r"\d+", rows["95 % interval of R_safe holds the truth"][0])[:2])
    determined = int(rows["sweep tells G_req"][0].split()[0])
    good = {
        "sweep tells G_req": determined / pins >= LEAST_DETERMINED,
        "95 % interval of R_safe holds the truth": COVERED[0] <= count / of <= COVERED[1],
    }
    good |= {what: cells[0].split()[0] == "0" for what, cells in rows.items() if cells[1] == "0"}
    assert len(good) == 6
    assert of <= determined
    for what, ok in good.items():
        assert rows[what][2] == ("yes" if ok else "NO"), what
    assert (f"**Verdict: holds: {pins} pins, nothing falls short.**" in text) is all(good.values())


def test_a_page_of_a_study_that_falls_short_says_so() -> None:
    text = page([GOOD] * 1000 + [replace(GOOD, advised_ohm=12e3)], MADE)
    assert "| recommended resistor sticks | 1 of 1001 | 0 | NO |" in text
    assert "**Verdict: FALLS SHORT: 95 % interval of R_safe holds the truth; recommended resistor sticks.**" in text


@pytest.mark.parametrize("pins", [999, 1000])
def test_a_page_needs_a_thousand_pins(pins: int) -> None:
    from tests.study.page import too_few

    assert bool(too_few(pins)) is (pins < 1000)
