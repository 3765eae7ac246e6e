"""`stuckpin check` end to end: a good bench passes with the truth within U, each fault fails by its name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers.errors import StopRequestedError
from drivers.simulated.board_file import parse_board
from drivers.simulated.world import World
from harness.bench_file import BenchFile, bench_from_text, read_bench
from harness.check import CheckResult, carry_out_check, checks_folder
from harness.checked import checked, with_measured
from harness.errors import BENCH_FAILED, OTHER_VERDICT, UserFileError
from harness.plan import plan_from_text
from harness.signals import StopRequest
from harness.summary import status_of, summary_lines
from results.record.check import CheckItem, CheckRecord, write_check
from results.report.confidence import limits
from results.report.headline import headline
from tests.harness.whole_bench import (
    LATCHES,
    SOUND,
    bench_text,
    board_text,
    found,
    nobody,
    plan_text,
    run_plan,
    simulated,
)

PINS = ("D1",)
WIRES = {"press": "press", "rail": "rail", "discharge": "discharge", "fit.8.2 kΩ": "fit 8200"}


@contextmanager
def bench_file(tmp_path: Path, board: str, extra: str = "") -> Iterator[BenchFile]:
    """A bench file in front of a stepped bench of that board, which no busy computer makes late; `extra` is added to
    it."""
    with simulated(tmp_path, board, stepped=True) as resources:
        text = bench_text(resources, PINS).replace("[source]", "calibration_due = 2099-01-01\n[source]", 1)
        (tmp_path / "bench.toml").write_text(text + extra, encoding="utf-8")
        yield read_bench(tmp_path / "bench.toml")


def check(file: BenchFile, *, with_plan: bool = True) -> CheckResult:
    plan = plan_from_text(plan_text(PINS)) if with_plan else None
    return carry_out_check(file, plan, stop=StopRequest(), operator=nobody(), tell=lambda text: None)


def by_name(record: CheckRecord) -> dict[str, CheckItem]:
    return {item.name: item for item in record.items}


def failed(record: CheckRecord) -> set[str]:
    return {item.name for item in record.failed}


def truth(board: str) -> dict[str, float]:
    """What the resistors of the board really are, their relay's contact included."""
    part = parse_board(board)
    wiring = World(part).wiring
    return {wire: wiring.path_ohm(contact) + part.relays.on_ohm for wire, contact in WIRES.items()}


@pytest.mark.parametrize("seed", [6])
def test_a_good_bench_passes_and_the_hidden_truth_lies_within_u(tmp_path: Path, seed: int) -> None:
    """E_n of each measured value against the truth, which has no uncertainty, is at most 1."""
    board = (
        board_text({"D1": SOUND})
        .replace("seed = 5", f"seed = {seed}")
        .replace("noise_v", "gain_error = 5e-5\ninput_resistance_ohm = 10.05e6\nnoise_v", 1)
        + "\n[source]\nnoise_v = 20e-6\nnoise_a = 2e-9\ngain_error = 2e-4\noffset_error_a = 8e-9\n"
    )
    with bench_file(tmp_path, board) as file:
        result = check(file)
    record = result.record
    assert failed(record) == set(), [item for item in record.items if item.verdict == "fail"]
    assert result.not_verified == ()
    for each in record.resistors:
        assert abs(each.ohm - truth(board)[each.wire]) <= 2.0 * each.u_ohm, each
        assert each.u_ohm < 1e-3 * each.ohm
    assert {each.wire for each in record.resistors} == WIRES.keys()
    assert record.meter_ohm is not None
    assert record.meter_u_ohm is not None
    assert abs(record.meter_ohm - 10.05e6) <= 2.0 * record.meter_u_ohm
    assert record.leakage_s is not None
    assert record.leakage_u_s is not None
    assert abs(record.leakage_s - 1e-10) <= 2.0 * record.leakage_u_s
    assert record.capacitance_f is not None
    assert record.capacitance_u_f is not None
    assert abs(record.capacitance_f - 120e-12) <= 2.0 * record.capacitance_u_f
    undetermined = {item.name for item in record.items if item.verdict == "not determined"}
    assert undetermined == {"calibration source", "link watch"}
    assert result.path.parent == checks_folder(file)


def test_each_fault_of_the_instruments_fails_by_its_own_name(tmp_path: Path) -> None:
    """Meter: zero, noise, mains, time base, step. Wiring: a wrong resistor. Calibration: overdue."""
    board = (
        board_text({"D1": SOUND})
        .replace("offset_error_v = 0.1e-3", "offset_error_v = 8e-3\ntimebase_error = 0.05\nline_frequency_hz = 60.0")
        .replace("noise_v = 0.3e-3", "noise_v = 2.5e-3\nstep_response_s = 2e-3")
        .replace("nominal_ohm = 8200.0", "nominal_ohm = 8200.0\ntrue_ohm = 8500.0")
    )
    with bench_file(tmp_path, board) as file:
        past = replace(file.meter, calibration_due=datetime(2020, 1, 1, tzinfo=UTC).date())
        record = check(replace(file, meter=past)).record
    # A zero that far off contradicts the dividers, too.
    assert failed(record) - {"dividers against source"} == {
        "calibration meter",
        "meter zero",
        "meter noise",
        "line frequency",
        "time base",
        "step response",
        "resistor 8.2 kΩ",
    }
    # 60 Hz, seen through a time base that is 5 % slow.
    assert by_name(record)["line frequency"].value == pytest.approx(63.0, abs=0.2)
    assert by_name(record)["resistor 8.2 kΩ"].value == pytest.approx(8500.1, rel=2e-3)


def test_a_leaky_fixture_and_a_dead_relay_fail_by_name_and_are_told_from_the_meter(tmp_path: Path) -> None:
    faults = '[fixture]\nleakage_resistance_ohm = 80e6\n[faults]\nnever_closes = ["fit 8200"]\n'
    board = board_text({"D1": SOUND}, faults).replace("[wiring]", "input_resistance_ohm = 9.6e6\n[wiring]", 1)
    with bench_file(tmp_path, board) as file:
        record = check(file, with_plan=False).record
    items = by_name(record)
    assert failed(record) == {"fixture leakage", "resistor 8.2 kΩ", "meter input resistance"}
    assert items["resistor 8.2 kΩ"].note.startswith("shows nothing: its relay does not close")
    assert items["fixture leakage"].value == pytest.approx(1 / 80e6, rel=0.05)
    assert items["meter input resistance"].value == pytest.approx(9.6e6, rel=0.02)
    assert items["rail"].note == "as measured; no plan states it"


def test_a_welded_relay_fails_and_nothing_is_measured_through_it(tmp_path: Path) -> None:
    """The rules are those of the bus check before every run."""
    with bench_file(tmp_path, board_text({"D1": SOUND}, '[faults]\nwelded = ["select D1"]\n')) as file:
        record = check(file).record
    items = by_name(record)
    assert failed(record) == {"relays"}
    assert "something is on the bus that should not be, about 60 kΩ" in items["relays"].note
    assert items["resistors"].note == "the relays are not in order: whatever else were measured would be wrong"
    assert record.resistors == ()


def test_a_run_uses_what_a_valid_check_measured_and_says_where_there_is_none(tmp_path: Path) -> None:
    """Page one: not checked, then nothing, then expired, then changed."""
    board = board_text({"D1": SOUND}).replace("nominal_ohm = 8200.0", "nominal_ohm = 8200.0\ntrue_ohm = 8160.0")
    with bench_file(tmp_path, board) as file:
        assert checked(file, datetime.now(UTC), 0.01).state == "none"
        record = check(file).record
        now = datetime.now(UTC)
        known = checked(file, now, 0.01)
        assert known.state == "valid"
        assert checked(file, now + timedelta(days=1.1), 0.01).state == "expired"
        assert checked(replace(file, text=file.text + "# another"), now, 0.01).state == "changed"
        result = run_plan(
            tmp_path, plan_text(PINS, resistors='["none", "8.2 kΩ"]'), file.text, path=tmp_path / "bench.toml"
        )
    finding = found(result)
    resistor = finding.record.resistor("8.2 kΩ")
    assert resistor.measured_ohm is not None
    assert abs(resistor.measured_ohm - 8160.1) <= 2.0 * (resistor.measured_u_ohm or 0.0)
    press = finding.trials[0].observation
    assert press is not None
    assert press.press_ohm == next(each.ohm for each in record.resistors if each.wire == "press")
    assert finding.record.check == record
    assert finding.record.fixture.capacitance_f == record.capacitance_f
    assert finding.record.meter.input_ohm == record.meter_ohm
    # As limits: their √3 th part is the standard uncertainty again.
    assert record.meter_ohm is not None
    assert record.meter_u_ohm is not None
    assert record.leakage_s is not None
    assert record.leakage_u_s is not None
    assert finding.record.meter.input_tolerance == pytest.approx(3**0.5 * record.meter_u_ohm / record.meter_ohm)
    fixture = finding.record.fixture
    assert fixture.conductance_tolerance == pytest.approx(3**0.5 * record.leakage_u_s / record.leakage_s)
    assert titles(finding.record) == []
    late = replace(finding.record, check_state="expired")
    assert titles(late) == ["Bench check expired"]
    bad = replace(record, items=(*record.items, CheckItem("meter zero", "fail")))
    assert titles(replace(late, check=bad, check_state="failed")) == ["Bench check failed"]
    assert titles(replace(late, check=None, check_state="changed", bench_checked="")) == ["Bench not checked"]


def titles(record: object) -> list[str]:
    from results.analysis.findings import RunFinding

    shown = limits(RunFinding(record, (), ()))  # type: ignore[arg-type]
    return [each["title"] for each in shown if each["title"].startswith("Bench")]


def test_a_failed_check_is_never_relied_upon_nor_is_what_it_measured(tmp_path: Path) -> None:
    file = bench_from_text(bench_text(_resources(), PINS), tmp_path / "bench.toml")
    stands = CheckRecord("x", "", "2027-01-01T00:00:00+00:00", "2027-01-02T00:00:00+00:00", "1", ())
    from results.record.check import InPlace, sha256_of

    mine = replace(stands, bench_sha256=sha256_of(file.text), resistors=(InPlace("press", 990.0, 0.5),))
    noon = datetime(2027, 1, 1, 12, tzinfo=UTC)
    write_check(mine, checks_folder(file))
    assert checked(file, noon, 0.01).file.wiring.press is not None
    assert checked(file, noon, 0.01).file.driver_wiring().press_ohm == 990.0
    worse = replace(mine, resistors=(InPlace("press", 990.0, 6.0), InPlace("fit.8.2 kΩ", 8210.0, 2.0)))
    wiring = with_measured(file, worse, 0.01).wiring
    # 1 kΩ to 1 % is u = 5.8 Ω: better than 6 Ω. 8.2 kΩ to 0.01 % is u = 0.5 Ω: better than 2 Ω.
    assert wiring.press is not None
    assert wiring.press.measured_ohm is None
    assert wiring.fit["8.2 kΩ"].measured_ohm == 8210.0
    assert with_measured(file, worse, 1e-4).wiring.fit["8.2 kΩ"].measured_ohm is None
    bad = replace(mine, checked_utc="2027-01-01T06:00:00+00:00", items=(CheckItem("meter zero", "fail"),))
    write_check(bad, checks_folder(file))
    known = checked(file, noon, 0.01)
    assert known.state == "failed"
    assert known.text == "failed, 2027-01-01T06:00:00+00:00: 1 fail"
    assert known.file.driver_wiring().press_ohm == 1000.0


def _resources() -> Mapping[str, str]:
    scpi = {role: f"TCPIP::127.0.0.1::{5000 + n}::SOCKET" for n, role in enumerate(("meter", "source", "switch"))}
    return {**scpi, "relay_board": "/dev/ttyACM1", "board": "/dev/ttyACM0"}


COUPON_TABLES = """
[coupons.released]
channel = "switch 125"
resistor = "33 kΩ"
capacitor = "220 nF"
[coupons.stuck]
channel = "switch 126"
safe_low = "8.2 kΩ"
safe_high = "22 kΩ"
"""


def coupon_parts(farad: float, leak: str) -> str:
    """The two coupons of the fixture: what the bench file says of the first is 220 nF."""
    return (
        f'[[coupons]]\nname = "released"\nchannel = "switch 125"\ncapacitance_f = {farad}\n'
        f'[[coupons]]\nname = "stuck"\nchannel = "switch 126"\nresistance_ohm = 60e3\ncapacitance_f = 1e-9\n{leak}\n'
    )


LATCH = LATCHES.partition("\n")[2].replace("120e-6", "95e-6")


def test_a_run_between_coupons_that_are_seen_as_what_they_are_says_nothing_of_them(tmp_path: Path) -> None:
    board = board_text({"D1": SOUND}) + coupon_parts(225e-9, LATCH)
    with bench_file(tmp_path, board, COUPON_TABLES) as file:
        finding = found(run_plan(tmp_path, plan_text(PINS, resistors='["none", "8.2 kΩ"]'), file.text))
    assert [one.item.verdict for one in finding.coupons] == ["pass"] * 10
    assert status_of(finding) == 0
    assert {pin.pin for pin in finding.pins} == {"D1"}
    tau = next(one.item for one in finding.coupons if one.item.name.endswith("time constant"))
    assert tau.value == pytest.approx(225e-9 * 33e3, rel=0.01)


def test_a_wrong_coupon_makes_the_run_void(tmp_path: Path) -> None:
    """A capacitor of half its value, and a network that does not latch any more."""
    board = board_text({"D1": SOUND}) + coupon_parts(110e-9, "")
    with bench_file(tmp_path, board, COUPON_TABLES) as file:
        finding = found(run_plan(tmp_path, plan_text(PINS), file.text))
    wrong = {one.item.name for one in finding.coupons if one.item.verdict == "fail"}
    assert wrong == {"coupon released: time constant", "coupon stuck"}
    assert status_of(finding) == BENCH_FAILED
    assert next(iter(summary_lines(finding))).startswith("VOID: coupon released: time constant before, coupon stuck")
    assert headline(finding)["text"] == "This run is void: a check coupon was not seen as what it is."
    first = limits(finding)[0]
    assert first["title"] == "Run void"
    assert "coupon stuck (before): released; must stay high" in first["text"]


def test_a_pin_that_leaks_after_its_test_is_flagged_and_its_neighbour_is_not(tmp_path: Path) -> None:
    """D2 has a plain leak that comes and goes with the text on the display; with this seed it is there afterwards."""
    leaks = f'{SOUND}\nleak = {{ kind = "plain", current_a = 5e-6 }}\nleak_probability = 0.5'
    board = board_text({"D1": SOUND, "D2": leaks}).replace("seed = 5", "seed = 10")
    board += "\n[source]\nnoise_a = 2e-9\n"
    plan = plan_text(("D1", "D2")) + "[damage_watch]\n"
    with simulated(tmp_path, board) as resources:
        result = run_plan(tmp_path, plan, bench_text(resources, ("D1", "D2")))
    finding = found(result)
    kinds = [trial.kind for trial in finding.record.planned]
    assert kinds == ["damage watch"] * 2 + ["trial"] * 2 + ["damage watch"] * 2
    assert {item.name: item.verdict for item in finding.damage} == {
        "D1 at 0 V": "pass",
        "D1 at the rail": "pass",
        "D2 at 0 V": "pass",
        "D2 at the rail": "fail",
    }
    changed = next(item for item in finding.damage if item.verdict == "fail")
    assert changed.value == pytest.approx(-5e-6, rel=0.02)
    assert status_of(finding) == OTHER_VERDICT
    assert next(iter(summary_lines(finding))) == "DAMAGE? the leakage changed over the run: D2 at the rail"
    assert limits(finding)[0]["title"] == "Possible damage"


def test_a_check_that_is_stopped_is_not_kept_and_leaves_the_bench_safe(tmp_path: Path) -> None:
    with bench_file(tmp_path, board_text({"D1": SOUND})) as file:
        heard: list[str] = []
        stop = StopRequest()

        def tell(text: str) -> None:
            heard.append(text)
            if text == "meter memory":
                stop.ask("SIGINT")

        with pytest.raises(StopRequestedError):
            carry_out_check(file, None, stop=stop, operator=nobody(), tell=tell)
        assert heard[-1] == "meter memory"
        # What was said on the wires is kept, and is no check.
        (kept,) = checks_folder(file).iterdir()
        assert kept.name.endswith("_check_wire_log")
        assert checked(file, datetime.now(UTC), 0.01).state == "none"


def test_the_command_says_every_item_in_a_line_and_ends_with_3_where_one_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from harness.commands import check_files

    board = board_text({"D1": SOUND}, '[faults]\nwelded = ["press"]\n')
    with bench_file(tmp_path, board) as file:
        assert check_files(Path(file.path), None, "somebody") == BENCH_FAILED
    said = capsys.readouterr().out.splitlines()
    [relays] = [line for line in said if line.startswith("fail ")]
    assert "relays" in relays
    assert "a relay is welded (press, rail or select)" in relays
    assert any(line.startswith("not determined  link watch") for line in said)
    assert any(line.startswith("test bench: ") and "1 fail" in line for line in said)
    assert said[-2].startswith("written: ")
    assert said[-1].startswith("NOT VERIFIED: bus: reads 3.305 V after every relay reports open: a contact is welded")


@pytest.mark.parametrize("planted", ["link", "file"])
def test_checks_go_into_no_folder_that_somebody_laid_there(tmp_path: Path, planted: str) -> None:
    """A bench file came with a folder of checks that led into the user's own; a file there was a traceback."""
    (tmp_path / "home").mkdir()
    place = tmp_path / "checks"
    place.symlink_to(tmp_path / "home") if planted == "link" else place.touch()
    nowhere = {role: f"TCPIP::127.0.0.1::{n}::SOCKET" for n, role in enumerate(("meter", "source", "switch"), start=1)}
    text = bench_text({**nowhere, "relay_board": "/dev/nowhere"}, PINS, console=False)
    file = bench_from_text(text, tmp_path / "bench.toml")
    rules = {
        "link": "is a link: checks are written beside the bench file and nowhere else",
        "file": "cannot hold checks: File exists",
    }
    with pytest.raises(UserFileError) as caught:
        check(file, with_plan=False)
    assert str(caught.value) == f"{place}: {rules[planted]}"
    assert list((tmp_path / "home").iterdir()) == []
