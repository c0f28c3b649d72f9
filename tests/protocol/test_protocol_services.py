from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from protocol_vectors import fields, load

from protocol import answers, services
from protocol.answers import CodeStatus, NegativeResponse
from protocol.identifiers import SUB_FUNCTION_SERVICES, CodeStatusBit, NegativeResponseCode, dtc_text
from protocol.layout import LayoutError
from protocol.requests import RequestError, parse_request, suppress, suppressed
from protocol.services import ServiceError, parse_response

VECTORS = load("services.yaml")


def text(vector):
    return vector["payload"]


def arguments(vector):
    return [bytes.fromhex(item) if isinstance(item, str) else item for item in vector["args"]]


def value(vector):
    entries = fields(vector["fields"])
    if "codes" in entries:
        entries["codes"] = tuple(CodeStatus(*entry) for entry in entries["codes"])
    return getattr(answers, vector["kind"])(**entries)


@pytest.mark.parametrize("vector", VECTORS["requests"], ids=text)
def test_requests(vector):
    payload = bytes.fromhex(vector["payload"])
    request = parse_request(payload)

    assert getattr(services, vector["build"])(*arguments(vector)) == payload
    assert suppressed(payload) is (len(payload) > 1 and payload[0] in (0x10, 0x3E) and payload[1] > 0x7F)
    assert (suppress(request.encode()) if suppressed(payload) else request.encode()) == payload


@pytest.mark.parametrize("payload", [b"", b"\x10", b"\x22\xff", b"\x10\x7f"])
def test_nothing_to_suppress(payload):
    assert not suppressed(payload)


def test_request_values():
    # What a server reads out of some of them, field by field.
    assert vars(parse_request(bytes.fromhex("10 83"))) == {"session": 3}
    assert vars(parse_request(bytes.fromhex("14 12 34 56"))) == {"group": 0x123456}
    assert vars(parse_request(bytes.fromhex("19 04 12 34 56 01"))) == {"dtc": 0x123456, "record": 1}
    assert vars(parse_request(bytes.fromhex("22 01 23 01 24"))) == {"dids": (0x0123, 0x0124)}
    assert vars(parse_request(bytes.fromhex("2E 01 23 AB CD"))) == {"did": 0x0123, "data": b"\xab\xcd"}
    assert vars(parse_request(bytes.fromhex("27 04 01"))) == {"level": 4, "data": b"\x01"}
    assert vars(parse_request(bytes.fromhex("2F 01 32 03 55"))) == {"did": 0x0132, "control": 3, "state": b"\x55"}
    assert vars(parse_request(bytes.fromhex("31 81 02 03 10"))) == {"control": 1, "routine": 0x0203, "option": b"\x10"}
    assert vars(parse_request(bytes.fromhex("85 82"))) == {"setting": 2, "option": b""}


@pytest.mark.parametrize("vector", VECTORS["refused"], ids=text)
def test_requests_refused_by_their_form(vector):
    with pytest.raises(RequestError) as caught:
        parse_request(bytes.fromhex(vector["payload"]))

    assert caught.value.code.name == vector["code"]


@given(st.binary(max_size=12))
def test_no_bytes_break_the_request_parser(payload):
    try:
        request = parse_request(payload)
    except RequestError as error:
        refusal = error.code
    else:
        refusal = None
        assert (suppress(request.encode()) if suppressed(payload) else request.encode()) == payload

    assert refusal in (None, 0x11, 0x12, 0x13)


@pytest.mark.parametrize("vector", VECTORS["answers"], ids=text)
def test_answers(vector):
    payload = bytes.fromhex(vector["payload"])
    got = parse_response(bytes.fromhex(vector["to"]), payload)

    assert value(vector).encode() == payload
    assert type(value(vector)).decode(payload) == value(vector)
    assert got == (value(vector) if isinstance(value(vector), NegativeResponse) else payload)


@pytest.mark.parametrize("vector", VECTORS["answers"], ids=text)
def test_answers_cut_short_or_too_long(vector):
    kind = type(value(vector))
    payload = bytes.fromhex(vector["payload"])
    wrong = [payload[:n] for n in range(vector.get("least", len(payload)))]
    if "least" not in vector:
        wrong.append(payload + b"\xff")
    if kind in (answers.CodesAnswer, answers.SupportedAnswer):
        wrong = [part for part in wrong if len(part) < 3 or len(part) % 4 != 3]  # each code takes four bytes
    for part in wrong:
        with pytest.raises(LayoutError):
            kind.decode(part)


@pytest.mark.parametrize("vector", VECTORS["answers"], ids=text)
def test_answers_belong_to_their_request_only(vector):
    payload = bytes.fromhex(vector["payload"])
    for other in VECTORS["requests"]:
        request = bytes.fromhex(other["payload"])
        if request[0] != int(vector["to"][:2], 16):
            with pytest.raises(ServiceError):
                parse_response(request, payload)


@pytest.mark.parametrize(
    ("request_", "payload"),
    [
        ("10 03", "50 01 00 32 01 F4"),  # another sub-function
        ("19 02 FF", "59 0A FF"),
        ("22 F1 90", "62 F1 91 00"),  # another identifier
        ("2E 01 23 AB", "6E 01 24"),
        ("2F 01 32 03 55", "6F 01 32 00"),  # another control
        ("31 01 02 03", "71 01 02 04"),
        ("3E 00", "7E"),
        ("3E 00", ""),
        ("3E 00", "7F 3E"),
        ("3E 00", "7F 3E 12 00"),
        ("3E 00", "7F 22 12"),
    ],
)
def test_answers_that_are_none(request_, payload):
    with pytest.raises(ServiceError) as caught:
        parse_response(bytes.fromhex(request_), bytes.fromhex(payload))

    assert caught.value.payload == bytes.fromhex(payload)
    assert str(caught.value) == f"{caught.value.problem}; the answer was {payload.lower() or 'empty'}"


@pytest.mark.parametrize(
    ("request_", "payload"),
    [
        ("2F 01 32 03 55", "6F 01 32 03"),  # the state is the device's, not an echo
        ("2F 01 32 03 55", "6F 01 32 03 54"),
        ("31 01 02 03 10", "71 01 02 03"),
        ("31 01 02 03 10", "71 01 02 03 20"),
        ("22 01 23 01 24", "62 01 23 AB 01 24 CD"),
    ],
)
def test_answers_need_not_echo_more_than_what_names_them(request_, payload):
    assert parse_response(bytes.fromhex(request_), bytes.fromhex(payload)) == bytes.fromhex(payload)


def test_suppress_bit_is_not_echoed():
    assert parse_response(b"\x10\x83", bytes.fromhex("50 03 00 32 01 F4")) == bytes.fromhex("50 03 00 32 01 F4")


def test_malformed_request_can_be_sent_and_its_refusal_read():
    assert parse_response(b"\x10", b"\x7f\x10\x13") == NegativeResponse(0x10, 0x13)


def test_session_timing_is_in_ns():
    # 0x0032 = 50 times 1 ms; 0x01F4 = 500 times 10 ms (ISO 14229-1 §9.2)
    timing = services.parse_session(bytes.fromhex("50 03 00 32 01 F4"))

    assert timing == services.SessionTiming(3, 50_000_000, 5_000_000_000)


@pytest.mark.parametrize("report", ["02", "0A"])
def test_codes(report):
    payload = bytes.fromhex(f"59 {report} 2F 12 34 56 09 AB CD EF 28")

    assert services.parse_codes(payload) == [CodeStatus(0x123456, 0x09), CodeStatus(0xABCDEF, 0x28)]
    assert services.parse_codes(payload[:3]) == []
    assert services.parse_codes(payload[:7]) == [CodeStatus(0x123456, 0x09)]
    for length in (0, 1, 2, 4, 5, 6, 8, 9, 10):
        with pytest.raises(ServiceError):
            services.parse_codes(payload[:length])


def test_code_status_bits_in_an_answer():
    (code,) = services.parse_codes(bytes.fromhex("59 02 FF 9A 01 19 2F"))

    assert CodeStatusBit(code.status) == (
        CodeStatusBit.test_failed
        | CodeStatusBit.test_failed_this_cycle
        | CodeStatusBit.pending
        | CodeStatusBit.confirmed
        | CodeStatusBit.failed_since_clear
    )


def test_parse_read():
    payload = bytes.fromhex("62 01 23 AB CD 01 24 61 62 63")

    assert services.parse_read(payload, {0x0123: 2, 0x0124: 3}) == {0x0123: b"\xab\xcd", 0x0124: b"abc"}
    assert services.parse_read(payload, {0x0123: 2, 0x0124: None}) == {0x0123: b"\xab\xcd", 0x0124: b"abc"}
    assert services.parse_read(payload[:7], {0x0123: 2, 0x0124: None}) == {0x0123: b"\xab\xcd", 0x0124: b""}


@pytest.mark.parametrize(
    ("payload", "sizes"),
    [
        ("62 01 23 AB", {0x0123: 2}),  # too short
        ("62 01 23 AB CD EF", {0x0123: 2}),  # too long
        ("62 01 24 AB CD", {0x0123: 2}),  # not asked for
        ("62 01 23 AB CD 01 23 AB CD", {0x0123: 2}),  # twice
        ("62 01 23 AB CD", {0x0123: 2, 0x0124: 1}),  # one missing
        ("62 01 23 AB CD 01", {0x0123: 2, 0x0001: 0}),  # half an identifier
        ("62", {0x0123: 2}),
        ("63 01 23 AB CD", {0x0123: 2}),
    ],
)
def test_parse_read_refuses(payload, sizes):
    with pytest.raises(ServiceError):
        services.parse_read(bytes.fromhex(payload), sizes)


def test_other_answers():
    count = services.parse_code_count(bytes.fromhex("59 01 2F 01 00 03"))
    snapshot = services.parse_snapshot(bytes.fromhex("59 04 12 34 56 09 01 01 01 23 AB CD"))
    extended = services.parse_extended(bytes.fromhex("59 06 12 34 56 09 01 AA"))
    control = services.parse_io_control(bytes.fromhex("6F 01 32 03 55"))
    status = services.parse_routine(bytes.fromhex("71 01 02 03 AA"))

    assert (count.availability, count.format, count.count) == (0x2F, 1, 3)
    assert (snapshot.dtc, snapshot.status, snapshot.records) == (0x123456, 9, bytes.fromhex("01 01 01 23 AB CD"))
    assert (extended.dtc, extended.status, extended.records) == (0x123456, 9, b"\x01\xaa")
    assert (control.did, control.control, control.state) == (0x0132, 3, b"\x55")
    assert (status.control, status.routine, status.status) == (1, 0x0203, b"\xaa")
    assert services.parse_seed(bytes.fromhex("67 01 12 34 56 78")) == bytes.fromhex("12 34 56 78")


@pytest.mark.parametrize(("dtc", "expected"), VECTORS["fault_codes"].items(), ids=str)
def test_fault_codes_as_text(dtc, expected):
    assert dtc_text(dtc) == expected


def test_negative_response_codes():
    assert {code.name: code.value for code in NegativeResponseCode} == VECTORS["negative_response_codes"]


def test_status_bits():
    assert {bit.name: bit.value for bit in CodeStatusBit} == VECTORS["status_bits"]


def test_name_of_a_refusal():
    assert NegativeResponse(0x22, 0x31).name == "request_out_of_range"
    assert NegativeResponse(0x22, 0xE3).name == "0xe3"
    assert [code for code in range(256) if NegativeResponse(0x22, code).pending] == [0x78]


@pytest.mark.parametrize(
    "build",
    [
        lambda: services.read([]),
        lambda: services.read([0x10000]),
        lambda: services.write(-1, b""),
        lambda: services.session(0x80),
        lambda: services.security_seed(2),
        lambda: services.security_key(4, b""),
        lambda: services.clear(0x1000000),
        lambda: services.read_codes(256),
        lambda: suppress(b"\x22\xf1\x90"),
    ],
)
def test_requests_that_cannot_be(build):
    with pytest.raises(ValueError):
        build()


def test_services_with_a_sub_function():
    # ISO 14229-1, table of services; the others have identifiers or data in their second byte
    assert sorted(SUB_FUNCTION_SERVICES) == [0x10, 0x11, 0x19, 0x27, 0x31, 0x3E, 0x85]
