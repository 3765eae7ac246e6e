"""A bench moves along one table, and a fault is left only by being made safe."""

from __future__ import annotations

import pytest

from drivers.errors import BenchError, InstrumentError, LimitError, LinkError, StopRequestedError, WiringError
from drivers.states import MOVES, BenchState, Move


def _at(*moves: Move) -> BenchState:
    state = BenchState()
    for move in moves:
        with state.moving(move):
            pass
    return state


def test_a_trial_walks_through_the_table() -> None:
    walked: list[str] = []
    state = BenchState()
    moves: list[Move] = ["prepare", "fit", "select", "discharge", "read", "press", "read", "start log", "release"]
    for move in [*moves, "read log", "read the bus alone", "deselect"]:
        with state.moving(move):
            pass
        walked.append(state.current)
    assert walked == [
        *("idle", "idle", "selected", "selected", "selected"),
        *("pressed", "pressed", "pressed and logging", "released and logging"),
        *("released", "released", "idle"),
    ]


def test_a_reading_while_the_meter_logs_is_refused_because_it_would_abort_the_log() -> None:
    state = _at("prepare", "select", "press", "start log")
    with pytest.raises(BenchError) as caught:
        state.require("read")
    assert str(caught.value) == "bench: cannot read while pressed and logging; allowed: release, read log"


def test_nothing_is_allowed_before_the_bench_is_prepared() -> None:
    assert set(MOVES["unprepared"]) == {"prepare"}
    with pytest.raises(BenchError, match=r"bench: cannot press while unprepared; allowed: prepare"):
        BenchState().require("press")


@pytest.mark.parametrize(
    "error",
    [
        LinkError("too late", resource="r"),
        InstrumentError("off", resource="r"),
        WiringError("welded"),
        ZeroDivisionError(),
    ],
)
def test_a_failure_that_leaves_the_bench_unknown_is_a_fault_until_it_is_made_safe(error: Exception) -> None:
    state = _at("prepare", "select")
    with pytest.raises(type(error)), state.moving("press"):
        raise error
    assert state.current == "fault"
    with pytest.raises(BenchError, match="cannot prepare while fault; allowed: nothing but being made safe"):
        state.require("prepare")
    state.made_safe(proven=False)
    assert state.current == "fault"
    state.made_safe(proven=True)
    assert state.require("prepare") == "idle"


@pytest.mark.parametrize("error", [LimitError("too high"), StopRequestedError("stop"), BenchError("overload")])
def test_a_refusal_an_overload_or_a_stop_leaves_the_state_alone(error: BenchError) -> None:
    state = _at("prepare", "select")
    with pytest.raises(type(error)), state.moving("press"):
        raise error
    assert state.current == "selected"


def test_letting_go_on_the_way_out_of_a_fault_does_not_end_the_fault() -> None:
    state = _at("prepare", "select", "press")
    with pytest.raises(WiringError), state.moving("read"):
        raise WiringError("welded")
    with state.moving("release", whatever=True):
        pass
    assert state.current == "fault"


def test_every_state_that_the_table_leads_to_is_in_the_table() -> None:
    reached = {after for moves in MOVES.values() for after in moves.values()}
    assert reached <= set(MOVES)
    assert set(MOVES) - reached == {"unprepared", "safe", "fault"}


def test_nothing_else_is_done_while_a_move_is_under_way() -> None:
    """Used to be let through: a pin could be put on the bus that is bare to be checked, with the press relay closed."""
    state = _at("prepare")
    with state.moving("measure rail"), pytest.raises(BenchError) as caught, state.moving("select"):
        raise AssertionError("selected")
    assert str(caught.value) == "bench: cannot select while it has not ended to measure rail"
    with state.moving("select"):
        pass
    assert state.current == "selected"
