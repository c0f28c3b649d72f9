"""Which diagnostic session a server is in, as far as its answers tell: begun by service 10, ended by S3 or a reset."""

from __future__ import annotations

from dataclasses import dataclass

from protocol.identifiers import SUPPRESS, Service

DEFAULT_SESSION = 0x01
"""Sub-function of the session that a server starts in (ISO 14229-1)."""


@dataclass(frozen=True)
class OpenSession:
    """A session other than the default one."""

    sub_function: int
    began_ns: int
    ends_ns: int  # by itself, unless a request comes before


class SessionWatch:
    """Follows the requests of one server. S3 begins anew with every request served (ISO 14229-2)."""

    def __init__(self, s3_ns: int) -> None:
        self._s3_ns = s3_ns
        self._open: OpenSession | None = None

    def at(self, now_ns: int) -> OpenSession | None:
        """The session that is open at ``now_ns``; None: the default one."""
        return self._open if self._open is not None and now_ns < self._open.ends_ns else None

    def served(self, request: bytes, now_ns: int) -> None:
        """``request`` was answered positively, or wanted no answer and got none."""
        match request[0]:
            case Service.SESSION:
                sub_function = request[1] & ~SUPPRESS
                default = sub_function == DEFAULT_SESSION
                self._open = None if default else OpenSession(sub_function, now_ns, now_ns + self._s3_ns)
            case Service.RESET:
                self._open = None
            case _:
                self.kept(now_ns)

    def kept(self, now_ns: int) -> None:
        """The server heard a request that neither begins nor ends a session."""
        session = self.at(now_ns)
        if session is not None:
            self._open = OpenSession(session.sub_function, session.began_ns, now_ns + self._s3_ns)

    def ended(self) -> None:
        """The default session, for a reason that the bus does not show."""
        self._open = None
