"""A line of the journal is read back whole or not at all."""

from __future__ import annotations

import json
import zlib
from dataclasses import fields, replace

import numpy as np
import pytest

from results.record import journal, samples
from results.record.happening import Happening
from results.record.observation import Observation, Probe, SweepStep
from tests.results.record.runs import observation, same, trial


def lines(count: int) -> list[bytes]:
    made = []
    for sequence in range(1, count + 1):
        seen = observation(sequence, samples=4)
        span = samples.span_of(seen.trace, samples.encode(seen.trace), offset=1000 * sequence)
        made.append(journal.line_of(trial(sequence), span, seen))
    return made


def test_a_line_gives_back_trial_span_and_every_field_of_the_observation() -> None:
    (entry,) = journal.read(lines(1)[0]).entries
    seen = observation(1, samples=4)
    assert entry.trial == trial(1)
    assert (entry.samples.offset, entry.samples.length, entry.samples.count, entry.samples.columns) == (1000, 64, 4, 2)
    assert same(entry.observation(seen.trace), seen)
    assert set(entry.fields) == {f.name for f in fields(Observation)} - {"trace"}


def test_a_line_is_one_json_object_whose_first_key_is_the_checksum_of_the_rest() -> None:
    (line,) = lines(1)
    assert line.count(b"\n") == 1
    body = json.loads(line)
    assert list(body) == ["crc32", "trial", "samples", "observation"]
    assert body["trial"]["pin"] == "D1"
    assert body["crc32"] == f"{zlib.crc32(line[20:-1]):08x}"


def test_what_was_not_a_number_is_kept_as_not_measured_with_a_note() -> None:
    seen = replace(observation(1), hold_v=float("nan"), rail_v=np.float64(3.25), notes=())
    span = samples.span_of(seen.trace, samples.encode(seen.trace), 0)
    (entry,) = journal.read(journal.line_of(trial(1), span, seen)).entries
    assert entry.fields["hold_v"] is None
    assert entry.fields["rail_v"] == 3.25
    assert entry.fields["notes"] == ("hold_v was read as nan: not recorded",)


def test_the_looks_of_a_procedure_of_several_acts_come_back_as_they_were() -> None:
    probes = (Probe("pressed", 0, 1, level_v=3.3, reads="high"), Probe("fitted", 1, 3, resistor="10 kΩ", repeat=2))
    seen = replace(observation(3), probes=probes)
    span = samples.span_of(seen.trace, samples.encode(seen.trace), 0)
    (entry,) = journal.read(journal.line_of(replace(trial(3), kind="unlatch"), span, seen)).entries
    assert entry.observation(seen.trace).probes == probes


def test_the_steps_of_a_sweep_come_back_as_they_were() -> None:
    steps = (
        SweepStep(1, "down", 3.3, 0, 4, 3, reads="high"),
        SweepStep(2, "up", 0.8, 4, 5, 0, in_compliance=True),
    )
    seen = replace(observation(3), steps=steps)
    span = samples.span_of(seen.trace, samples.encode(seen.trace), 0)
    (entry,) = journal.read(journal.line_of(replace(trial(3), kind="sweep"), span, seen)).entries
    assert entry.trial.kind == "sweep"
    assert entry.observation(seen.trace).steps == steps


def test_a_line_written_before_there_were_sweeps_is_a_trial() -> None:
    (line,) = lines(1)
    body = json.loads(line)
    del body["crc32"], body["trial"]["kind"], body["observation"]["steps"]
    rest = json.dumps(body, separators=(",", ":"))[1:].encode()
    (entry,) = journal.read(b'{"crc32":"%08x",' % zlib.crc32(rest) + rest + b"\n").entries
    assert entry.trial == trial(1)
    assert entry.fields["steps"] == ()


@pytest.mark.parametrize("cut", [1, 2, 30, 200])
def test_a_line_without_its_newline_was_never_committed(cut: int) -> None:
    data = b"".join(lines(3))
    found = journal.read(data[:-cut])
    assert [entry.trial.sequence for entry in found.entries] == [1, 2]
    assert found.damaged == ()
    assert found.end == len(data) - len(lines(3)[2])


def test_a_damaged_line_is_named_and_the_others_are_read() -> None:
    made = lines(3)
    made[1] = made[1].replace(b'"repeat":2', b'"repeat":3')
    found = journal.read(b"".join(made))
    assert [entry.trial.sequence for entry in found.entries] == [1, 3]
    assert found.damaged == ("journal.jsonl: line 2: checksum does not match: a recorded trial cannot be read",)


def test_a_damaged_newline_costs_one_line_and_not_two() -> None:
    made = lines(3)
    made[0] = made[0][:-1] + b"\x0b"
    found = journal.read(b"".join(made))
    assert [entry.trial.sequence for entry in found.entries] == [2, 3]
    assert len(found.damaged) == 1


def test_a_line_with_a_right_checksum_and_wrong_content_is_named_by_its_key() -> None:
    body = lines(1)[0][20:-1].replace(b'"columns":2', b'"columns":7')
    line = b'{"crc32":"%08x",' % zlib.crc32(body) + body + b"\n"
    assert journal.read(line).entries == ()
    assert (
        journal.read(line).damaged[0].startswith("journal.jsonl: line 1: samples: Value error, not a span of samples")
    )


def test_an_empty_journal_is_a_journal() -> None:
    assert journal.read(b"") == journal.Journal((), (), 0)


def test_what_happened_between_trials_comes_back_and_is_no_trial() -> None:
    lost = Happening("recovered", "2027-01-14T10:15:00+00:00", "meter: no reply within 2 s", 7, "meter", 2, 3.5)
    line = journal.line_of_happening(lost)
    found = journal.read(line + lines(1)[0] + line[:-1])
    assert found.happenings == (lost,)
    assert [entry.trial.sequence for entry in found.entries] == [1]
    assert found.end == len(line + lines(1)[0])


def test_a_damaged_happening_is_named() -> None:
    line = journal.line_of_happening(Happening("resumed", "2027-01-14T10:15:00+00:00", "went on"))
    found = journal.read(line.replace(b"went on", b"went off"))
    assert found.happenings == ()
    assert found.damaged == ("journal.jsonl: line 1: checksum does not match: a recorded trial cannot be read",)
