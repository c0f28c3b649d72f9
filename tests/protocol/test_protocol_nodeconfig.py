from __future__ import annotations

import pytest
from protocol_vectors import fields, load

from protocol import nodeconfig
from protocol.answers import NegativeResponse
from protocol.layout import LayoutError
from protocol.nodeconfig import ProductId, is_config, parse_answer, parse_request
from protocol.services import ServiceError

VECTORS = load("nodeconfig.yaml")
KINDS = {**vars(nodeconfig), "NegativeResponse": NegativeResponse}


def value(vector):
    entries = fields(vector["fields"])
    if "pids" in entries:
        entries["pids"] = tuple(entries["pids"])
    return KINDS[vector["kind"]](**entries)


def text(vector):
    return vector["payload"]


@pytest.mark.parametrize("vector", VECTORS["requests"], ids=text)
def test_requests(vector):
    payload = bytes.fromhex(vector["payload"])

    assert value(vector).encode() == payload
    assert parse_request(payload) == value(vector)
    assert is_config(payload)


@pytest.mark.parametrize("vector", VECTORS["requests"], ids=text)
def test_requests_cut_short_or_too_long(vector):
    payload = bytes.fromhex(vector["payload"])
    for wrong in [payload[:n] for n in range(len(payload))] + [payload + b"\xff"]:
        with pytest.raises(LayoutError):
            parse_request(wrong)


@pytest.mark.parametrize("vector", VECTORS["answers"], ids=text)
def test_answers(vector):
    payload = bytes.fromhex(vector["payload"])
    request = parse_request(bytes.fromhex(vector["to"]))

    assert value(vector).encode() == payload
    assert parse_answer(request, payload) == value(vector)


@pytest.mark.parametrize("vector", VECTORS["answers"], ids=text)
def test_answers_belong_to_their_request_only(vector):
    payload = bytes.fromhex(vector["payload"])
    for other in VECTORS["requests"]:
        if other["payload"][:2] != vector["to"][:2]:
            with pytest.raises(ServiceError):
                parse_answer(parse_request(bytes.fromhex(other["payload"])), payload)


@pytest.mark.parametrize("vector", [v for v in VECTORS["answers"] if v["kind"] != "RecordAnswer"], ids=text)
def test_answers_cut_short_or_too_long(vector):
    payload = bytes.fromhex(vector["payload"])
    request = parse_request(bytes.fromhex(vector["to"]))
    for wrong in [payload[:n] for n in range(len(payload))] + [payload + b"\xff"]:
        with pytest.raises(ServiceError):
            parse_answer(request, wrong)


@pytest.mark.parametrize("vector", VECTORS["records"], ids=text)
def test_records(vector):
    payload = bytes.fromhex(vector["payload"])
    kind = KINDS[vector["kind"]]

    assert value(vector).encode() == payload
    assert kind.decode(payload) == value(vector)
    for wrong in (payload[:-1], payload + b"\xff"):
        with pytest.raises(LayoutError):
            kind.decode(wrong)


@pytest.mark.parametrize("condition", VECTORS["conditions"], ids=str)
def test_conditional_change(condition):
    terms = {name: condition[name] for name in ("byte", "mask", "invert")}
    request = nodeconfig.ConditionalChangeNad(identifier=1, new_nad=2, **terms)

    assert request.met_by(bytes.fromhex("44 33 22 11")) is condition["met"]


@pytest.mark.parametrize(
    ("supplier", "function", "expected"),
    [
        (0x7FFE, 0x0001, True),
        (0x7FFF, 0x0001, True),  # wildcards: LIN 2.1 §4.2
        (0x7FFE, 0xFFFF, True),
        (0x7FFF, 0xFFFF, True),
        (0x7FFD, 0x0001, False),
        (0x7FFE, 0x0002, False),
        (0x7FFF, 0x0002, False),
        (0x7FFD, 0xFFFF, False),
    ],
)
def test_product_id_matches(supplier, function, expected):
    assert ProductId(0x7FFE, 1, 1).matches(supplier, function) is expected


@pytest.mark.parametrize(
    "request_",
    [
        nodeconfig.AssignNad(0x10000, 1, 1),
        nodeconfig.AssignFrameIdRange(0, (1, 2, 3)),
        nodeconfig.AssignFrameIdRange(0, (1, 2, 3, 4, 5)),
        nodeconfig.AssignFrameIdRange(0, (1, 2, 3, 256)),
        nodeconfig.DataDump(b"1234"),
        nodeconfig.DataDump(b"123456"),
        nodeconfig.Confirmation(0xF2),
    ],
    ids=repr,
)
def test_values_that_do_not_fit(request_):
    with pytest.raises(LayoutError, match=type(request_).__name__):
        request_.encode()


def test_a_layout_error_says_what_where_and_why():
    with pytest.raises(LayoutError) as caught:
        ProductId.decode(b"\xfe\x7f")

    assert (caught.value.what, caught.value.data) == ("ProductId", b"\xfe\x7f")
    assert str(caught.value) == f"ProductId: {caught.value.problem} in fe 7f"


def test_other_services_are_none_of_ours():
    assert [sid for sid in range(256) if is_config(bytes([sid]))] == list(range(0xB0, 0xB8))
    assert not is_config(b"")
