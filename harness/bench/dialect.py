"""How one instrument differs from the default: the headers that it uses in place of SCPI-99's, and who it should be.

A bench file says so per role: ``verbs: {"SOUR:VOLT": "VSET"}``, default header -> this instrument's. The query follows
the header (``VSET?``) unless it is named by itself (``"SOUR:VOLT?": "VGET?"``). Only headers are translated: what
comes after the first blank stays as it is. Common commands (``*IDN?``) are IEEE 488.2's and every instrument has them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from harness.bench.instrument import InstrumentError, Link

_SUPPLY = ("SOUR:VOLT", "SOUR:CURR", "OUTP", "MEAS:VOLT", "MEAS:CURR", "STAT:QUES:COND")
_CURRENT = (
    *("SOUR:CURR", "SOUR:CURR:SLEW", "SOUR:CURR:MODE", "SOUR:PULS:WIDT", "STAT:QUES:COND"),
    *("SOUR:LIST:CURR", "SOUR:LIST:DWEL", "SOUR:LIST:COUN"),
)
HEADERS: Mapping[str, tuple[str, ...]] = {
    "supply_12v": _SUPPLY,
    "source": _SUPPLY,
    "bank": _SUPPLY,
    "load": (*_CURRENT, "INP", "TRIG:SOUR"),
    "injector": (*_CURRENT, "OUTP", "TRIG:SEQ2:SOUR"),
    "recorder": (
        *("ABOR", "SENS:SWE:TINT", "SENS:SWE:POIN", "SENS:SWE:OFFS:POIN", "TRIG:SOUR", "TRIG:SLOP", "TRIG:LEV"),
        *("FORM", "INIT", "STAT:OPER:COND", "STAT:OPER:EVEN", "TRAC:DATA"),
        *("SENS:SWE:LOG:TINT", "TRAC:LOG:TRIG", "TRAC:LOG:DATA"),
    ),
    "gate_supply": ("SOUR:VOLT", "OUTP"),
    "bus_signal": ("SOUR:VOLT", "SOUR:VOLT:SLEW", "OUTP"),
    "ntc": ("SOUR:TEMP", "SOUR:TEMP:SLEW", "SOUR:FUNC", "OUTP"),
    "interlock": ("ROUT:CLOS", "ROUT:OPEN", "SENS:DATA"),
    "voltmeter": ("MEAS:VOLT",),
    "isolation": ("MEAS:RES",),
    "chamber": (),
}
"""Default headers that each role uses, without the error queue's, which all of them use."""
ERROR_QUEUE = "SYST:ERR"


@dataclass(frozen=True)
class Dialect:
    """``identity``: the first fields expected of *IDN?, separated by commas; empty: whoever answers will do."""

    identity: str = ""
    verbs: Mapping[str, str] = field(default_factory=dict)

    def spoken(self, text: str) -> str:
        """``text`` in this instrument's own words."""
        header, blank, rest = text.partition(" ")
        if header in self.verbs:
            return f"{self.verbs[header]}{blank}{rest}"
        stem = header.removesuffix("?")
        return f"{self.verbs[stem]}{header[len(stem) :]}{blank}{rest}" if stem in self.verbs else text

    def stranger(self, answer: str) -> str | None:
        """What is wrong with ``answer`` to *IDN?; None where it is who it should be. Capitals do not matter."""
        wanted, found = _fields(self.identity), _fields(answer)
        if not self.identity or found[: len(wanted)] == wanted:
            return None
        return f"says {answer!r} where it was asked for its identity, and the bench file expects {self.identity!r}"


def unknown_verbs(role: str, verbs: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Each default header out of ``verbs`` that ``role`` does not use, with what is to be said of it."""
    known = (*HEADERS[role], ERROR_QUEUE)
    for header in verbs:
        if header.removesuffix("?") not in known:
            yield header, f"{role} does not use {header!r}; it uses {', '.join(known)}"


class Translated:
    """A link to an instrument with a ``dialect``; see harness.bench.instrument.Link.

    A stranger is found out when it is asked for its identity, which is before anything is written to it.
    """

    def __init__(self, role: str, link: Link, dialect: Dialect) -> None:
        self._role = role
        self._link = link
        self._dialect = dialect

    def write(self, text: str) -> None:
        """See Link."""
        self._link.write(self._dialect.spoken(text))

    def query(self, text: str) -> str:
        """See Link. Raises InstrumentError for a stranger."""
        answer = self._link.query(self._dialect.spoken(text))
        if text == "*IDN?" and (problem := self._dialect.stranger(answer)) is not None:
            raise InstrumentError(f"{self._role}: {problem}: look at what is connected there")
        return answer

    def query_block(self, text: str, most: int) -> bytes:
        """See Link."""
        return self._link.query_block(self._dialect.spoken(text), most)

    def close(self) -> None:
        """See Link."""
        self._link.close()


def _fields(identity: str) -> list[str]:
    return [field.strip().casefold() for field in identity.split(",")]
