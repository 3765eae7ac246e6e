"""A fault of the bench costs a try, never a wrong number; what a trial showed is never made again."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from drivers.bench import Bench
from drivers.errors import (
    BenchError,
    InstrumentError,
    LimitError,
    LinkClosedError,
    LinkTimeoutError,
    NotAsSetError,
    OtherInstrumentError,
    ReplyError,
    StopRequestedError,
    WiringError,
)
from harness.errors import BENCH_FAILED, NotRecoveredError, TryFailedError, exit_status
from harness.events import BenchTold, Event
from harness.plan_tables import RetestTable
from harness.recovery import Recovery
from procedures.errors import TooLateError
from results.record.observation import Observation, Outcome
from results.record.run_folder import RunFolder
from tests.drivers.scripted import FunctionLink, Rig
from tests.results.record.runs import new_run, observation, trial

TRIAL = trial(1)
RULES = RetestTable(tries=3, failures=4, first_wait_s=0.001, longest_wait_s=0.004)
LOST = LinkClosedError("the connection is gone (EOF)", resource="meter", command="READ?")


@dataclass
class Hand:
    """A recovery over a scripted bench and a real run folder. `goes`: what each try of the trial comes to, in order."""

    path: Path
    rules: RetestTable = RULES
    rig: Rig = field(default_factory=lambda: Rig(volts=lambda rig: 3.3 if rig.closed else 0.0))
    goes: list[BenchError | TooLateError | TryFailedError] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    looks: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.bench: Bench = self.rig.bench()
        self.bench.prepare()
        self.folder: RunFolder = new_run(self.path)
        self.recovery = Recovery(
            self.bench, self.folder, self.rules, self.events.append, (lambda: self.looks.append("bus"),)
        )

    def once(self) -> Observation:
        """A try: a pin on the bus, pressed, and then whatever comes next."""
        self.bench.rail_voltage(self.bench.limits.rail_age_s)
        self.bench.select("D1")
        with self.bench.pressed("D1", "relay", 3.3):
            if self.goes:
                error = self.goes.pop(0)
                if isinstance(error, BenchError):
                    with self.bench._state.moving("read"):
                        raise error
                raise error
        return observation(1)

    def make(self) -> str:
        return self.recovery.made(TRIAL, self.once).outcome

    def link(self, role: str) -> FunctionLink:
        link = self.bench._instruments()[role].link
        assert isinstance(link, FunctionLink)
        return link

    def tried(self) -> list[tuple[str, str]]:
        """Outcome and first note of every try in the journal."""
        tries = [seen for _, seen in self.folder.every_try()]
        return [(seen.outcome, seen.notes[0] if seen.outcome == "failed" else "") for seen in tries]

    def told(self) -> list[str]:
        return [event.text for event in self.events if isinstance(event, BenchTold)]


def refuses(link: FunctionLink, times: int, seen: Callable[[], None] = lambda: None) -> None:
    """The peer is not there for so many times that the link is opened."""
    left = [times]
    reopen = link.reopen

    def opened() -> None:
        seen()
        if left[0]:
            left[0] -= 1
            link.state = "lost"
            raise LinkClosedError("not opened: refused", resource=link.resource)
        reopen()

    link.reopen = opened  # type: ignore[method-assign]


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The waits of a back-off, which take no time."""
    asked: list[float] = []
    monkeypatch.setattr(Recovery, "_wait", lambda self, seconds: asked.append(seconds))
    return asked


def test_a_lost_instrument_is_back_and_the_trial_made_again_with_both_tries_kept(tmp_path: Path) -> None:
    hand = Hand(tmp_path, goes=[LOST])
    assert hand.make() == "measured"
    assert hand.tried() == [("failed", f"meter {LOST}"), ("measured", "")]
    assert hand.folder.tries() == {1: 2}
    [happening] = hand.folder.happenings()
    assert (happening.kind, happening.role, happening.sequence, happening.tries) == ("recovered", "meter", 1, 1)
    assert happening.text == f"meter lost ({LOST}): reopened after 1 try, trial {TRIAL.label} is made again"
    assert hand.told() == [
        f"meter lost ({LOST}); bench made safe",
        f"meter reopened after 1 try, trial {TRIAL.label} is made again",
    ]
    assert hand.looks == ["bus"]
    assert hand.link("meter").reopened == 1
    # In the journal in the order in which it happened: the failed try, the recovery, the measured one.
    lines = [
        json.loads(line) for line in (hand.folder.path / "journal.jsonl").read_text(encoding="utf-8").split("\n")[:-1]
    ]
    assert [next(key for key in line if key != "crc32") for line in lines] == ["trial", "happening", "trial"]


@pytest.mark.parametrize(
    "error",
    [
        LinkTimeoutError("no reply within 2 s", resource="switch"),
        ReplyError("not a number", resource="source", received=b"67E-03x"),
        NotAsSetError("it restarted", resource="meter"),
        InstrumentError("the instrument reports errors", resource="meter", errors=((-213, "Init ignored"),)),
    ],
)
def test_every_fault_of_the_bench_is_recovered_from(error: BenchError, tmp_path: Path) -> None:
    hand = Hand(tmp_path, goes=[error])
    assert hand.make() == "measured"
    assert [outcome for outcome, _ in hand.tried()] == ["failed", "measured"]


def test_nothing_is_pressed_while_an_instrument_is_opened_anew(tmp_path: Path, waits: list[float]) -> None:
    """The lease of the guard is given back before, too: nothing is energised that it would have to end."""
    leases: list[float | None] = []
    rig = Rig(volts=lambda rig: 3.3 if rig.closed else 0.0)
    hand = Hand(tmp_path, rig=rig, goes=[LOST])
    hand.bench._leases._tell = leases.append
    state: list[tuple[object, ...]] = []
    refuses(
        hand.link("meter"), 2, lambda: state.append((set(rig.closed), set(rig.board_closed), rig.output, leases[-1]))
    )
    assert hand.make() == "measured"
    assert state == [(set(), set(), False, None)] * 4  # the first time to read the bus, once its relays were open


def test_the_waits_double_from_the_first_to_the_longest(tmp_path: Path, waits: list[float]) -> None:
    hand = Hand(tmp_path, rules=RetestTable(first_wait_s=1.0, longest_wait_s=6.0), goes=[LOST])
    refuses(hand.link("meter"), 99)
    with pytest.raises(NotRecoveredError) as caught:
        hand.make()
    assert waits == [1.0, 2.0, 4.0, 6.0]
    assert exit_status(caught.value) == BENCH_FAILED
    told = str(caught.value)
    assert told.startswith(f"meter lost ({LOST}): not recovered in 5 tries within ")
    assert told.endswith(" s, at last: meter: not opened: refused")
    assert hand.bench.state == "safe"
    assert hand.tried() == [("failed", f"meter {LOST}")]
    [happening] = hand.folder.happenings()
    assert (happening.kind, happening.tries, happening.text) == ("not recovered", 5, told)


def test_a_trial_is_tried_as_often_as_the_plan_says_and_then_stays_failed(tmp_path: Path) -> None:
    """The run goes on with the next trial: only one pin may be at fault."""
    hand = Hand(tmp_path, goes=[LOST] * 9)
    assert hand.make() == "failed"
    assert [outcome for outcome, _ in hand.tried()] == ["failed"] * 3
    assert [one.text.rpartition(" ")[2] for one in hand.folder.happenings()] == ["again", "again", "failed"]
    assert hand.folder.done() == frozenset()


def test_after_as_many_recoveries_as_the_plan_allows_the_run_stops_safe(tmp_path: Path) -> None:
    hand = Hand(tmp_path, rules=RetestTable(tries=9, failures=2), goes=[LOST] * 9)
    with pytest.raises(NotRecoveredError) as caught:
        hand.make()
    assert str(caught.value) == (
        f"retest.failures: the run has recovered 2 times, as often as the plan allows; then meter lost ({LOST})"
    )
    assert [outcome for outcome, _ in hand.tried()] == ["failed"] * 3
    assert [one.kind for one in hand.folder.happenings()] == ["recovered", "recovered", "not recovered"]
    assert hand.bench.state == "safe"


def test_without_a_recovery_the_first_fault_is_raised_as_it_is(tmp_path: Path) -> None:
    hand = Hand(tmp_path, rules=RetestTable(failures=0), goes=[LOST])
    with pytest.raises(LinkClosedError) as caught:
        hand.make()
    assert caught.value is LOST
    assert hand.tried() == [("failed", f"meter {LOST}")]
    assert hand.folder.happenings() == ()


@pytest.mark.parametrize("outcome", ["measured", "no contact", "failed"])
def test_what_a_trial_showed_stands_whatever_it_is(outcome: Outcome, tmp_path: Path) -> None:
    hand = Hand(tmp_path)
    made: list[int] = []

    def once() -> Observation:
        made.append(1)
        return replace(observation(1), outcome=outcome)

    assert hand.recovery.made(TRIAL, once).outcome == outcome
    assert made == [1]
    assert hand.folder.tries() == {1: 1}


@pytest.mark.parametrize(
    "error",
    [LimitError("press of D1: 9 V is beyond the limit"), WiringError("channel 201 reads back closed"), BenchError("x")],
)
def test_what_another_try_would_meet_again_ends_the_run(error: BenchError, tmp_path: Path) -> None:
    hand = Hand(tmp_path, goes=[error])
    with pytest.raises(type(error)) as caught:
        hand.make()
    assert caught.value is error
    assert hand.tried() == [("failed", str(error))]
    assert hand.folder.happenings() == ()


def test_wiring_that_disobeys_because_an_instrument_restarted_is_no_fault_of_the_wiring(tmp_path: Path) -> None:
    """Its relays fell open by that; the power-on event says so."""
    hand = Hand(tmp_path, goes=[WiringError("rail: reads 0.000 V")])
    link, events = hand.link("switch"), ["128"]
    right = link.answer
    link.answer = lambda message: events.pop() if message == "*ESR?" and events else right(message)
    assert hand.make() == "measured"
    [happening] = hand.folder.happenings()
    assert (happening.role, happening.kind) == ("switch", "recovered")
    assert "it restarted (event status 128: power on)" in happening.text


def test_what_was_met_because_another_instrument_restarted_is_told_behind_that(tmp_path: Path) -> None:
    """A board whose supply restarted says nothing; it used to be blamed alone."""
    met = LinkClosedError("the connection is gone", resource="relay_board", command="OPEN 1")
    hand = Hand(tmp_path, goes=[met])
    link, events = hand.link("switch"), ["128"]
    right = link.answer
    link.answer = lambda message: events.pop() if message == "*ESR?" and events else right(message)
    assert hand.make() == "measured"
    [happening] = hand.folder.happenings()
    assert (happening.role, happening.kind) == ("switch", "recovered")
    (_, first), *_ = hand.folder.every_try()
    assert first.notes[0].startswith("switch switch: it restarted (event status 128: power on)")
    assert first.notes[1] == f"relay_board {met}"


@pytest.mark.parametrize(
    "late", [TooLateError("release: came 0.8 s into the log"), TryFailedError("meter: overload: beyond the 10 V range")]
)
def test_a_try_that_came_to_nothing_is_followed_by_another_and_no_recovery(
    late: TooLateError | TryFailedError, tmp_path: Path
) -> None:
    hand = Hand(tmp_path, goes=[late])
    assert hand.make() == "measured"
    assert hand.tried() == [("failed", str(late)), ("measured", "")]
    assert (hand.folder.happenings(), hand.looks) == ((), [])
    worse = Hand(tmp_path / "worse", goes=[late] * 9)
    assert worse.make() == "failed"
    assert worse.folder.tries() == {1: 3}


def test_another_instrument_than_before_ends_the_run(tmp_path: Path, waits: list[float]) -> None:
    hand = Hand(tmp_path, goes=[LOST])
    hand.bench.identities["meter"] = ("meter", "Invented Instruments,V6,4711,1.0")
    with pytest.raises(OtherInstrumentError, match=r"another instrument than before, which answered .*V6,4711,1\.0"):
        hand.make()
    assert waits == [0.001]
    assert hand.bench.state == "safe"
    [happening] = hand.folder.happenings()
    assert (happening.kind, happening.tries) == ("not recovered", 2)


def test_what_a_line_had_left_over_is_not_taken_for_another_instrument(tmp_path: Path, waits: list[float]) -> None:
    """A serial line that is opened anew may still bring the late answer to the question before."""
    hand = Hand(tmp_path, goes=[LinkTimeoutError("no reply within 2 s", resource="board", command="read D1")])
    link, late = hand.link("board"), ["high"]
    right = link.answer
    link.answer = lambda message: late.pop() if message == "id" and late else right(message)
    assert hand.make() == "measured"
    assert hand.folder.happenings()[0].tries == 2


def test_a_pin_that_cannot_be_proven_let_go_ends_the_run(
    tmp_path: Path, waits: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is opened anew, nothing prepared: whoever closes the bench tells the guard."""
    monkeypatch.setattr("harness.recovery.GIVE_UP_S", 0.0)
    hand = Hand(tmp_path)
    link = hand.link("switch")

    def once() -> Observation:
        hand.bench.rail_voltage()
        hand.bench.select("D1")
        with hand.bench.pressed("D1", "relay", 3.3):
            refuses(link, 99)
            link.state = "lost"
            hand.bench.rail_voltage()
        raise AssertionError

    with pytest.raises(BenchError):
        hand.recovery.made(TRIAL, once)
    assert hand.rig.closed == {"101", "201"}
    assert hand.bench.state == "fault"


def test_an_instrument_that_cannot_press_may_stay_unproven_while_it_is_waited_for(
    tmp_path: Path, waits: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The source behind its open relay: longer than the guard would try, and covered by its lease."""
    monkeypatch.setattr("drivers.making_safe.BUSY_S", 0.0)  # else it is asked again at once, each time
    covered: list[float] = []
    hand = Hand(tmp_path, goes=[LinkTimeoutError("no reply within 2 s", resource="source", command="OUTP:STAT?")])
    refuses(hand.link("source"), 7)
    hand.link("source").state = "lost"
    cover = hand.bench.cover
    hand.bench.cover = lambda seconds: (covered.append(seconds), cover(seconds))[1]  # type: ignore[method-assign]
    assert hand.make() == "measured"
    assert covered == waits
    assert len(waits) == 2


def test_a_stop_request_ends_the_waiting_at_once(tmp_path: Path) -> None:
    hand = Hand(tmp_path, rules=RetestTable(first_wait_s=3000.0, longest_wait_s=3000.0), goes=[LOST])
    refuses(hand.link("meter"), 99, lambda: setattr(hand.rig, "stop", True))
    with pytest.raises(StopRequestedError):
        hand.make()
    assert hand.tried() == [("failed", f"meter {LOST}")]
    assert hand.bench.state == "safe"


def test_what_belongs_to_no_trial_is_done_again_too(tmp_path: Path) -> None:
    hand = Hand(tmp_path)
    goes = [LOST]

    def look() -> None:
        if goes:
            raise goes.pop()
        hand.looks.append("after the last")

    hand.recovery.through(look)
    assert hand.looks == ["bus", "after the last"]
    [happening] = hand.folder.happenings()
    assert (happening.sequence, happening.text) == (0, f"meter lost ({LOST}): reopened after 1 try")
