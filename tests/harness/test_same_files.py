"""Two plans, or two bench files, differ where their meaning does; the first key that differs is named."""

from __future__ import annotations

import pytest

from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.same_files import refuse_another_bench, refuse_another_plan
from tests.harness.whole_bench import bench_text, plan_text

NAMES = ("D1", "D2", "D3")
RESOURCES = {
    "meter": "TCPIP::192.168.0.5::5025::SOCKET",
    "source": "TCPIP::192.168.0.6::5025::SOCKET",
    "switch": "TCPIP::192.168.0.7::5025::SOCKET",
    "relay_board": "/dev/ttyACM0",
    "board": "/dev/ttyUSB0",
}
PLAN = plan_text(NAMES, resistors='["none", "8.2 kΩ"]')
BENCH = bench_text(RESOURCES, NAMES)

OTHER_BENCHES = [
    ('D3 = "switch 103"', 'D3 = "switch 104"', 'wiring.select.D3: was "switch 103", now "switch 104"'),
    ('D3 = "switch 103"', "", 'wiring.select.D3: was "switch 103", now not stated'),
    ('D3 = "switch 103"', 'D3 = "switch 103"\nD4 = "switch 104"', 'wiring.select.D4: was not stated, now "switch 104"'),
    ('discharge = "relay_board 2"', 'discharge = "relay_board 9"', "wiring.discharge.channel: was"),
    ('"8.2 kΩ" = "relay_board 5"', '"8.2 kΩ" = "relay_board 6"', 'wiring.fit."8.2 kΩ".channel: was "relay_board 5"'),
    ('resistor = "1 kΩ"', 'resistor = "1.2 kΩ"', 'wiring.press.resistor: was "1 kΩ", now "1.2 kΩ"'),
    ('accuracy = "0.5 mV"', 'accuracy = "5 mV"', 'meter.accuracy: was "0.5 mV", now "5 mV"'),
    ("speed = 10", "speed = 5", "clock.speed: was 10, now 5"),
    ("[clock]", '[limits]\nvoltage = "6 V"\n[clock]', 'limits.voltage: was not stated, now "6 V"'),
]


@pytest.mark.parametrize(("written", "instead", "told"), OTHER_BENCHES, ids=[told for _, _, told in OTHER_BENCHES])
def test_a_changed_bench_is_named_by_its_first_key_with_both_values(written: str, instead: str, told: str) -> None:
    assert written in BENCH
    other = bench_from_text(BENCH.replace(written, instead), "lab/bench.toml")
    with pytest.raises(UserFileError) as refused:
        refuse_another_bench(bench_from_text(BENCH), other)
    assert str(refused.value).startswith(f"lab/bench.toml: {told}")


def test_the_first_of_several_differences_is_named() -> None:
    other = BENCH.replace('D2 = "switch 102"', 'D2 = "switch 112"').replace('D3 = "switch 103"', 'D3 = "switch 113"')
    with pytest.raises(UserFileError, match=r'^bench\.toml: wiring\.select\.D2: was "switch 102", now "switch 112"$'):
        refuse_another_bench(bench_from_text(BENCH), bench_from_text(other))


def test_a_resistor_that_has_another_spelling_as_its_name_is_told_by_its_value() -> None:
    one = BENCH.replace('"8.2 kΩ" = ', '"8k2" = ')
    with pytest.raises(UserFileError, match=r'"8.2 kΩ"\.channel: was "relay_board 5", now "relay_board 6"$'):
        refuse_another_bench(bench_from_text(one), bench_from_text(one.replace("relay_board 5", "relay_board 6")))


def test_an_address_may_change_and_what_means_the_same_is_the_same() -> None:
    other = (
        BENCH.replace("192.168.0.5", "127.0.0.1")
        .replace("/dev/ttyACM0", "/dev/ttyACM3")
        .replace('"8.2 kΩ" = "relay_board 5"', '"8k2" = { channel = "relay_board 5" }  # the blue one')
        .replace('input_resistance = "10 MΩ"', 'input_resistance = "10000 kΩ"\nrange = "10 V"')
        .replace("[bench]\n", '[bench]\nvisa = "@ivi"\n')
    )
    refuse_another_bench(bench_from_text(BENCH), bench_from_text(other))


OTHER_PLANS = [
    ('serial = "T-1"', 'serial = "T-2"', 'unit.serial: another unit: was "T-1", now "T-2"'),
    ('["none", "8.2 kΩ"]', '["none"]', 'trials.resistors: was ["none", "8.2 kΩ"], now ["none"]'),
    ("repeats = 1", "repeats = 2", "trials.repeats: was 1, now 2"),
    ('[[pins]]\nname = "D3"', '[[pins]]\nname = "D9"', 'pins[3].name: was "D3", now "D9"'),
    ('[[pins]]\nname = "D3"', "", 'pins[3]: was {name = "D3"}, now not stated'),
    ("[log]", '[release]\nallowed = "40 ms"\n[log]', 'release.allowed: was not stated, now "40 ms"'),
]


@pytest.mark.parametrize(("written", "instead", "told"), OTHER_PLANS, ids=[told for _, _, told in OTHER_PLANS])
def test_a_changed_plan_is_named_by_its_first_key_with_both_values(written: str, instead: str, told: str) -> None:
    assert written in PLAN
    with pytest.raises(UserFileError) as refused:
        refuse_another_plan(plan_from_text(PLAN), plan_from_text(PLAN.replace(written, instead)))
    assert str(refused.value) == f"plan.toml: {told}"


def test_comments_order_and_other_spellings_of_a_plan_are_no_change() -> None:
    table = '[unit]\nname = "Test board"\nserial = "T-1"\n'
    other = PLAN.replace(table, "# as of Monday\n").replace('"100 ms"', '"0.1 s"').replace('"8.2 kΩ"', '"8k2"') + table
    refuse_another_plan(plan_from_text(PLAN), plan_from_text(other))
