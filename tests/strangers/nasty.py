"""What a stranger may put where something else was meant."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from hypothesis import strategies as st

TEXTS = (
    "",
    "x" * 3000,
    "\x1b[2J\x07",
    "\u202egnp",
    "[red]:bomb:",
    "=1+1",
    "../../etc/x",
    "$\\frac{1}{0}$",
    "<&]]>",
    "{value.__class__}",
    "a;b",
    'a"b',
    "a\nb",
    "\x00",
    "nan",
    "-inf",
    "1e999",
    "9" * 5000,
)
"""Texts that a terminal, a spreadsheet, a typesetter, a shell or a number reader could take for more than text."""

NUMBERS = (0, -1, 1, 2, 10**9, 2**63, 10**30, 0.5, -0.0, 1e-29, 1e-300, 1e5, 1e18, 1e308, -1e308)

JSON = st.one_of(
    st.sampled_from(TEXTS),
    st.sampled_from(NUMBERS),
    st.none(),
    st.booleans(),
    st.just([]),
    st.just({}),
    st.just([[[]]]),
    st.just("\ud800"),
)
"""Values of a JSON file."""

TOML = st.one_of(
    st.sampled_from(NUMBERS).map(repr),
    st.sampled_from([text for text in TEXTS if text.isprintable()]).map(json.dumps),
    st.sampled_from(
        (
            "nan",
            "-inf",
            "[]",
            "{}",
            "[[[[]]]]",
            "[" * 300 + "]" * 300,
            '"\\u0000"',
            '"\\u001b[2J"',
            "2027-02-30",
            "2027-02-28T00:00:00Z",
            "07:00:00",
            "true",
            "0x" + "f" * 5000,
            "9" * 4000,
            "{a.b.c = 1, d = [{}]}",
            "'''\na\nb'''",
            '"1 V"',
            '"-1e99 kΩ"',
            '["1 V", "2 V"]',
        )
    ),
)
"""Values of a TOML file, as they are written."""


@st.composite
def mangled_toml(draw: st.DrawFn, texts: tuple[str, ...]) -> str:
    """A good file with some values replaced, keys repeated or renamed, pieces torn out or put in."""
    lines = draw(st.sampled_from(texts)).splitlines()
    for _ in range(draw(st.integers(1, 3))):
        number = draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[number].partition(" = ")
        match draw(st.integers(0, 5)):
            case 0 | 1 | 2 if equals:
                lines[number] = f"{key} = {draw(TOML)}"
            case 3:
                lines.insert(number, draw(st.sampled_from(lines)))
            case 4:
                lines.insert(number, f"{draw(st.text(max_size=8))} = {draw(TOML)}")
            case _:
                at, length = draw(st.integers(0, 60)), draw(st.integers(0, 10))
                lines[number] = lines[number][:at] + draw(st.text(max_size=6)) + lines[number][at + length :]
    return "\n".join(lines)


@st.composite
def mangled_bytes(draw: st.DrawFn, data: bytes) -> bytes:
    """Good bytes with some changed, cut off, doubled, or others put in."""
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        match draw(st.integers(0, 4)):
            case 0:
                data = data[:at] + draw(st.binary(max_size=12)) + data[at:]
            case 1:
                data = data[:at] + draw(st.binary(max_size=4)) + data[at + 4 :]
            case 2:
                data = data[:at]
            case 3:
                data = data[:at] + data[max(0, at - 200) : at] + data[at:]
            case _:
                data = data[:at] + draw(st.sampled_from([text.encode() for text in TEXTS])) + data[at:]
    return data


def places(raw: Any, at: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every place of a JSON value, of lists the first two and the last."""
    yield at
    if isinstance(raw, dict):
        for key, value in raw.items():
            yield from places(value, (*at, key))
    elif isinstance(raw, list):
        for index in sorted({0, 1, len(raw) - 1} & set(range(len(raw)))):
            yield from places(raw[index], (*at, index))


def put(raw: Any, at: tuple[str | int, ...], value: Any) -> Any:
    """The same JSON value with another one at that place."""
    if not at:
        return value
    first, rest = at[0], at[1:]
    if isinstance(raw, dict):
        return {**raw, first: put(raw[first], rest, value)}
    assert isinstance(first, int)
    return [*raw[:first], put(raw[first], rest, value), *raw[first + 1 :]]
