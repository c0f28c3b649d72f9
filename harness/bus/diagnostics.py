"""The breaker's diagnostic server as a tester sees it: one method a question, values in the device's terms.

Every method makes one request and never repeats it. They raise what Master.request raises, and DiagnosticFault for an
answer whose bytes are not what the profile says.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import TypeVar

from harness.bus.master import Master
from harness.bus.session import DEFAULT_SESSION
from protocol import nodeconfig, services
from protocol.device import Control, Device, Field, LiveValue, Routine
from protocol.identifiers import IoControlKind, ResetKind, RoutineControl
from protocol.layout import LayoutError
from protocol.records import (
    decode_field,
    decode_group,
    decode_snapshot,
    decode_snapshots,
    encode_field,
    encode_group,
    group_size,
)
from protocol.services import CodeStatus, ServiceError

T = TypeVar("T")


class DiagnosticFault(Exception):
    """The breaker answered with bytes that do not fit its profile: its fault, or the profile's."""


class Diagnostics:
    """Requests to ``device`` through ``master``."""

    def __init__(self, master: Master, device: Device) -> None:
        self._master = master
        self._device = device
        self._unlocked_since_ns: int | None = None

    def open_session(self, name: str) -> None:
        """Start session ``name`` unless it is the one that is open already; the master keeps it."""
        if self.session != name:
            self.start_session(name)

    def start_session(self, name: str) -> services.SessionTiming:
        """Start session ``name`` in any case, and return the timing that the server promises."""
        answer = self._master.request(services.session(self._device.sessions[name].sub_function))
        return _parsed(lambda: services.parse_session(answer))

    @property
    def session(self) -> str:
        """Name of the session that is open; `?` and its number where the profile has none such."""
        open_session = self._master.session
        number = DEFAULT_SESSION if open_session is None else open_session.sub_function
        names = (name for name, session in self._device.sessions.items() if session.sub_function == number)
        return next(names, f"?{number}")

    @property
    def unlocked(self) -> bool:
        """Whether a key was taken in the session that is open."""
        session = self._master.session
        return session is not None and session.began_ns == self._unlocked_since_ns

    def seed(self, level: int) -> bytes:
        """The seed of security ``level``; all zero where it is unlocked already."""
        answer = self._master.request(services.security_seed(level))
        return _parsed(lambda: services.parse_seed(answer))

    def send_key(self, level: int, key: bytes) -> None:
        """Send the key to the last seed of ``level``."""
        self._master.request(services.security_key(level, key))
        self.note_unlocked()

    def note_unlocked(self) -> None:
        """The server said that it is unlocked: by taking a key, or by a seed of zeros."""
        session = self._master.session
        self._unlocked_since_ns = None if session is None else session.began_ns

    def reset(self, kind: ResetKind) -> None:
        """Restart the node; its session is over with the answer."""
        self._master.request(services.ecu_reset(kind))

    def adjust(self, control: Control, value: Fraction) -> None:
        """Have the firmware read ``value`` in place of the quantity of ``control`` (service 2F, adjust)."""
        self._control(control, IoControlKind.ADJUST, encode_field(control.field, value))

    def return_control(self, control: Control) -> None:
        """Give the quantity of ``control`` back."""
        self._control(control, IoControlKind.RETURN, b"")

    def controlled(self, control: Control) -> Fraction:
        """What the firmware reads for the quantity of ``control``, taken over or not."""
        return self._field(control.did, control.field)

    def start_routine(self, routine: Routine) -> bytes:
        """Start a routine; what the answer says beside its name."""
        return self._routine(RoutineControl.START, routine)

    def routine_result(self, routine: Routine) -> bytes:
        """The result of a routine that was started."""
        return self._routine(RoutineControl.RESULTS, routine)

    def _control(self, control: Control, kind: IoControlKind, state: bytes) -> None:
        self._master.request(services.io_control(control.did, kind, state))

    def _routine(self, kind: RoutineControl, routine: Routine) -> bytes:
        answer = self._master.request(services.routine(kind, routine.identifier))
        return _parsed(lambda: services.parse_routine(answer)).status

    def group(self, did: int) -> dict[str, Fraction]:
        """The set-points of record ``did`` by name, as the device reports them."""
        data = self._read(did, group_size(self._device, did))
        return _parsed(lambda: decode_group(self._device, did, data))

    def write_group(self, did: int, values: Mapping[str, Fraction]) -> None:
        """Write record ``did`` once, as a whole; each value is rounded to the nearest raw value."""
        self._master.request(services.write(did, encode_group(self._device, did, values)))

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

    def snapshot(self, dtc: int, record: int | None = None) -> dict[str, Fraction]:
        """The snapshot stored with ``dtc``, by field name; empty where none is. ``record`` as in records."""
        number = self._device.snapshot.record_number if record is None else record
        answer = self._master.request(services.read_snapshot(dtc, number))
        return _parsed(lambda: decode_snapshot(self._device, services.parse_snapshot(answer).records, number))

    def snapshots(self, dtc: int) -> dict[int, dict[str, Fraction]]:
        """Every snapshot stored with ``dtc``, by record number; empty where none is."""
        answer = self._master.request(services.read_snapshot(dtc))
        return _parsed(lambda: decode_snapshots(self._device, services.parse_snapshot(answer).records))

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

    def serial(self) -> int:
        """LIN serial number, 32 bits: read by identifier 1 (LIN 2.1 §4.2.6.1). Raises Refused where there is none."""
        request = nodeconfig.ReadById(nodeconfig.SERIAL_NUMBER)
        answer = self._master.request(request.encode())
        record = _parsed(lambda: nodeconfig.parse_answer(request, answer))
        if not isinstance(record, nodeconfig.RecordAnswer) or len(record.record) != 4:
            raise DiagnosticFault(f"read by identifier 1 was answered with {answer.hex(' ')}")
        return int.from_bytes(record.record, "little")

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
