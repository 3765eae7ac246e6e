"""One instrument, one key: what several spellings of an address have in common. Nothing is opened here.

Two ways to one instrument that no address shows (its USB socket and its network socket, a raw socket and VXI-11) stay
two: only a person knows that they are one.
"""

from __future__ import annotations

import ipaddress
import os
import re
import socket
import stat
from pathlib import Path

_LOOPBACK = "127.0.0.1"
_LOCAL_NAMES = ("localhost", "localhost.localdomain", "ip6-localhost", "::1", "0.0.0.0", "::")
_URL = re.compile(r"(?:socket|rfc2217)://(?P<host>.+):(?P<port>[0-9]+)", re.IGNORECASE)
_VISA = re.compile(r"(?P<kind>[A-Za-z]+?)(?P<board>[0-9]*)::(?P<rest>.+)")
_SERIAL_VISA = re.compile(r"ASRL(?P<port>.+?)(?:::INSTR)?", re.IGNORECASE)


def address_key(resource: str) -> str:
    """The key of a resource: equal for all spellings that name the same device or the same port of the same host.

    A device is known by its number and not by its path, so that links and copies are one; a pseudo-terminal by the
    moment at which it was made as well, because its name is used again. Names of hosts are not looked up.
    """
    text = resource.strip()
    if url := _URL.fullmatch(text):
        return f"tcp {_host(url['host'])} {_number(url['port'])}"
    if line := _SERIAL_VISA.fullmatch(text):
        return _device(line["port"])
    if visa := _VISA.fullmatch(text):
        return _visa_key(visa["kind"].casefold(), visa["board"], visa["rest"].casefold())
    return _device(text)


def address_keys(resource: str) -> tuple[str, ...]:
    """`address_key`, and where it names a host: the key of each address that the name has at this moment.

    A name that cannot be looked up keeps its own key alone; what connects to it will say so.
    """
    key = address_key(resource)
    kind, _, rest = key.partition(" ")
    host, _, port = rest.partition(" ")
    if kind not in ("tcp", "lan") or _is_numeric(host):
        return (key,)
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        return (key,)
    return tuple(dict.fromkeys([key, *(f"{kind} {_host(str(each[4][0]))} {port}" for each in found)]))


def is_passing(key: str) -> bool:
    """Whether the key is one that seldom comes again: that of a pseudo-terminal, or of a run folder."""
    return key.startswith(("pty ", "folder "))


def _visa_key(kind: str, board: str, rest: str) -> str:
    parts = rest.split("::")
    last = parts.pop() if parts[-1] in ("instr", "socket") and len(parts) > 1 else "instr"
    if kind == "tcpip":
        # Which network card it is reached by does not make it another instrument.
        if last == "socket":
            return f"tcp {_host('::'.join(parts[:-1]))} {_number(parts[-1])}"
        return f"lan {_host(parts[0])} {parts[1] if len(parts) > 1 else 'inst0'}"
    if kind == "usb" and len(parts) == 3:
        parts.append("0")
    return " ".join([kind, _number(board or "0"), *map(_number, parts)])


def _number(text: str) -> str:
    """Numbers in one form: 05025 is 5025, 0x2A8D is 10893. A serial number may have any form, and stays."""
    if re.fullmatch(r"0x[0-9a-f]{1,8}", text):
        return str(int(text, 16))
    return str(int(text)) if re.fullmatch(r"[0-9]{1,9}", text) else text


def _host(text: str) -> str:
    name = text.casefold().strip("[]").rstrip(".")
    try:
        # As the system reads it: 127.000.000.001, 127.1 and 0x7f000001 are all one.
        name = socket.inet_ntoa(socket.inet_aton(name))
    except (OSError, UnicodeError):
        try:
            six = ipaddress.IPv6Address(name)
        except ValueError:
            pass
        else:
            name = str(six.ipv4_mapped or six)
    return _LOOPBACK if name in _LOCAL_NAMES else name


def _is_numeric(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _device(text: str) -> str:
    """A serial line: by the number of its device where there is one, else by its name. A folder: by its number."""
    name = text.removeprefix("\\\\.\\")
    if re.fullmatch(r"COM[0-9]+", name, re.IGNORECASE):
        return f"serial {name.casefold()}"
    try:
        path = Path(os.path.realpath(text))
        found = path.stat()
    except (OSError, ValueError):
        return f"serial {text}"
    if path.parent == Path("/dev/pts"):
        # Its number comes again with another device behind it, which the moment of its making tells apart.
        return f"pty {path.name} {found.st_dev} {found.st_ctime_ns}"
    if stat.S_ISDIR(found.st_mode):
        return f"folder {found.st_dev} {found.st_ino}"
    if stat.S_ISCHR(found.st_mode):
        return f"serial {found.st_rdev}"
    return f"serial {path}"
