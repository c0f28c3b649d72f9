"""Diagnostic exchanges in words: what was asked, what was answered, with the names of the device's profile."""

from __future__ import annotations

from functools import lru_cache

from harness.quantity import show
from harness.record.result import Exchange
from protocol import answers, nodeconfig, requests
from protocol.device import Device, Field
from protocol.identifiers import (
    ALL_CODES,
    CodeReport,
    CodeSetting,
    CodeStatusBit,
    IoControlKind,
    ResetKind,
    RoutineControl,
    Service,
    dtc_text,
)
from protocol.layout import LayoutError
from protocol.records import decode_field, decode_group

_MANY = 4  # status bits that are not named one by one
_WRITTEN = {Service.WRITE_DATA: "written", Service.TESTER_PRESENT: "session kept", Service.CLEAR_CODES: "cleared"}


class Words:
    """Puts exchanges with one device, or with one whose profile is not known (None), in words."""

    def __init__(self, device: Device | None) -> None:
        self._device = device
        self._points = {} if device is None else {point.did for point in device.set_points.values()}
        self._live = {} if device is None else {live.did: live for live in device.live.values()}
        self._records = {} if device is None else {did: name for name, did in device.identity.records.items()}
        self._codes = {} if device is None else {code.dtc: name for name, code in device.fault_codes.items()}
        self._asked = lru_cache(maxsize=None)(self._request)  # most requests of a run are repeats

    def __call__(self, exchange: Exchange) -> str:
        """``exchange`` in words."""
        request, answer = exchange.request, exchange.answer
        asked = self._asked(request)
        if answer is None:
            wanted = not requests.suppressed(request)
            return f"{asked}: {'no answer' if wanted else 'no answer, and none wanted'}"
        return f"{asked}: {self._answer(request, answer)}"

    def code(self, dtc: int) -> str:
        """Name of a fault code, its letters and digits where the profile does not know it."""
        return self._codes.get(dtc, dtc_text(dtc))

    def _request(self, payload: bytes) -> str:
        if payload and payload[0] in set(nodeconfig.ConfigService):
            return f"node configuration, {_plain(nodeconfig.ConfigService(payload[0]).name)}"
        try:
            request = requests.parse_request(payload)
        except requests.RequestError as error:
            return f"request that ISO 14229-1 does not know ({_plain(error.code.name)})"
        return self._known(request)

    def _known(self, request: requests.Request) -> str:  # one line a service
        match request:
            case requests.SessionRequest(session):
                return f"start session {self._session(session)}"
            case requests.ResetRequest(kind):
                return f"reset, {_named(ResetKind, kind)}"
            case requests.ClearRequest(group):
                return "clear every fault code" if group == ALL_CODES else f"clear fault code {self.code(group)}"
            case requests.CodesRequest(mask):
                return f"which fault codes have {_any(mask)}"
            case requests.SnapshotRequest(dtc, record):
                return f"snapshot {record} of {self.code(dtc)}"
            case requests.ExtendedRequest(dtc, record):
                return f"extended data {record} of {self.code(dtc)}"
            case requests.CodeCountRequest(mask):
                return f"how many fault codes have {_any(mask)}"
            case requests.SupportedRequest():
                return "which fault codes do you know"
            case requests.ReadRequest(dids):
                return f"read {', '.join(self._record(did) for did in dids)}"
            case requests.WriteRequest(did, data):
                return f"write {self._value(did, data)}"
            case requests.SecurityRequest(level, _):
                return f"security level {level}: {'seed' if level % 2 else 'key'}"
            case requests.IoControlRequest(did, control, state):
                return f"control of {self._control(did)}: {_named(IoControlKind, control)}{_hex(state)}"
            case requests.RoutineRequest(control, routine, option):
                return f"routine {self._routine(routine)}: {_named(RoutineControl, control)}{_hex(option)}"
            case requests.PresenceRequest():
                return "tester present"
            case requests.CodeSettingRequest(setting, _):
                return f"recording of fault codes: {_named(CodeSetting, setting)}"

    def _answer(self, request: bytes, payload: bytes) -> str:
        try:
            if payload[:1] == bytes((answers.NEGATIVE,)):
                return f"refused, {_plain(answers.NegativeResponse.decode(payload).name)}"
            match request[0], request[1:2]:
                case Service.READ_CODES, b"\x02" | b"\x0a":
                    kind = answers.CodesAnswer if request[1] == CodeReport.CODES else answers.SupportedAnswer
                    codes = kind.decode(payload).codes
                    return ", ".join(f"{self.code(code.dtc)} ({_bits(code.status)})" for code in codes) or "none"
                case Service.READ_DATA, _ if len(request) == 3 and payload[1:3] == request[1:3]:
                    return self._value(int.from_bytes(request[1:3]), payload[3:])
        except (LayoutError, ValueError, IndexError):
            return "an answer whose layout is wrong"
        return _WRITTEN.get(Service(request[0]), "done") if request[0] in set(Service) else "answered"

    def _record(self, did: int) -> str:
        """Name of a data record."""
        if self._device is not None and did in self._points:
            return " and ".join(point.name for point in self._device.group(did))
        if did in self._live:
            return self._live[did].name
        return self._records.get(did, f"record {did:04X}")

    def _value(self, did: int, data: bytes) -> str:
        """Name and value of a data record; ValueError where the bytes are none of it."""
        if self._device is not None and did in self._points:
            try:
                held = decode_group(self._device, did, data)
            except LayoutError:
                return f"{self._record(did)}{_hex(data)}"
            fields = {point.name: point.field for point in self._device.group(did)}
            return ", ".join(f"{name} = {_shown(fields[name], float(value))}" for name, value in held.items())
        if did in self._live:
            field = self._live[did].field
            return f"{field.name} = {_shown(field, float(decode_field(field, data)))}"
        if did in self._records:
            text = data.decode("ascii", "replace")
            return f"{self._records[did]} = {text if text.isprintable() else data.hex(' ')}"
        return f"{self._record(did)}{_hex(data)}"

    def _session(self, number: int) -> str:
        known = {} if self._device is None else self._device.sessions
        return next((name for name, each in known.items() if each.sub_function == number), f"{number:02X}")

    def _control(self, did: int) -> str:
        known = {} if self._device is None else self._device.controls
        return next((name for name, each in known.items() if each.did == did), f"{did:04X}")

    def _routine(self, number: int) -> str:
        known = {} if self._device is None else self._device.routines
        lockout = None if self._device is None else self._device.lockout
        if lockout is not None and lockout.routine == number:
            return "release of the lock-out"
        return next((name for name, each in known.items() if each.identifier == number), f"{number:04X}")


def _shown(field: Field, value: float) -> str:
    return f"{value:.6g}" if field.unit == "1" else show(value, field.unit)


def _plain(name: str) -> str:
    return name.lower().replace("_", " ")


def _named(kind: type[ResetKind | IoControlKind | RoutineControl | CodeSetting], number: int) -> str:
    return next((_plain(each.name) for each in kind if each == number), f"{number:02X}")


def _any(mask: int) -> str:
    """The status bits that a request asks for; many of them by their number, the bytes are beside it."""
    count = mask.bit_count()
    return _bits(mask) if count < _MANY or mask == 0xFF else f"one of {count} status bits"


def _bits(mask: int) -> str:
    every = sum(CodeStatusBit)
    if mask & every == every or mask == 0xFF:
        return "any status bit"
    return " ".join(_plain(bit.name or "").replace(" ", "-") for bit in CodeStatusBit if mask & bit) or "no status bit"


def _hex(data: bytes) -> str:
    return f" {data.hex(' ')}" if data else ""
