"""A trace is read from whatever text an instrument saved, and never guessed."""

from __future__ import annotations

import numpy as np
import pytest

from results.errors import ForeignTraceError
from results.record.trace import Trace
from results.record.trace_csv import read_table, read_trace

TIMES = [0.0, 0.0001, 0.0002, 0.0003]
VOLTS = [3.3, 2.5, 1.25, 0.625]


def read(text: str | bytes, min_samples: int = 3) -> Trace:
    return read_trace(text if isinstance(text, bytes) else text.encode(), "D1.csv", min_samples)


def refusal(text: str | bytes, min_samples: int = 3) -> str:
    with pytest.raises(ForeignTraceError) as caught:
        read(text, min_samples)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def rows(
    names: str, separator: str = ",", time_scale: float = 1.0, volt_scale: float = 1.0, newline: str = "\n"
) -> str:
    lines = [names]
    for time, volt in zip(TIMES, VOLTS, strict=True):
        lines.append(f"{time * time_scale:.7g}{separator}{volt * volt_scale:.7g}")
    return newline.join(lines) + newline


PLAIN = rows("time_s,voltage_v")


def test_the_plain_form() -> None:
    trace = read(PLAIN)
    assert trace.time_s.tolist() == TIMES
    assert trace.voltage_v.tolist() == VOLTS
    assert trace.current_a is None


@pytest.mark.parametrize(
    "names",
    [
        "Time,Voltage",
        "time,CH1",
        "Time (s),CH1 (V)",
        "Second,Volt",
        "s,V",
        "t,V",
        "t,U",
        "TIME,CH 2 [V]",
        "Time/s,Voltage/V",
        "Time / s,Voltage / V",
        '"Time (s)","Voltage (V)"',
        "Time in s,Channel 1 in V",
        "Seconds,Volts",
        " Time , Voltage (V) ",
    ],
)
def test_columns_go_by_many_names(names: str) -> None:
    trace = read(rows(names))
    assert trace.time_s.tolist() == TIMES
    assert trace.voltage_v.tolist() == VOLTS


@pytest.mark.parametrize(
    ("names", "time_scale", "volt_scale"),
    [
        ("Time (ms),Voltage (mV)", 1e3, 1e3),
        ("time_ms,voltage_mv", 1e3, 1e3),
        ("Time [µs],CH1 [mV]", 1e6, 1e3),
        ("Time (us),CH1 (uV)", 1e6, 1e6),
        ("t / ns,U / kV", 1e9, 1e-3),
        ("Time,CH1\n(ms),(mV)", 1e3, 1e3),
        ("Time,CH1\nms,V", 1e3, 1.0),
        ("Time,CH1\nSecond,Volt", 1.0, 1.0),
    ],
)
def test_units_are_scaled_to_second_and_volt(names: str, time_scale: float, volt_scale: float) -> None:
    trace = read(rows(names, time_scale=time_scale, volt_scale=volt_scale))
    np.testing.assert_allclose(trace.time_s, TIMES, rtol=1e-9, atol=0.0)
    np.testing.assert_allclose(trace.voltage_v, VOLTS, rtol=1e-9, atol=0.0)


def test_lines_before_the_column_names_are_passed_over() -> None:
    header = "Oscilloscope export\nRecord Length,4\nSample Interval,0.0001\nSource,CH1\nVertical Units,V\n\n"
    trace = read(header + PLAIN.replace("time_s,voltage_v", "Time,CH1"))
    assert trace.time_s.tolist() == TIMES


def test_columns_stand_anywhere_and_others_are_left_alone() -> None:
    text = "n,voltage_v,temperature,time_s\n" + "".join(
        f"{n},{volt},23.5,{time}\n" for n, (time, volt) in enumerate(zip(TIMES, VOLTS, strict=True))
    )
    trace = read(text)
    assert trace.time_s.tolist() == TIMES
    assert trace.voltage_v.tolist() == VOLTS


@pytest.mark.parametrize("separator", [";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_semicolons_and_tabs_come_with_a_decimal_comma(separator: str, newline: str) -> None:
    names = f"Zeit (s){separator}Spannung (V)"
    text = rows(names, separator, newline=newline).replace(".", ",")
    for data in (text.encode(), b"\xef\xbb\xbf" + text.encode(), text.encode("utf-16")):
        trace = read(data)
        assert trace.time_s.tolist() == TIMES
        assert trace.voltage_v.tolist() == VOLTS


def test_a_decimal_point_stays_one_between_semicolons() -> None:
    assert read(rows("time_s;voltage_v", ";")).voltage_v.tolist() == VOLTS


def test_latin_1_is_read() -> None:
    trace = read(rows("Time (µs),CH1 (V)", time_scale=1e6).encode("latin-1"))
    np.testing.assert_allclose(trace.time_s, TIMES, rtol=1e-9, atol=0.0)


def test_lines_keep_their_numbers_after_a_latin_1_control_character() -> None:
    text = "note \x85 of the lab\ntime_s,voltage_v\n0,1\n1,x\n"
    assert refusal(text.encode("latin-1")) == "D1.csv: line 4: voltage_v: not a number: 'x'"


@pytest.mark.parametrize("cell", ["", "nan", "NaN", "inf", "-inf", "9.9e37", "9.91E+37", "-9.9E37", "1e300"])
def test_an_overload_is_nan(cell: str) -> None:
    trace = read(PLAIN.replace("2.5", cell))
    assert trace.overload.tolist() == [False, True, False, False]


def test_the_largest_number_that_is_no_sentinel_is_a_voltage() -> None:
    assert read(PLAIN.replace("2.5", "9.8e37")).voltage_v[1] == 9.8e37


def test_uneven_and_negative_times_are_kept_as_logged() -> None:
    assert read("time_s,voltage_v\n-2e-3,1\n-1e-6,1\n5,1\n").time_s.tolist() == [-2e-3, -1e-6, 5.0]


def test_blank_lines_and_a_trailing_separator_mean_nothing() -> None:
    text = "\n".join(line + "," for line in PLAIN.splitlines()) + "\n\n,\n"
    assert read(text).voltage_v.tolist() == VOLTS


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "D1.csv: empty"),
        ("\n \n", "D1.csv: empty"),
        ("time_s,voltage_v\n", "D1.csv: 0 samples, expected at least 3"),
        ("time_s,voltage_v\n0,1\n1,1\n", "D1.csv: 2 samples, expected at least 3"),
        ("time_s,voltage_v\n0,1\n1,high\n2,1\n", "D1.csv: line 3: voltage_v: not a number: 'high'"),
        ("time_s,voltage_v\n0,1\n12:00:01,1\n2,1\n", "D1.csv: line 3: time_s: not a number: '12:00:01'"),
        ("time_s,voltage_v\n0,1\n1_0,1\n20,1\n", "D1.csv: line 3: time_s: not a number: '1_0'"),
        ("time_s,voltage_v\n0,1\nnan,1\n2,1\n", "D1.csv: line 3: time_s: not a finite number: 'nan'"),
        ("time_s,voltage_v\n0,1\n,1\n2,1\n", "D1.csv: line 3: time_s: not a number: ''"),
        ("time_s,voltage_v\n0,1\n2,1\n2,1\n", "D1.csv: line 4: time_s: not increasing: 2.0 s after 2.0 s"),
        ("Time (ms),CH1\n0,1\n2,1\n1,1\n", "D1.csv: line 4: Time (ms): not increasing: 0.001 s after 0.002 s"),
        ("time_s,voltage_v\n0,1\n1\n2,1\n", "D1.csv: line 3: 1 columns, expected 2: '1'"),
        ("voltage_v\n0.1\n0.2\n0.3\n", "D1.csv: line 2: only one column: '0.1'"),
        ("0,1\n1,1\n2,1\n", "D1.csv: no line names a time and a voltage column, such as time_s,voltage_v"),
        ("a,b\n0,1\n", "D1.csv: no line names a time and a voltage column, such as time_s,voltage_v"),
        (
            "time_s,voltage_v\n0,0001,3,3\n0,0002,3,3\n",
            "D1.csv: line 2: more than the 2 columns that are named: '0,0001,3,3'",
        ),
        (
            "Time,CH1,CH2\n0,1,2\n",
            "D1.csv: line 1: more than one voltage column: 'CH1', 'CH2'; name the one that counts voltage_v",
        ),
        (
            "Time (h),CH1\n0,1\n",
            "D1.csv: line 1: Time (h): unit of time not known: 'h', expected one of s, ms, us, ns",
        ),
        (
            "Time,CH1 (MV)\n0,1\n",
            "D1.csv: line 1: CH1 (MV): unit of voltage not known: 'MV', expected one of V, mV, uV, kV",
        ),
        (b"\xff\xfet\x00", "D1.csv: no line names a time and a voltage column, such as time_s,voltage_v"),
        (b"\xff\xfet", "D1.csv: byte 2: not utf-16, as its first bytes say"),
    ],
)
def test_what_is_no_trace_is_refused_by_file_line_rule_and_value(text: str | bytes, message: str) -> None:
    assert refusal(text) == message


def test_two_channels_are_told_apart_by_the_name_voltage_v() -> None:
    assert read("Time,CH1,voltage_v\n0,9,1\n1,9,2\n2,9,3\n").voltage_v.tolist() == [1.0, 2.0, 3.0]


def test_a_quote_that_never_ends_is_one_line_of_text() -> None:
    assert refusal('time_s,voltage_v\n0,1\n"' + "1,1\n" * 100_000).startswith("D1.csv: line ")


def test_any_bytes_give_a_trace_or_one_line() -> None:
    """Two thousand files of random bytes, and as many with random damage in a good one."""
    likely = b'0123456789.,;\n\r\t"-eE \xff\x00'
    rng = np.random.default_rng(7)
    read_whole = 0
    for case in range(4000):
        data = bytearray(PLAIN.encode())
        if case % 2:
            data = bytearray(rng.integers(0, 256, int(rng.integers(0, 200)), dtype=np.uint8).tobytes())
        else:
            for position in rng.integers(0, len(data), int(rng.integers(1, 4))):
                data[position] = likely[rng.integers(0, len(likely))]
        try:
            trace = read(bytes(data))
        except ForeignTraceError as exc:
            assert str(exc).startswith("D1.csv: ")  # noqa: PT017
            assert "\n" not in str(exc)  # noqa: PT017
        else:
            read_whole += 1
            assert np.all(np.diff(trace.time_s) > 0.0)
            assert not np.any(np.isinf(trace.voltage_v))
    assert read_whole > 100


def test_a_table_keeps_the_number_of_each_line() -> None:
    table = read_table(b"\xef\xbb\xbfa;b\r\n\r\n1,5;2\r\n", "x.csv")
    assert table.rows == ((1, ("a", "b")), (3, ("1,5", "2")))
    assert table.decimal_comma
