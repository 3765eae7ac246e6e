"""A plan that the bench cannot carry out is refused before anything is touched."""

# ruff: noqa: E501 - an expected message stands on one line, as the user sees it

from __future__ import annotations

import pytest

from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.together import check_together, together_problems
from tests.harness.wrong_files import BENCH, PLAN, SOURCE, changed, swept_bench

ONE_LINE: list[tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...], str]] = [
    ((('name = "D2"', 'name = "D9"'),), (), 'plan.toml: pins[2].name: bench.toml has no wire for this pin in wiring.select: "D9"'),
    ((('"8k2"', '"22k"'),), (), 'plan.toml: trials.resistors[3]: bench.toml has no relay for this resistor in wiring.fit: "22k"'),
    ((), (('channel = "relay_board 2", ', ""),), 'plan.toml: trials.resistors[3]: bench.toml has no relay for this resistor in wiring.fit: "8k2"'),
    ((), (('press = { channel = "switch 201", resistor = "1 kΩ" }\n', ""),), 'plan.toml: press.path: bench.toml has no wiring.press to press through: "relay"'),
    ((('path = "relay"\n', ""),), (('press = { channel = "switch 201", resistor = "1 kΩ" }\n', ""),), 'plan.toml: press.path: bench.toml has no wiring.press to press through: "relay"'),
    ((('path = "relay"', 'path = "source"'),), (("\n[wiring]\n", SOURCE + "\n[wiring]\n"),), 'plan.toml: press.path: bench.toml has no wiring.source, the series relay by which a source lets go: "source"'),
    ((), (('voltage = "5.5 V"', 'voltage = "3.4 V"'),), 'plan.toml: rail.voltage: with its tolerance up to 3.465 V, above limits.voltage of bench.toml, 3.4 V: "3.3 V"'),
    ((), (('voltage = "5.5 V"', 'press_current = "2 mA"'),), 'plan.toml: rail.voltage: drives 3.465 mA through wiring.press into a pin at 0 V, above limits.press_current of bench.toml, 2 mA: "3.3 V"'),
    ((('hold = "20 ms"', 'hold = "9.99 s"'),), (), 'plan.toml: press.hold: keeps a pin pressed for 10.01 s, longer than limits.press_time of bench.toml, 10 s: "9.99 s"'),
    ((('before = "20 ms"\ntime = "120 ms"\ninterval = "0.1 ms"', 'before = "0.1 s"\ntime = "1 s"\ninterval = "20 ms"'),), (), 'plan.toml: log.interval: must not be a whole number of mains periods (50 Hz): hum would look like a level: "20 ms"'),
    ((), (('input_resistance = "10 MΩ"', "memory = 2000"),), 'plan.toml: log.interval: makes 2401 samples a trial, more than meter.memory of bench.toml, 2000: "0.1 ms"'),
    ((('["reset default"]', '["reset default", "buffer off"]'),), (), 'plan.toml: trials.pin_setups: bench.toml has no [board] console that could change from one setup to another: ["reset default", "buffer off"]'),
    ((("repeats = 3", "as_found = true"),), (), "plan.toml: trials.as_found: bench.toml has no [board] console, so no reset ends the state found: true"),
    ((), (('input_resistance = "10 MΩ"', 'range = "1 V"'),), 'bench.toml: meter.range: must not be below the highest level of plan.toml, 3.465 V: "1 V"'),
]  # fmt: skip


@pytest.mark.parametrize(("in_plan", "in_bench", "line"), ONE_LINE, ids=[line[:60] for _, _, line in ONE_LINE])
def test_plan_that_the_bench_cannot_carry_out(
    in_plan: tuple[tuple[str, str], ...], in_bench: tuple[tuple[str, str], ...], line: str
) -> None:
    plan = plan_from_text(changed(PLAN, *in_plan))
    bench = bench_from_text(changed(BENCH, *in_bench))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench)
    assert str(caught.value) == line


@pytest.mark.parametrize(
    ("table", "in_bench", "lines"),
    [
        ("", (), ["plan.toml: dwell.hold: keeps a pin pressed for 121 s, longer than limits.press_time of bench.toml, 10 s: 120 s"]),
        ('hold = "9.5 s"', (), ['plan.toml: dwell.hold: keeps a pin pressed for 10.5 s, longer than limits.press_time of bench.toml, 10 s: "9.5 s"']),
        ('hold = "5 s"', (('input_resistance = "10 MΩ"', "memory = 6000"),), ["plan.toml: dwell.interval: makes 6321 samples a dwell, more than meter.memory of bench.toml, 6000: 50 ms"]),
        ('hold = "5 s"\ninterval = "20 ms"', (), ['plan.toml: dwell.interval: must not be a whole number of mains periods (50 Hz): hum would look like a level: "20 ms"']),
        ('hold = "5 s"\ninterval = "40 ms"', (), []),
        ('hold = "5 s"', (('line_frequency = "50 Hz"\n', ""),), ["plan.toml: dwell.interval: must not be a whole number of mains periods (60 Hz): hum would look like a level"]),
    ],
    ids=["too long by default", "too long", "no room", "hum stands still", "hum is averaged out", "mains not known"],
)  # fmt: skip
def test_a_long_dwell_that_the_bench_cannot_make(
    table: str, in_bench: tuple[tuple[str, str], ...], lines: list[str]
) -> None:
    plan = plan_from_text(changed(PLAN, ("[advice]", f"[dwell]\n{table}\n\n[advice]")))
    bench = bench_from_text(changed(BENCH, *in_bench))
    assert [str(problem) for problem in together_problems(plan, bench)] == lines


SWEEP = ("[advice]", "[sweep]\n\n[advice]")


@pytest.mark.parametrize(
    ("in_plan", "bench", "lines"),
    [
        (SWEEP, BENCH, ["plan.toml: sweep: bench.toml has no [source] to force a voltage with", "plan.toml: sweep: bench.toml has no wiring.source, the series relay by which a source lets go"]),
        (SWEEP, swept_bench(wire=""), ["plan.toml: sweep: bench.toml has no wiring.source, the series relay by which a source lets go"]),
        (SWEEP, swept_bench(wire='source = { channel = "switch 202", resistor = "4.7 kΩ" }\n'), ["plan.toml: sweep: a source that sweeps may have 1 kΩ in series at most, wiring.source of bench.toml has 4.7 kΩ"]),
        (("[advice]", '[sweep]\nlongest = "11 s"\n\n[advice]'), swept_bench(), ['plan.toml: sweep.longest: must not be longer than limits.press_time of bench.toml, 10 s: "11 s"']),
        (("[advice]", "[sweep]\n\n[advice]"), swept_bench(('voltage = "5.5 V"', 'voltage = "5.5 V"\npress_time = "0.5 s"')), ['plan.toml: sweep.longest: must not be longer than limits.press_time of bench.toml, 500 ms: 1 s']),
    ],
    ids=["no source", "no relay", "too much in series", "too long", "too long by default"],
)  # fmt: skip
def test_a_sweep_that_the_bench_cannot_make(in_plan: tuple[str, str], bench: str, lines: list[str]) -> None:
    plan = plan_from_text(changed(PLAN, in_plan))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(bench))
    assert str(caught.value).splitlines() == lines


@pytest.mark.parametrize(
    ("in_plan", "bench", "lines"),
    [
        ((("[advice]", "[unlatch]\n\n[advice]"), ('repeats = 3', 'fitted = "hand"')), BENCH, ["plan.toml: unlatch: fits one resistor after the other by relay, trials.fitted is hand"]),
        ((("[advice]", "[unlatch]\n\n[advice]"), ('path = "relay"', 'path = "hand"')), BENCH, ["plan.toml: unlatch: is made without a hand at the pin, press.path is hand"]),
        ((("[advice]", "[press_level]\n\n[advice]"), ('path = "relay"', 'path = "hand"')), swept_bench(), ["plan.toml: press_level: is made without a hand at the pin, press.path is hand"]),
        ((("[advice]", "[press_level]\n\n[advice]"),), BENCH, ["plan.toml: press_level: bench.toml has no [source] to force a voltage with", "plan.toml: press_level: bench.toml has no wiring.source, the series relay by which a source lets go"]),
    ],
    ids=["fitted by hand", "unlatch by hand", "level by hand", "no source"],
)  # fmt: skip
def test_what_cannot_be_unlatched_or_pressed_to_a_level(
    in_plan: tuple[tuple[str, str], ...], bench: str, lines: list[str]
) -> None:
    plan = plan_from_text(changed(PLAN, *in_plan))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(bench))
    assert str(caught.value).splitlines() == lines


REMEDIES = "[remedies]\ntried = [{}]\n\n[advice]"
CONSOLE = '[board]\nresource = "/dev/ttyACM1"\n'


@pytest.mark.parametrize(
    ("tried", "edits", "bench", "lines"),
    [
        ('"changeover contact"', (), BENCH, ['plan.toml: remedies.tried: bench.toml has no wiring.discharge, the relay that stands for its contact to ground: "changeover contact"']),
        ('"driven low"', (), BENCH, ["plan.toml: remedies: bench.toml has no [source] to force a voltage with", "plan.toml: remedies: bench.toml has no wiring.source, the series relay by which a source lets go"]),
        ('"driven low"', (), swept_bench(('voltage = "5.5 V"', 'voltage = "5.5 V"\npress_time = "0.1 s"')), ['plan.toml: remedies.tried: joins the source for 150 ms (release.allowed and log.slack), longer than limits.press_time of bench.toml, 100 ms: "driven low"']),
        ('"polled buffer"', (), BENCH, ['plan.toml: remedies.tried: bench.toml has no [board] console that could set \'polled buffer\' and read the pin: "polled buffer"']),
        ('"polled buffer"', (), changed(BENCH, ("[wiring]\n", CONSOLE + "[wiring]\n"), ('voltage = "5.5 V"', 'voltage = "5.5 V"\npress_time = "1 s"')), ["plan.toml: remedies.polls: may keep a pin pressed for 2.04 s (two periods a poll), longer than limits.press_time of bench.toml, 1 s: 20"]),
        ('"driven low"', (('path = "relay"', 'path = "hand"'),), swept_bench(), ["plan.toml: remedies: is made without a hand at the pin, press.path is hand"]),
    ],
    ids=["no ground", "no source", "too long", "no console", "too many polls", "by hand"],
)  # fmt: skip
def test_remedies_that_the_bench_cannot_try(
    tried: str, edits: tuple[tuple[str, str], ...], bench: str, lines: list[str]
) -> None:
    plan = plan_from_text(changed(PLAN, ("[advice]", REMEDIES.format(tried)), *edits))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(bench))
    assert str(caught.value).splitlines() == lines


def test_an_external_pull_down_asks_nothing_more_of_a_bench_even_by_hand() -> None:
    edits = (("[advice]", REMEDIES.format('"external pull-down"')), ('path = "relay"', 'path = "hand"'))
    plan = plan_from_text(changed(PLAN, *edits))
    assert together_problems(plan, bench_from_text(BENCH)) == []


def test_pins_are_unlatched_with_the_relays_of_the_trials_and_pressed_to_levels_with_the_source() -> None:
    plan = plan_from_text(changed(PLAN, ("[advice]", "[unlatch]\n[press_level]\n\n[advice]")))
    assert together_problems(plan, bench_from_text(swept_bench())) == []


def test_a_sweep_goes_with_a_source_behind_its_relay_whatever_the_trials_press_with() -> None:
    plan = plan_from_text(changed(PLAN, SWEEP))
    assert plan.press.path == "relay"
    assert together_problems(plan, bench_from_text(swept_bench())) == []


def test_source_path_needs_source_and_series_relay() -> None:
    plan = plan_from_text(changed(PLAN, ('path = "relay"', 'path = "source"')))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(BENCH))
    assert str(caught.value).splitlines() == [
        'plan.toml: press.path: bench.toml has no [source] to press with: "source"',
        'plan.toml: press.path: bench.toml has no wiring.source, the series relay by which a source lets go: "source"',
    ]


def test_source_press_above_the_limit_of_the_bench() -> None:
    edits = (('path = "relay"', 'path = "source"\nvoltage = "3.43 V"'), ('tolerance = "5 %"', 'tolerance = "0 %"'))
    plan = plan_from_text(changed(PLAN, edits[0]).replace(*edits[1]))
    wired = ("\n[wiring]\n", SOURCE + '\n[wiring]\nsource = "switch 202"\n')
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(changed(BENCH, wired, ('voltage = "5.5 V"', 'voltage = "3.4 V"'))))
    assert str(caught.value) == (
        'plan.toml: press.voltage: must not be above limits.voltage of bench.toml, 3.4 V: "3.43 V"'
    )


def test_good_plan_and_good_bench_go_together() -> None:
    assert together_problems(plan_from_text(PLAN), bench_from_text(BENCH)) == []


def test_a_person_who_presses_may_connect_the_pins_too() -> None:
    by_hand = (('path = "relay"', 'path = "hand"'), ('interval = "0.1 ms"', 'interval = "1 ms"\n'))
    plan = plan_from_text(changed(PLAN, *by_hand, ("repeats = 3", 'fitted = "hand"')))
    bench = bench_from_text(BENCH[: BENCH.index("[switch]")])
    assert together_problems(plan, bench) == []


def test_a_bench_that_selects_must_select_every_pin_even_by_hand() -> None:
    plan = plan_from_text(changed(PLAN, ('path = "relay"', 'path = "hand"'), ('name = "D2"', 'name = "D9"')))
    with pytest.raises(UserFileError, match=r'pins\[2\].name: bench.toml has no wire for this pin .*: "D9"$'):
        check_together(plan, bench_from_text(BENCH))
