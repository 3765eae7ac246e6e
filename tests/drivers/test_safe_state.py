"""The safe state is plain data: what to send, and the reply that proves it."""

from __future__ import annotations

import json
import re

import pytest

from drivers.dialect import Dialect
from drivers.safe_state import look_at_bus, safe_state, safe_steps, through
from tests.drivers.scripted import Rig, scpi

SOCKET = "TCPIP::127.0.0.1::5025::SOCKET"


def test_relays_open_before_the_source_goes_off_and_a_meter_needs_nothing() -> None:
    roles = ("source", "meter", "relay_board", "board", "switch")
    steps = safe_state([(role, f"to {role}", Dialect(role)) for role in roles])
    assert [one["resource"] for one in steps] == ["to switch", "to relay_board", "to source"]
    assert json.loads(json.dumps(steps)) == steps


def test_a_source_goes_off_first_and_then_to_high_impedance() -> None:
    steps = safe_steps("source", SOCKET, Dialect("source"))
    assert steps == {
        "kind": "visa-socket",
        "resource": SOCKET,
        "phase": 2,
        "steps": [
            {
                "command": "OUTP:STAT OFF",
                "query": "OUTP:STAT?",
                "expect": "[+]?0|OFF",
                "message": "OUTP:STAT OFF;:OUTP:STAT?",
            },
            {
                "command": "OUTP:SMOD HIMP",
                "query": "OUTP:SMOD?",
                "expect": r"(?i:HIMP\w*)",
                "message": "OUTP:SMOD HIMP;:OUTP:SMOD?",
            },
        ],
    }


def test_the_bench_file_s_own_commands_are_used() -> None:
    steps = safe_steps("switch", SOCKET, Dialect("switch", {"open_all": "ROUT:OPEN ALL"}))
    assert steps is not None
    assert steps["steps"][0]["message"] == "ROUT:OPEN ALL;:ROUT:CLOS:STAT?"


def test_the_steps_carried_out_on_a_live_bench_leave_it_safe_and_each_reply_proves_it() -> None:
    rig = Rig(closed={"101", "201"}, output=True)
    for role, answer in (("switch", scpi(rig.switch)), ("source", scpi(rig.source))):
        steps = safe_steps(role, SOCKET, Dialect(role))
        assert steps is not None
        for step in steps["steps"]:
            assert re.fullmatch(step["expect"], str(answer(step["message"])))
    assert (rig.closed, rig.output, rig.off_mode) == (set(), False, "HIMP")


def test_a_relay_board_answers_the_command_and_the_query() -> None:
    rig = Rig(board_closed={"1"})
    steps = safe_steps("relay_board", "/dev/ttyACM0", Dialect("relay_board"))
    assert steps is not None
    assert steps["kind"] == "serial"
    (step,) = steps["steps"]
    assert re.fullmatch(step["acknowledge"], rig.relay_board(step["command"]))
    assert re.fullmatch(step["expect"], rig.relay_board(step["query"]))
    assert rig.board_closed == set()


@pytest.mark.parametrize(
    ("role", "reply"),
    [("switch", "(@201)"), ("switch", ""), ("relay_board", "1"), ("relay_board", "NONE 1")],
)
def test_a_relay_that_stays_closed_proves_nothing(role: str, reply: str) -> None:
    steps = safe_steps(role, SOCKET, Dialect(role))
    assert steps is not None
    assert not re.fullmatch(steps["steps"][-1]["expect"], reply)


@pytest.mark.parametrize("reply", ["1", "ON", "", "0.5", "00"])
def test_an_output_that_is_on_proves_nothing(reply: str) -> None:
    steps = safe_steps("source", SOCKET, Dialect("source"))
    assert steps is not None
    assert not re.fullmatch(steps["steps"][0]["expect"], reply)


@pytest.mark.parametrize(
    ("role", "resource", "kind"),
    [
        ("switch", "TCPIP0::192.168.0.7::5025::SOCKET", "visa-socket"),
        ("switch", "GPIB0::22::INSTR", "visa"),
        ("switch", "TCPIP::192.168.0.7::INSTR", "visa"),
        ("relay_board", "socket://127.0.0.1:7001", "serial"),
    ],
)
def test_the_kind_says_what_is_needed_to_reach_a_resource(role: str, resource: str, kind: str) -> None:
    steps = safe_steps(role, resource, Dialect(role))
    assert steps is not None
    assert steps["kind"] == kind


def test_the_supply_of_the_board_goes_off_last_after_the_bus_was_looked_at() -> None:
    steps = safe_state([(role, f"to {role}", Dialect(role)) for role in ("supply", "source", "switch")])
    assert [(one["resource"], one["phase"]) for one in steps] == [("to switch", 1), ("to source", 2), ("to supply", 4)]
    look = look_at_bus(SOCKET, Dialect("meter"))
    assert look is not None
    assert look["phase"] == 3
    assert [step["command"] for step in steps[-1]["steps"]] == ["OUTP:STAT OFF"]


def test_a_meter_is_made_to_give_up_its_log_and_to_read_the_bus_once_in_text() -> None:
    assert look_at_bus(SOCKET, Dialect("meter", {"format_text": "FORM:ASC"})) == {
        "kind": "visa-socket",
        "resource": SOCKET,
        "phase": 3,
        "steps": [],
        "look": {"messages": ["ABOR", "TRIG:SOUR IMM", "FORM:ASC", "TRIG:COUN 1"], "query": "READ?", "below_v": 0.25},
    }


def test_a_meter_without_words_for_a_reading_in_text_is_not_looked_at() -> None:
    assert look_at_bus(SOCKET, Dialect("meter", {"format_text": ""})) is None


def test_a_bus_that_only_a_vendor_s_library_reaches_is_made_safe_through_it() -> None:
    """The guard used to try the bundled library, whatever the bench file said."""
    steps = safe_state([("source", "GPIB0::24::INSTR", Dialect("source")), ("switch", SOCKET, Dialect("switch"))])
    assert [one.get("visa") for one in through(steps, "@ivi")] == [None, "@ivi"]
