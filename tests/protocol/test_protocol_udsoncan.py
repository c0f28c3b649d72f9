"""Request and answer bytes against udsoncan, an independent implementation of the tester's side."""

from __future__ import annotations

import pytest
import udsoncan
from hypothesis import given
from hypothesis import strategies as st
from udsoncan import Response
from udsoncan import services as theirs

from protocol import answers, services
from protocol.answers import CodeStatus

DTC = st.integers(0, 0xFFFFFF)
BYTE = st.integers(0, 255)
DID = st.integers(0, 0xFFFF)
SUB = st.integers(1, 0x7E)
DATA = st.binary(min_size=1, max_size=20)


class Raw(udsoncan.DidCodec):
    """Data as bytes; of any length where ``size`` is None."""

    def __init__(self, size: int | None = None) -> None:
        self.size = size

    def encode(self, data: bytes) -> bytes:
        return data

    def decode(self, data: bytes) -> bytes:
        return data

    def __len__(self) -> int:
        if self.size is None:
            raise self.ReadAllRemainingData
        return self.size


def heard(payload: bytes) -> Response:
    response = Response.from_payload(payload)
    assert response.valid
    return response


# Requests


@given(SUB, st.booleans())
def test_session(sub, suppress):
    request = theirs.DiagnosticSessionControl.make_request(sub)

    assert services.session(sub, suppress) == request.get_payload(suppress_positive_response=suppress)


@given(SUB, st.booleans())
def test_ecu_reset(kind, suppress):
    request = theirs.ECUReset.make_request(kind)

    assert services.ecu_reset(kind, suppress) == request.get_payload(suppress_positive_response=suppress)


@given(DTC)
def test_clear(group):
    assert services.clear(group) == theirs.ClearDiagnosticInformation.make_request(group).get_payload()


def test_clear_all():
    assert services.clear() == theirs.ClearDiagnosticInformation.make_request().get_payload()


@given(BYTE)
def test_read_codes(mask):
    def make(sub):
        return theirs.ReadDTCInformation.make_request(sub, status_mask=mask).get_payload()

    assert services.read_code_count(mask) == make(1)
    assert services.read_codes(mask) == make(2)


@given(DTC, BYTE)
def test_read_snapshot_and_extended(dtc, record):
    make = theirs.ReadDTCInformation.make_request

    assert services.read_snapshot(dtc, record) == make(4, dtc=dtc, snapshot_record_number=record).get_payload()
    assert services.read_extended(dtc, record) == make(6, dtc=dtc, extended_data_record_number=record).get_payload()


def test_read_supported():
    assert services.read_supported() == theirs.ReadDTCInformation.make_request(0x0A).get_payload()


@given(st.lists(DID, min_size=1, max_size=8))
def test_read(dids):
    request = theirs.ReadDataByIdentifier.make_request(dids, {did: Raw(1) for did in dids})

    assert services.read(dids) == request.get_payload()


@given(DID, DATA)
def test_write(did, data):
    assert services.write(did, data) == theirs.WriteDataByIdentifier.make_request(did, data, {did: Raw()}).get_payload()


@given(st.integers(0, 0x3E).map(lambda n: 2 * n + 1), DATA)
def test_security(level, key):
    make = theirs.SecurityAccess.make_request
    mode = theirs.SecurityAccess.Mode

    assert services.security_seed(level) == make(level, mode.RequestSeed).get_payload()
    assert services.security_key(level, key) == make(level, mode.SendKey, key).get_payload()


@given(DID, st.integers(0, 3), DATA)
def test_io_control(did, control, state):
    state = state if control == services.IoControlKind.ADJUST else b""
    request = theirs.InputOutputControlByIdentifier.make_request(
        did, control, values=[state] if state else None, ioconfig={did: Raw(len(state))}
    )

    assert services.io_control(did, control, state) == request.get_payload()


@given(DID, st.integers(1, 3), st.binary(max_size=10))
def test_routine(identifier, control, option):
    request = theirs.RoutineControl.make_request(identifier, control, option)

    assert services.routine(control, identifier, option) == request.get_payload()


@pytest.mark.parametrize("suppress", [False, True])
def test_tester_present(suppress):
    request = theirs.TesterPresent.make_request()

    assert services.tester_present(suppress) == request.get_payload(suppress_positive_response=suppress)


@given(SUB, st.booleans())
def test_control_code_setting(setting, suppress):
    request = theirs.ControlDTCSetting.make_request(setting)

    assert services.control_code_setting(setting, suppress) == request.get_payload(suppress_positive_response=suppress)


# Answers


@given(SUB, st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_session_answer(session, p2, p2_star):
    payload = answers.SessionAnswer(session, p2, p2_star).encode()
    got = theirs.DiagnosticSessionControl.interpret_response(heard(payload)).service_data
    ours = services.parse_session(payload)

    assert got.session_echo == ours.session == session
    assert got.p2_server_max == pytest.approx(ours.p2_ns / 1e9)
    assert got.p2_star_server_max == pytest.approx(ours.p2_star_ns / 1e9)


@pytest.mark.parametrize(("kind", "seconds"), [(1, None), (3, None), (4, 15)])
def test_reset_answer(kind, seconds):
    got = theirs.ECUReset.interpret_response(heard(answers.ResetAnswer(kind, seconds).encode())).service_data

    assert (got.reset_type_echo, got.powerdown_time) == (kind, seconds)


def test_clear_answer():
    response = heard(answers.ClearAnswer().encode())

    assert theirs.ClearDiagnosticInformation.interpret_response(response).service == theirs.ClearDiagnosticInformation


@given(BYTE, st.integers(0, 4), st.integers(0, 0xFFFF))
def test_code_count_answer(availability, format_, count):
    payload = answers.CodeCountAnswer(availability, format_, count).encode()
    got = theirs.ReadDTCInformation.interpret_response(heard(payload), 1).service_data

    assert (got.status_availability.get_byte_as_int(), got.dtc_format, got.dtc_count) == (availability, format_, count)


CODES = st.lists(st.builds(CodeStatus, st.integers(1, 0xFFFFFF), BYTE), max_size=6, unique_by=lambda code: code.dtc)


@pytest.mark.parametrize(("report", "kind"), [(0x02, answers.CodesAnswer), (0x0A, answers.SupportedAnswer)])
@given(availability=BYTE, codes=CODES)
def test_codes_answer(report, kind, availability, codes):
    payload = kind(availability, tuple(codes)).encode()
    got = theirs.ReadDTCInformation.interpret_response(heard(payload), report).service_data

    assert got.status_availability.get_byte_as_int() == availability
    assert [CodeStatus(dtc.id, dtc.status.get_byte_as_int()) for dtc in got.dtcs] == codes
    assert services.parse_codes(payload) == codes
    assert [services.dtc_text(dtc.id) for dtc in got.dtcs] == [dtc.id_iso() for dtc in got.dtcs]


def test_a_padded_answer_is_refused_by_us_and_misread_by_them():
    # Padding of the last PDU must never get here: by length alone it is a code FFFFFF with status FF.
    padded = bytes.fromhex("59 02 FF 12 34 56 09 FF FF FF FF")
    got = theirs.ReadDTCInformation.interpret_response(heard(padded), 2).service_data

    assert [dtc.id for dtc in got.dtcs] == [0x123456, 0xFFFFFF]
    assert len(services.parse_codes(padded)) == 2
    with pytest.raises(services.ServiceError):
        services.parse_codes(padded[:-1])


@given(DTC.filter(bool), BYTE, st.integers(1, 0xFE), st.binary(min_size=2, max_size=2))
def test_snapshot_answer(dtc, status, record, data):
    payload = answers.SnapshotAnswer(dtc, status, bytes((record, 1, 0x03, 0x01)) + data).encode()
    got = theirs.ReadDTCInformation.interpret_response(heard(payload), 4, didconfig={0x0301: Raw(2)}).service_data
    (code,) = got.dtcs
    (snapshot,) = code.snapshots

    assert (code.id, code.status.get_byte_as_int()) == (dtc, status)
    assert (snapshot.record_number, snapshot.did, snapshot.data) == (record, 0x0301, data)


@given(DTC.filter(bool), BYTE, st.integers(1, 0xEF), st.binary(min_size=3, max_size=3))
def test_extended_answer(dtc, status, record, data):
    payload = answers.ExtendedAnswer(dtc, status, bytes((record,)) + data).encode()
    got = theirs.ReadDTCInformation.interpret_response(heard(payload), 6, extended_data_size=3).service_data
    (code,) = got.dtcs

    assert (code.id, code.status.get_byte_as_int()) == (dtc, status)
    assert [(item.record_number, item.raw_data) for item in code.extended_data] == [(record, data)]


@given(st.dictionaries(st.integers(1, 0xFFFF), DATA, min_size=1, max_size=5))
def test_read_answer(values):
    records = b"".join(did.to_bytes(2, "big") + data for did, data in values.items())
    payload = answers.ReadAnswer(records).encode()
    config = {did: Raw(len(data)) for did, data in values.items()}
    got = theirs.ReadDataByIdentifier.interpret_response(heard(payload), list(values), config).service_data

    assert got.values == values
    assert services.parse_read(payload, {did: len(data) for did, data in values.items()}) == values


@given(st.integers(1, 0x3F).map(lambda n: 2 * n - 1), DATA)
def test_security_answer(level, seed):
    mode = theirs.SecurityAccess.Mode
    asked = heard(answers.SecurityAnswer(level, seed).encode())
    given_ = heard(answers.SecurityAnswer(level + 1).encode())
    got = theirs.SecurityAccess.interpret_response(asked, mode.RequestSeed).service_data

    assert (got.security_level_echo, got.seed) == (level, seed)
    assert theirs.SecurityAccess.interpret_response(given_, mode.SendKey).service_data.security_level_echo == level + 1


@given(DID)
def test_write_answer(did):
    got = theirs.WriteDataByIdentifier.interpret_response(heard(answers.WriteAnswer(did).encode())).service_data

    assert got.did_echo == did


@given(DID, st.integers(0, 3), DATA)
def test_io_control_answer(did, control, state):
    payload = answers.IoControlAnswer(did, control, state).encode()
    got = theirs.InputOutputControlByIdentifier.interpret_response(
        heard(payload), control, ioconfig={did: Raw(len(state))}
    ).service_data

    assert (got.did_echo, got.control_param_echo, got.decoded_data) == (did, control, state)


@given(st.integers(1, 3), DID, st.binary(max_size=8))
def test_routine_answer(control, identifier, status):
    payload = answers.RoutineAnswer(control, identifier, status).encode()
    got = theirs.RoutineControl.interpret_response(heard(payload)).service_data

    assert (got.control_type_echo, got.routine_id_echo, got.routine_status_record) == (control, identifier, status)


def test_presence_answer():
    got = theirs.TesterPresent.interpret_response(heard(answers.PresenceAnswer().encode())).service_data

    assert got.subfunction_echo == 0


@given(SUB)
def test_code_setting_answer(setting):
    got = theirs.ControlDTCSetting.interpret_response(heard(answers.CodeSettingAnswer(setting).encode())).service_data

    assert got.setting_type_echo == setting


@given(st.sampled_from(list(services.Service)), st.sampled_from(list(services.NegativeResponseCode)))
def test_negative_answer(sid, code):
    got = heard(answers.NegativeResponse(sid, code).encode())

    assert not got.positive
    assert (got.service.request_id(), got.code) == (sid, code)


def test_negative_response_codes_have_their_numbers():
    known = {value for name, value in vars(Response.Code).items() if isinstance(value, int)}

    assert {int(code) for code in services.NegativeResponseCode} <= known
