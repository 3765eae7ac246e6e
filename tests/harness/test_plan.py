"""A plan that breaks a rule is refused with one line that names file, key, rule and value."""

# ruff: noqa: E501 - an expected message stands on one line, as the user sees it

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import UserFileError
from harness.plan import nominal_ohm, plan_from_text, read_plan
from harness.plan_meaning import dwell_rules
from tests.harness.wrong_files import PLAN, changed

ONE_LINE = [
    # unknown and missing keys
    ("repeats = 3", "repeat = 3", "plan.toml: trials.repeat: unknown key (did you mean repeats?): 3"),
    ('hold = "20 ms"', 'zzz = "20 ms"', 'plan.toml: press.zzz: unknown key (known here: path, to, hold, voltage and reaction): "20 ms"'),
    ('name = "D2"', 'name = "D2"\nnotes = "x"', 'plan.toml: pins[2].notes: unknown key (did you mean note?): "x"'),
    ("[advice]", "[advise]", 'plan.toml: advise: unknown key (did you mean advice?): {series = "E12"}'),
    ('voltage = "3.3 V"\n', "", "plan.toml: rail.voltage: missing"),
    ('serial = "FH-2417-001"\n', "", "plan.toml: unit.serial: missing"),
    ('[pull_down]\nrange = ["30 kΩ", "90 kΩ"]\n', "", "plan.toml: pull_down: missing"),
    ('v_ih = "2.0 V"\n', "", "plan.toml: levels.v_ih: missing (or a standard instead)"),
    # wrong kinds
    ("repeats = 3", "repeats = 0", "plan.toml: trials.repeats: must be 1 to 1000: 0"),
    ("repeats = 3", "repeats = true", "plan.toml: trials.repeats: must be 1 to 1000: true"),
    ("repeats = 3", "repeats = 3.0", "plan.toml: trials.repeats: must be 1 to 1000: 3.0"),
    ("repeats = 3", 'repeats = "3"', 'plan.toml: trials.repeats: must be 1 to 1000: "3"'),
    ("repeats = 3", "seed = -1", "plan.toml: trials.seed: must be 0 to 9223372036854775807: -1"),
    ("repeats = 3", "as_found = 1", "plan.toml: trials.as_found: must be true or false: 1"),
    ("repeats = 3", 'order = "shuffled"', 'plan.toml: trials.order: must be "random" or "as listed": "shuffled"'),
    ("repeats = 3", 'fitted = "robot"', 'plan.toml: trials.fitted: must be "switched" or "hand": "robot"'),
    ('path = "relay"', 'path = "foot"', 'plan.toml: press.path: must be "relay", "source" or "hand": "foot"'),
    ('serial = "FH-2417-001"', "serial = 2417", "plan.toml: unit.serial: must be text in quotes: 2417"),
    ('serial = "FH-2417-001"', 'serial = ""', 'plan.toml: unit.serial: must be 1 to 80 characters: ""'),
    (
        'serial = "FH-2417-001"',
        'serial = "FH\\n2"',
        'plan.toml: unit.serial: must be one line without control characters: "FH\\n2"',
    ),
    ('[[pins]]\nname = "D1"\nnode_capacitance = "150 pF"\n\n[[pins]]\nname = "D2"', '[pins]\nname = "D1"',
     'plan.toml: pins: must be a list: {name = "D1"}'),
    ('[press]\npath = "relay"\nhold = "20 ms"', '[[press]]\npath = "relay"', 'plan.toml: press: must be a table: [{path = "relay"}]'),
    # quantities
    (
        'voltage = "3.3 V"',
        'voltage = "3.3 A"',
        "plan.toml: rail.voltage: wrong unit 'A': expected a quantity in V, for example \"3.3 V\": \"3.3 A\"",
    ),
    (
        'voltage = "3.3 V"',
        "voltage = 3.3",
        'plan.toml: rail.voltage: a bare number, the unit is missing: expected a quantity in V, for example "3.3 V": 3.3',
    ),
    (
        'voltage = "3.3 V"',
        'voltage = "nan V"',
        'plan.toml: rail.voltage: not a finite number: expected a quantity in V, for example "3.3 V": "nan V"',
    ),
    (
        'hold = "20 ms"',
        "hold = inf",
        'plan.toml: press.hold: a bare number, the unit is missing: expected a quantity in s, for example "50 ms": inf',
    ),
    ('hold = "20 ms"', 'hold = "-20 ms"', 'plan.toml: press.hold: must be 1 ms to 60 s: "-20 ms"'),
    ('tolerance = "1 %"', 'tolerance = "30 %"', 'plan.toml: trials.tolerance: must be 0 % to 20 %: "30 %"'),
    ('tolerance = "1 %"', 'tolerance = "-1 %"', 'plan.toml: trials.tolerance: must be 0 % to 20 %: "-1 %"'),
    ('"150 pF"', '"150 F"', 'plan.toml: pins[1].node_capacitance: must be 0 F to 10 mF: "150 F"'),
    (
        '["30 kΩ", "90 kΩ"]',
        '["90 kΩ", "30 kΩ"]',
        'plan.toml: pull_down.range: must be a list of two quantities, the smaller first: ["90 kΩ", "30 kΩ"]',
    ),
    ('["30 kΩ", "90 kΩ"]', '["30 Ω", "90 kΩ"]', 'plan.toml: pull_down.range: must be 100 Ω to 100 MΩ: ["30 Ω", "90 kΩ"]'),
    # levels
    ('v_il = "0.8 V"', 'v_il = "2.0 V"', 'plan.toml: levels.v_il: must be below v_ih of 2 V: "2.0 V"'),
    ('v_ih = "2.0 V"', 'v_ih = "3.4 V"', 'plan.toml: levels.v_ih: must not be above the rail of 3.3 V: "3.4 V"'),
    ('v_il = "0.8 V"', 'v_il = "0 V"', 'plan.toml: levels.v_il: must be 10 mV to 60 V: "0 V"'),
    (
        'v_il = "0.8 V"',
        'standard = "JESD8C.01"\nv_il = "0.8 V"',
        'plan.toml: levels: either a standard or v_il and v_ih, not both: {standard = "JESD8C.01", v_il = "0.8 V", '
        'v_ih = "2.0 V"}',
    ),
    (
        'v_il = "0.8 V"\nv_ih = "2.0 V"',
        'standard = "JESD8-7A 1.8 V"',
        "plan.toml: levels.standard: holds for a rail of 1.65 V to 1.95 V, not for 3.3 V: \"JESD8-7A 1.8 V\"",
    ),
    (
        'v_il = "0.8 V"\nv_ih = "2.0 V"',
        'standard = "JESD9"',
        "plan.toml: levels.standard: unknown standard of logic levels: one of JESD8C.01 3.3 V, JESD8-5A 2.5 V, "
        'JESD8-7A 1.8 V, 5 V TTL, 5 V CMOS: "JESD9"',
    ),
    # press
    (
        'path = "relay"',
        'path = "source"\nvoltage = "3.5 V"',
        "plan.toml: press.voltage: must not be above the absolute maximum of 3.435 V "
        '(rail less 5 % plus above_rail_max): "3.5 V"',
    ),
    (
        'path = "relay"',
        'path = "relay"\nvoltage = "3.3 V"',
        'plan.toml: press.voltage: only a source presses to a voltage of its own, path is relay: "3.3 V"',
    ),
    (
        'path = "relay"',
        'path = "source"\nvoltage = "1.5 V"',
        'plan.toml: press.voltage: must not be below V_IH of 2 V: nothing would be pressed: "1.5 V"',
    ),
    # log
    ('time = "120 ms"', 'time = "40 ms"', 'plan.toml: log.time: must not be shorter than release.allowed of 50 ms: "40 ms"'),
    ('interval = "0.1 ms"', 'interval = "0.1 µs"', 'plan.toml: log.interval: must be 1 µs to 10 s: "0.1 µs"'),
    (
        'time = "120 ms"\ninterval = "0.1 ms"',
        'time = "120 s"\ninterval = "0.1 ms"',
        'plan.toml: log.interval: makes 1201201 samples a trial, more than 1000000: "0.1 ms"',
    ),
    ('before = "20 ms"', 'before = "0.4 ms"', 'plan.toml: log.before: must be at least 5 intervals of 100 µs: "0.4 ms"'),
    (
        'time = "120 ms"\ninterval = "0.1 ms"',
        'time = "60 ms"\ninterval = "4 ms"',
        'plan.toml: log.time: must be at least 20 intervals of 4 ms: "60 ms"',
    ),
    (
        'interval = "0.1 ms"',
        'interval = "0.1 ms"\naperture = "0.2 ms"',
        'plan.toml: log.aperture: must not be longer than log.interval of 100 µs: "0.2 ms"',
    ),
    (
        'before = "20 ms"\ntime = "120 ms"\ninterval = "0.1 ms"',
        'before = "0.2 s"\ntime = "2 s"\ninterval = "40 ms"\n[recorded]\nline_frequency = "50 Hz"',
        "plan.toml: log.interval: must not be a whole number of mains periods (50 Hz): hum would look like a level: "
        '"40 ms"',
    ),
    # trials
    ('["none", "47 kΩ", "8k2"]', "[]", "plan.toml: trials.resistors: must not be empty: []"),
    ('["none", "47 kΩ", "8k2"]', '"none"', 'plan.toml: trials.resistors: must be a list: "none"'),
    (
        '["none", "47 kΩ", "8k2"]',
        '["47 kΩ", "none", "47k"]',
        'plan.toml: trials.resistors[3]: already stands in the list as its no. 1: "47k"',
    ),
    (
        '["none", "47 kΩ", "8k2"]',
        '["none", "8.2 kF"]',
        "plan.toml: trials.resistors[2]: wrong unit 'kF': expected a quantity in Ω, for example \"8.2 kΩ\": \"8.2 kF\"",
    ),
    ('["none", "47 kΩ", "8k2"]', '["none", "0 Ω"]', 'plan.toml: trials.resistors[2]: must be 10 Ω to 100 MΩ: "0 Ω"'),
    ('["reset default"]', "[]", "plan.toml: trials.pin_setups: must not be empty: []"),
    (
        '["reset default"]',
        '["a", "a"]',
        'plan.toml: trials.pin_setups[2]: already stands in the list as its no. 1: "a"',
    ),
    (
        '["reset default"]',
        '["as found"]',
        'plan.toml: trials.pin_setups[1]: is no setup to be made, write as_found = true: "as found"',
    ),
    (
        '["reset default"]',
        '["reset; *RST", "é"]',
        'plan.toml: trials.pin_setups[2]: must be words of ASCII, one blank between: "é"',
    ),
    (
        "repeats = 3",
        'procedure = "press_relaese"',
        "plan.toml: trials.procedure: unknown procedure (did you mean press_release?) and not the name of a .py file: "
        '"press_relaese"',
    ),
    ('series = "E12"', 'series = "E13"',
     'plan.toml: advice.series: unknown series of preferred values, there are E3, E6, E12, E24, E48, E96 and E192: "E13"'),
    # pins
    ('name = "D2"', 'name = "D1"', 'plan.toml: pins[2].name: is already the name of pins[1]: "D1"'),
    (
        'name = "D2"',
        'name = "D 2"',
        'plan.toml: pins[2].name: must be letters, digits and _ . + - # ~, as a console takes it: "D 2"',
    ),
    ('name = "D2"', "", "plan.toml: pins[2].name: missing"),
    ("[advice]", "[sweep]\nsteps = 5\n\n[advice]", "plan.toml: sweep.steps: must be 10 to 1000: 5"),
    ("[advice]", "[sweep]\nrefine = 0\n\n[advice]", "plan.toml: sweep.refine: must be 4 to 100: 0"),
    ("[advice]", '[sweep]\nsettled = "2 mA"\n\n[advice]', 'plan.toml: sweep.settled: must be 0 A to 1 mA: "2 mA"'),
    ("[advice]", '[sweep]\nleak_setups = ["reset default", "buffer off"]\n\n[advice]', 'plan.toml: sweep.leak_setups[2]: is not one of trials.pin_setups: "buffer off"'),
    ("[advice]", '[sweep]\nleak_setups = ["reset default", "reset default"]\n\n[advice]', 'plan.toml: sweep.leak_setups[2]: already stands in the list as its no. 1: "reset default"'),
    ("[advice]", '[decision]\nrule = "U"\n\n[advice]', 'plan.toml: decision.rule: must be a guard band, such as "w = U", "w = 0" or "w = 0.83 U": "U"'),
    ("[advice]", '[decision]\nrule = "w = 6 U"\n\n[advice]', 'plan.toml: decision.rule: must be no more than 5 U: "w = 6 U"'),
    ("[advice]", "[decision]\nrule = 0\n\n[advice]", 'plan.toml: decision.rule: must be a guard band, such as "w = U", "w = 0" or "w = 0.83 U": 0'),
    ("[advice]", '[remedies]\ntried = ["prayer"]\n\n[advice]', 'plan.toml: remedies.tried[1]: unknown remedy, there are external pull-down, driven low, changeover contact and polled buffer: "prayer"'),
    ("[advice]", '[remedies]\ntried = ["driven low", "driven low"]\n\n[advice]', 'plan.toml: remedies.tried[2]: already stands in the list as its no. 1: "driven low"'),
    ("[advice]", '[remedies]\ntried = ["polled buffer"]\nopen_time = "60 ms"\n\n[advice]', 'plan.toml: remedies.open_time: must be below poll_period of 50 ms: "60 ms"'),
    ("[advice]", "[remedies]\nrepeats = 2\n\n[advice]", "plan.toml: remedies.tried: missing"),
    ("[advice]", '[press_level]\nresolution = "2 V"\n\n[advice]', 'plan.toml: press_level.resolution: must be 100 µV to 1 V: "2 V"'),
    ("[advice]", '[unlatch]\nrepeats = 0\n\n[advice]', "plan.toml: unlatch.repeats: must be 1 to 100: 0"),
    ("[advice]", '[sweep]\nspeed = 1\n\n[advice]', "plan.toml: sweep.speed: unknown key (did you mean settled?): 1"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line"), ONE_LINE, ids=[line[11:70] for _, _, line in ONE_LINE])
def test_wrong_plan_is_refused_with_its_line(old: str, new: str, line: str) -> None:
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, (old, new)))
    assert str(caught.value) == line


def test_all_problems_of_one_file_come_together_in_its_order() -> None:
    edits = (("repeats = 3", "repeats = 0"), ('voltage = "3.3 V"', ""), ('name = "D2"', 'nam = "D2"'))
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, *edits), "a/plan.toml")
    assert str(caught.value).splitlines() == [
        "a/plan.toml: rail.voltage: missing",
        "a/plan.toml: trials.repeats: must be 1 to 1000: 0",
        'a/plan.toml: pins[2].nam: unknown key (did you mean name?): "D2"',
        "a/plan.toml: pins[2].name: missing",
    ]
    error = caught.value
    assert (error.file, error.key, error.rule, error.value) == ("a/plan.toml", "rail.voltage", "missing", "")
    assert [problem.key for problem in error.problems] == [
        "rail.voltage",
        "trials.repeats",
        "pins[2].nam",
        "pins[2].name",
    ]


def test_a_stuck_rate_is_asked_of_the_bare_pin_and_a_confidence_belongs_to_it() -> None:
    for edits, line in (
        (
            [("repeats = 3", 'stuck_rate_below = "5 %"'), ('"none", ', "")],
            'plan.toml: trials.stuck_rate_below: is about the pin with no resistor, but trials.resistors has no "none": "5 %"',
        ),
        (
            [("repeats = 3", 'confidence = "90 %"')],
            'plan.toml: trials.confidence: says nothing without trials.stuck_rate_below: "90 %"',
        ),
        (
            [("repeats = 3", 'stuck_rate_below = "95 %"')],
            'plan.toml: trials.stuck_rate_below: must be 0.1 % to 90 %: "95 %"',
        ),
    ):
        with pytest.raises(UserFileError) as caught:
            plan_from_text(changed(PLAN, *edits))
        assert str(caught.value) == line


def test_a_long_dwell_is_about_what_the_plan_has_and_long_enough() -> None:
    for table, line in (
        ('pins = ["D1", "D9"]', 'plan.toml: dwell.pins[2]: is not one of pins: "D9"'),
        ('pins = ["D1", "D1"]', 'plan.toml: dwell.pins[2]: already stands in the list as its no. 1: "D1"'),
        ('setups = ["buffer off"]', 'plan.toml: dwell.setups[1]: is not one of trials.pin_setups: "buffer off"'),
        ('resistor = "10 kΩ"', 'plan.toml: dwell.resistor: is not one of trials.resistors: "10 kΩ"'),
        (
            'log = "1.1 s"\ninterval = "1 ms"',
            'plan.toml: dwell.log: must be at least 10 times log.time of 120 ms: "1.1 s"',
        ),
        ('log = "9 s"', 'plan.toml: dwell.log: must be at least 200 intervals of 50 ms: "9 s"'),
        ('interval = "10 s"', "plan.toml: dwell.log: must be at least 200 intervals of 10 s: 300 s"),
        (
            'log = "36 ks"\ninterval = "1 ms"',
            'plan.toml: dwell.interval: makes 37800021 samples a dwell, more than 1000000: "1 ms"',
        ),
        ('hold = "2 h"', 'plan.toml: dwell.hold: must be 100 ms to 3.6 ks: "2 h"'),
    ):
        with pytest.raises(UserFileError) as caught:
            plan_from_text(changed(PLAN, ("[advice]", f"[dwell]\n{table}\n\n[advice]")))
        assert str(caught.value) == line


def test_the_aperture_of_a_long_dwell_takes_the_hum_out_where_it_fits() -> None:
    """Whole periods in nine tenths of the interval; where none fits, half of the interval."""
    for interval, line_hz, aperture_s in (
        ("50 ms", 50.0, 0.04),
        ("50 ms", 60.0, 2 / 60),
        ("30 ms", 50.0, 0.02),
        ("15 ms", 50.0, 0.0075),
        ("50 ms", None, 0.025),
    ):
        plan = plan_from_text(changed(PLAN, ("[advice]", f'[dwell]\ninterval = "{interval}"\n\n[advice]')))
        rules = dwell_rules(plan, line_hz)
        assert rules is not None
        assert rules.aperture_s == pytest.approx(aperture_s)
        assert (rules.hold_s, rules.log_s, rules.slack_s) == (120.0, 300.0, 15.0)
        assert rules.before_s == pytest.approx(20 * rules.interval_s)
    assert dwell_rules(plan_from_text(PLAN), 50.0) is None


def test_too_many_trials_are_a_slip() -> None:
    pins = "\n".join(f'[[pins]]\nname = "X{number}"' for number in range(98))
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, ("repeats = 3", "repeats = 1000")) + pins)
    rule = "make 300000 trials with all pins, resistors and setups, more than 100000"
    assert str(caught.value) == f"plan.toml: trials.repeats: {rule}: 1000"
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, ("repeats = 3", 'stuck_rate_below = "0.1 %"')) + pins)
    assert str(caught.value) == (
        "plan.toml: trials.stuck_rate_below: asks for 2995 presses a pin, which make 300100 trials with all pins, "
        'resistors and setups, more than 100000: "0.1 %"'
    )


def test_steps_beside_the_trials_count_too() -> None:
    """A small file could ask for millions of steps, and was given the memory for them."""
    pins = "\n".join(f'[[pins]]\nname = "X{number}"' for number in range(1998))
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, ("[advice]", "[unlatch]\nrepeats = 100\n[press_level]\n[advice]")) + pins)
    rule = "make 220000 steps with all that is made of each pin beside them, more than 150000"
    assert str(caught.value) == f"plan.toml: trials.repeats: {rule}: 3"


def test_more_samples_than_a_report_can_hold_are_refused_before_they_are_made() -> None:
    pins = "\n".join(f'[[pins]]\nname = "X{number}"' for number in range(998))
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, ('time = "120 ms"', 'time = "12 s"')) + pins)
    rule = "makes 9000 logs of 121201 samples, more than 500000000 samples of a run"
    assert str(caught.value) == f'plan.toml: log.interval: {rule}: "0.1 ms"'


def test_plan_holds_si_values(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    plan = read_plan(path)
    assert plan.text == PLAN
    assert plan.path == str(path)
    assert (plan.rail.voltage_v, plan.rail.tolerance, plan.rail.above_rail_max_v) == (3.3, 0.05, 0.3)
    assert (plan.press.hold_s, plan.log.before_s, plan.log.time_s, plan.log.interval_s) == (0.02, 0.02, 0.12, 1e-4)
    assert plan.pull_down.range_ohm == (30e3, 90e3)
    assert plan.pins[0].node_capacitance_f == pytest.approx(150e-12, rel=1e-12)
    assert plan.pins[1].node_capacitance_f is None
    assert (plan.thresholds.v_il, plan.thresholds.v_ih, plan.thresholds.standard) == (0.8, 2.0, "")


def test_a_resistor_has_one_name_however_it_is_written() -> None:
    plan = plan_from_text(changed(PLAN, ('["none", "47 kΩ", "8k2"]', '["None", "47k", "8200 ohm"]')))
    assert plan.trials.resistors == ("none", "47 kΩ", "8.2 kΩ")
    assert [nominal_ohm(name) for name in plan.trials.resistors] == [None, 47e3, 8.2e3]


def test_a_standard_gives_the_levels_of_its_rail() -> None:
    # 5 V CMOS: 0.3 and 0.7 of the supply (shared check values, JEDEC table).
    edits = (('v_il = "0.8 V"\nv_ih = "2.0 V"', 'standard = "5 V CMOS"'), ('voltage = "3.3 V"', 'voltage = "5 V"'))
    levels = plan_from_text(changed(PLAN, *edits)).thresholds
    assert (levels.v_il, levels.v_ih, levels.standard) == (1.5, 3.5, "5 V CMOS")


def test_aperture_is_half_an_interval_unless_stated() -> None:
    assert plan_from_text(PLAN).aperture_s == 0.5e-4
    stated = changed(PLAN, ('interval = "0.1 ms"', 'interval = "0.1 ms"\naperture = "0.1 ms"'))
    assert plan_from_text(stated).aperture_s == 1e-4


def test_an_interval_that_misses_the_mains_period_passes() -> None:
    old = 'before = "20 ms"\ntime = "120 ms"\ninterval = "0.1 ms"'
    new = 'before = "0.2 s"\ntime = "2 s"\ninterval = "{}"\n[recorded]\nline_frequency = "50 Hz"'
    assert plan_from_text(changed(PLAN, (old, new.format("19 ms")))).log.interval_s == 0.019


def test_press_voltage_up_to_the_absolute_maximum_passes() -> None:
    plan = plan_from_text(changed(PLAN, ('path = "relay"', 'path = "source"\nvoltage = "3.43 V"')))
    assert plan.press.voltage_v == 3.43


@pytest.mark.parametrize(
    ("resistors", "lines"),
    [
        ('["47 kΩ"]', ["press_level", "unlatch"]),
        ('["none"]', ["unlatch: needs a resistor to unlatch a pin with: trials.resistors has none"]),
    ],
)
def test_latching_is_looked_for_on_the_bare_pin_and_ended_with_a_resistor(resistors: str, lines: list[str]) -> None:
    tables = ("[advice]", "[unlatch]\n[press_level]\n\n[advice]")
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, ('["none", "47 kΩ", "8k2"]', resistors), tables))
    wanted = [line if " " in line else f'{line}: looks at the pin without a resistor: trials.resistors must hold "none"' for line in lines]  # fmt: skip
    assert sorted(str(caught.value).splitlines()) == [f"plan.toml: {line}" for line in wanted]
