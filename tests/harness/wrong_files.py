"""Good files to break, for the tests of plan, bench file and both together."""

from __future__ import annotations

PLAN = """\
[unit]
name = "Fernhill irrigation controller"
serial = "FH-2417-001"

[rail]
voltage = "3.3 V"
tolerance = "5 %"
above_rail_max = "0.3 V"

[levels]
v_il = "0.8 V"
v_ih = "2.0 V"

[pull_down]
range = ["30 kΩ", "90 kΩ"]

[press]
path = "relay"
hold = "20 ms"

[log]
before = "20 ms"
time = "120 ms"
interval = "0.1 ms"

[release]
allowed = "50 ms"

[trials]
resistors = ["none", "47 kΩ", "8k2"]
tolerance = "1 %"
repeats = 3
pin_setups = ["reset default"]

[advice]
series = "E12"

[[pins]]
name = "D1"
node_capacitance = "150 pF"

[[pins]]
name = "D2"
"""

BENCH = """\
[bench]
name = "rack"
line_frequency = "50 Hz"

[limits]
voltage = "5.5 V"

[meter]
resource = "TCPIP::192.168.0.5::5025::SOCKET"
accuracy_reading = "0.01 %"
accuracy = "0.5 mV"
input_resistance = "10 MΩ"

[switch]
resource = "TCPIP::192.168.0.6::5025::SOCKET"
channels = "101:110, 201:203"

[relay_board]
resource = "/dev/ttyACM0"

[wiring]
press = { channel = "switch 201", resistor = "1 kΩ" }

[wiring.select]
D1 = "switch 101"
D2 = "switch 102"

[wiring.fit]
"47k" = "relay_board 1"
"8.2 kΩ" = { channel = "relay_board 2", measured = "8.203 kΩ", measured_u = "2 Ω" }
"""


SOURCE = """
[source]
resource = "GPIB0::24::INSTR"
accuracy_reading = "0.1 %"
accuracy = "10 nA"
"""


def swept_bench(*edits: tuple[str, str], source: str = SOURCE, wire: str = 'source = "switch 202"\n') -> str:
    """The bench file with a source and its series relay."""
    return changed(BENCH, ("\n[wiring]\n", f"{source}\n[wiring]\n{wire}"), *edits)


def changed(text: str, *edits: tuple[str, str]) -> str:
    """The text with each edit made; each must hit, or the test would break nothing."""
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the file"
        text = text.replace(old, new)
    return text
