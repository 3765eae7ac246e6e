"""Whichever way an address is spelt, one instrument is one."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from drivers.address import address_key, address_keys, is_passing

SAME = [
    ("TCPIP0::127.0.0.1::5025::SOCKET", "tcp 127.0.0.1 5025"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "tcp 127.0.0.1 5025"),
    ("tcpip::LOCALHOST::05025::socket", "tcp 127.0.0.1 5025"),
    ("TCPIP1::127.000.000.001::5025::SOCKET", "tcp 127.0.0.1 5025"),
    ("TCPIP0::127.1::5025::SOCKET", "tcp 127.0.0.1 5025"),
    ("TCPIP0::::1::5025::SOCKET", "tcp 127.0.0.1 5025"),
    ("socket://localhost:5025", "tcp 127.0.0.1 5025"),
    ("socket://[::1]:5025", "tcp 127.0.0.1 5025"),
    ("socket://[::ffff:127.0.0.1]:5025", "tcp 127.0.0.1 5025"),
    ("rfc2217://127.0.0.1:5025", "tcp 127.0.0.1 5025"),
    ("TCPIP::192.168.000.005::5025::SOCKET", "tcp 192.168.0.5 5025"),
    ("TCPIP::192.168.0.5::5026::SOCKET", "tcp 192.168.0.5 5026"),
    ("TCPIP::Meter.Lab.::5025::SOCKET", "tcp meter.lab 5025"),
    ("TCPIP::192.168.0.5", "lan 192.168.0.5 inst0"),
    ("TCPIP0::192.168.0.5::inst0::INSTR", "lan 192.168.0.5 inst0"),
    ("TCPIP0::192.168.0.5::hislip0::INSTR", "lan 192.168.0.5 hislip0"),
    ("GPIB::7", "gpib 0 7"),
    ("gpib0::07::instr", "gpib 0 7"),
    ("GPIB1::7::INSTR", "gpib 1 7"),
    ("GPIB0::7::3::INSTR", "gpib 0 7 3"),
    ("USB0::0x1AB1::0x04CE::SN01::INSTR", "usb 0 6833 1230 sn01 0"),
    ("USB::6833::1230::sn01::0::INSTR", "usb 0 6833 1230 sn01 0"),
    ("COM3", "serial com3"),
    ("\\\\.\\com3", "serial com3"),
    ("ASRLCOM3::INSTR", "serial com3"),
    ("/dev/not-there", "serial /dev/not-there"),
]


@pytest.mark.parametrize(("written", "key"), SAME, ids=[written for written, _ in SAME])
def test_spellings_of_one_address_have_one_key(written: str, key: str) -> None:
    assert address_key(written) == key


def test_links_to_a_device_are_that_device(tmp_path: Path) -> None:
    """/dev/serial/by-id/… and /dev/ttyUSB0 used to be told apart by nothing but where the link leads; a copy was."""
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    assert address_key(str(link)) == address_key("/dev/null") == f"serial {os.stat('/dev/null').st_rdev}"  # noqa: PTH116
    assert address_key(f"ASRL{link}::INSTR") == address_key(str(link))


@pytest.mark.skipif(not Path("/dev/pts").is_dir(), reason="this system has no such pseudo-terminals")
def test_a_pseudo_terminal_whose_number_comes_again_is_another_device() -> None:
    """A run that was slow to end used to keep the next one off the pseudo-terminal that got its number."""
    keys = []
    for _ in range(2):
        master, line = os.openpty()
        keys.append((os.ttyname(line), address_key(os.ttyname(line))))
        assert address_key(os.ttyname(line)) == keys[-1][1]
        os.write(line, b"used\n")
        assert address_key(os.ttyname(line)) == keys[-1][1]
        assert is_passing(keys[-1][1])
        os.close(line)
        os.close(master)
        time.sleep(0.05)  # the clock of a file system ticks every few milliseconds
    if keys[0][0] != keys[1][0]:
        pytest.skip("another process has taken the number")
    assert keys[0][1] != keys[1][1]


def test_a_name_is_also_each_address_that_it_has(monkeypatch: pytest.MonkeyPatch) -> None:
    def looked_up(host: str, *_: Any, **__: Any) -> list[Any]:
        assert host == "meter.lab"
        return [(0, 0, 0, "", ("192.168.0.5", 0)), (0, 0, 0, "", ("fe80::1", 0, 0, 0))]

    monkeypatch.setattr(socket, "getaddrinfo", looked_up)
    assert address_keys("TCPIP::meter.lab::5025::SOCKET") == (
        "tcp meter.lab 5025",
        "tcp 192.168.0.5 5025",
        "tcp fe80::1 5025",
    )
    # A number needs no looking up, and neither does what is no host.
    assert address_keys("TCPIP::192.168.0.5::5025::SOCKET") == ("tcp 192.168.0.5 5025",)
    assert address_keys("GPIB0::7::INSTR") == ("gpib 0 7",)


def test_a_name_that_nobody_knows_is_that_name_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: Any, **__: Any) -> None:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    assert address_keys("TCPIP::meter.lab::5025::SOCKET") == ("tcp meter.lab 5025",)
