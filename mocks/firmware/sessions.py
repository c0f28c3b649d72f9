"""Diagnostic sessions (service 10): which one is on, and its end by S3 timeout (ISO 14229-2)."""

from __future__ import annotations

from mocks.firmware.catalogue import Catalogue

DEFAULT = 0x01
"""Sub-function of the default session (ISO 14229-1 table 25, from memory)."""


class Sessions:
    """The session that is on."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self.active = DEFAULT
        self.end_ns = 0

    @property
    def services(self) -> frozenset[int]:
        """Services allowed in the session that is on."""
        return self._catalogue.sessions[self.active]

    def over(self, now_ns: int) -> bool:
        """Whether another session than the default one has come to its end."""
        return self.active != DEFAULT and now_ns >= self.end_ns

    def start(self, session: int, now_ns: int) -> None:
        """Begin ``session``."""
        self.active = session
        self.keep(now_ns)

    def keep(self, answered_ns: int) -> None:
        """A request was answered at ``answered_ns``: S3 begins anew there."""
        self.end_ns = answered_ns + self._catalogue.s3_ns
