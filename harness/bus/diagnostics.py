"""The breaker's diagnostic server as a tester sees it: one method a question, values in the device's terms.

Every method makes one request and never repeats it. They raise what Master.request raises, and DiagnosticFault for an
answer whose bytes are not what the profile says.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import TypeVar

from harness.bus.master import Master
from protocol import nodeconfig, services
from protocol.device import Device, Field, LiveValue, SetPoint
from protocol.layout import LayoutError
from protocol.records import decode_field, decode_snapshot, encode_field
from protocol.services import CodeStatus, ServiceError

T = TypeVar("T")


class DiagnosticFault(Exception):
    """The breaker answered with bytes that do not fit its profile: its fault, or the profile's."""


class Diagnostics:
    """Requests to ``device`` through ``master``."""

    def __init__(self, master: Master, device: Device) -> None:
        self._master = master
        self._device = device

    def open_session(self, name: str) -> None:
        """Start session ``name`` unless it is open already; the master keeps it."""
        if self._master.session_ends_ns is None:
            self._master.request(services.session(self._device.sessions[name].sub_function))

    def set_point(self, point: SetPoint) -> Fraction:
        """Value of a set-point as the device reports it."""
        return self._field(point.did, point.field)

    def write_set_point(self, point: SetPoint, value: Fraction) -> None:
        """Write a set-point once; the value is rounded to the nearest raw value."""
        self._master.request(services.write(point.did, encode_field(point.field, value)))

    def live(self, live: LiveValue) -> Fraction:
        """A live value."""
        return self._field(live.did, live.field)

    def codes(self) -> tuple[CodeStatus, ...]:
        """Every fault code with a status bit that says failed, ordered by code.

        Codes of which only 'not completed' bits are set are known to the server, and not stored.
        """
        failed = (
            services.CodeStatusBit.test_failed
            | services.CodeStatusBit.test_failed_this_cycle
            | services.CodeStatusBit.pending
            | services.CodeStatusBit.confirmed
            | services.CodeStatusBit.failed_since_clear
        )
        answer = self._master.request(services.read_codes(failed))
        return tuple(sorted(_parsed(lambda: services.parse_codes(answer)), key=lambda code: code.dtc))

    def snapshot(self, dtc: int) -> dict[str, Fraction]:
        """The snapshot stored with ``dtc``, by field name; empty where none is."""
        answer = self._master.request(services.read_snapshot(dtc, self._device.snapshot.record_number))
        return _parsed(lambda: decode_snapshot(self._device, services.parse_snapshot(answer).records))

    def clear(self) -> None:
        """Clear the fault memory."""
        self._master.request(services.clear())

    def product(self) -> nodeconfig.ProductId:
        """LIN product identification: read by identifier 0 (LIN 2.1 §4.2.6.1)."""
        request = nodeconfig.ReadById(nodeconfig.PRODUCT_ID)
        answer = self._master.request(request.encode())
        record = _parsed(lambda: nodeconfig.parse_answer(request, answer))
        if not isinstance(record, nodeconfig.RecordAnswer):
            raise DiagnosticFault(f"read by identifier 0 was answered with {answer.hex(' ')}")
        return _parsed(lambda: nodeconfig.ProductId.decode(record.record))

    def text(self, did: int) -> str:
        """An identification record as text; bytes that are no ASCII show as ``\\xNN``."""
        return self._read(did, None).rstrip(b"\0 ").decode("ascii", "backslashreplace")

    def _field(self, did: int, field: Field) -> Fraction:
        data = self._read(did, field.size)
        return _parsed(lambda: decode_field(field, data))

    def _read(self, did: int, size: int | None) -> bytes:
        answer = self._master.request(services.read([did]))
        return _parsed(lambda: services.parse_read(answer, {did: size}))[did]


def _parsed(parse: Callable[[], T]) -> T:
    try:
        return parse()
    except (ServiceError, LayoutError) as error:
        raise DiagnosticFault(str(error)) from error
