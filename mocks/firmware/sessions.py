"""Diagnostic sessions (service 10): which one is on, and its end by S3 timeout (ISO 14229-2)."""

from __future__ import annotations

from mocks.firmware.catalogue import Catalogue

DEFAULT = 0x01
"""Sub-function of the default session (ISO 14229-1 table 25, from memory)."""


class Sessions:
    """The session that is on."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._active = DEFAULT
        self._end_ns = 0

    def active(self, now_ns: int) -> int:
        """Sub-function of the session that is on at ``now_ns``."""
        if now_ns >= self._end_ns:
            self._active = DEFAULT
        return self._active

    def services(self, now_ns: int) -> frozenset[int]:
        """Services allowed at ``now_ns``."""
        return self._catalogue.sessions[self.active(now_ns)]

    def start(self, session: int, now_ns: int) -> None:
        """Begin ``session``."""
        self._active = session
        self.keep(now_ns)

    def keep(self, answered_ns: int) -> None:
        """A request was answered at ``answered_ns``: S3 begins anew there."""
        self._end_ns = answered_ns + self._catalogue.s3_ns
