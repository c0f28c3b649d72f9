"""How a bench file names what an instrument is reached by, and when two such names mean one thing.

Nothing is looked up on a network: a host by its name and by its address are two resources here, the loopback's names
apart.
"""

from __future__ import annotations

import os
import re
import socket
from typing import Annotated

from pydantic import AfterValidator

from harness.files.scalars import Text

SIMULATED = "simulated"
"""The resource of a role that lives in this process."""
_LOOPBACK = "127.0.0.1"
_LOOPBACK_NAMES = ("localhost", "localhost.localdomain", "0.0.0.0")
_CLASSES = ("INSTR", "SOCKET", "INTFC", "RAW", "BACKPLANE", "MEMACC", "SERVANT")


def _check_resource(value: str) -> str:
    if value != SIMULATED and "::" not in value:
        raise ValueError(f"{value!r}: want a VISA resource name such as 'TCPIP::127.0.0.1::5025::SOCKET'")
    return value


Resource = Annotated[Text, AfterValidator(_check_resource)]
"""`simulated`, or a VISA resource name."""


def canonical(resource: str) -> str:
    """One spelling of a VISA resource name, or of a LIN port: two that are equal so are one resource.

    Of VISA names (VPP-4.3, 4.3.1, from memory) the capitals do not matter, and what may be left out is: board 0, the
    class INSTR, the LAN device inst0, the USB interface 0. Which board leads to a host is no part of it: the host is
    the same. Of a device file it is what its links lead to, of a serial line its device file.
    """
    if resource == SIMULATED:
        return SIMULATED
    found = re.fullmatch(r"(ASRL|TCPIP|GPIB|USB|PXI|VXI|VICP|PRLGX-TCPIP|PRLGX-ASRL)(.*)", resource, re.I | re.S)
    if found is None or "::" not in resource:
        return _port(resource)
    kind, (first, *fields) = found[1].upper(), found[2].split("::")
    name = fields.pop().upper() if fields and fields[-1].upper() in _CLASSES else "INSTR"
    if kind == "ASRL":
        line = "::".join((first, *fields))
        return _port(line) if "/" in line else f"ASRL{_number(line or '0')}"
    if kind == "TCPIP" and fields:
        host, *rest = fields
        where = _numbers(rest) if name == "SOCKET" else [part for part in map(str.upper, rest) if part != "INST0"]
        return "::".join(("TCPIP", _host(host), *where, name))
    numbers = _numbers(fields)
    if kind == "USB" and len(numbers) == 4 and numbers[3] == "0":
        numbers.pop()
    return "::".join((f"{kind}{_number(first or '0')}", *numbers, name))


def _port(name: str) -> str:
    """Of a device file or a URL."""
    if "://" in name:
        scheme, _, rest = name.partition("://")
        host, colon, port = rest.partition(":")
        return f"{scheme.lower()}://{_host(host)}{colon}{port}"
    if os.path.exists(name):
        return os.path.realpath(name)
    return os.path.normpath(name) if "/" in name else name.upper()


def _host(name: str) -> str:
    """A host in lower case, an address in four numbers, and all names of the loopback as one."""
    host = name.lower().rstrip(".")
    if host in _LOOPBACK_NAMES:
        return _LOOPBACK
    try:
        return socket.inet_ntoa(socket.inet_aton(host))  # as connecting takes it: 127.1 is 127.0.0.1
    except OSError:
        return host


def _numbers(fields: list[str]) -> list[str]:
    return [_number(field) for field in fields]


def _number(field: str) -> str:
    """A decimal number without leading zeros, a hexadecimal one as a decimal, anything else in capitals."""
    if re.fullmatch(r"\d+", field, re.A):
        return str(int(field))
    if re.fullmatch(r"0x[0-9a-f]+", field, re.A | re.I):
        return str(int(field, 16))
    return field.upper()
