"""What comes of a diagnostic request."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from protocol.identifiers import NegativeResponseCode as Nrc


@dataclass(frozen=True)
class Outcome:
    """The answer to a request, when what was asked for is done, and what follows the answer."""

    payload: bytes
    done_ns: int
    restart: bool = False


class RefusedError(Exception):
    """The request gets a negative answer."""

    def __init__(self, code: Nrc) -> None:
        self.code = code
        super().__init__(code.name)


Handler = Callable[[bytes, int], Outcome]
"""Carries out a request that has come at a time (ns); raises RefusedError."""
