"""Exchanges in words. Bytes by ISO 14229-1; identifiers and scales by testplans/devices/heater.yaml."""

from __future__ import annotations

import pytest

from harness.record.result import Exchange
from harness.report.words import Words
from tests.report.made_record import HEATER


@pytest.mark.parametrize(
    ("request_hex", "answer", "words"),
    [
        ("22 01 01", "62 01 01 07 D0", "read overload_pickup: overload_pickup = 20 A"),
        ("2E 01 01 07 D0", "6E 01 01", "write overload_pickup = 20 A: written"),
        ("2E 01 01 00 00", "7F 2E 31", "write overload_pickup = 0 A: refused, request out of range"),
        ("22 F1 89", "62 F1 89 31 2E 34", "read application_version: application_version = 1.4"),
        ("22 12 34", "62 12 34 01", "read record 1234: record 1234 01"),
        ("14 FF FF FF", "54", "clear every fault code: cleared"),
        ("19 02 FF", "59 02 7F", "which fault codes have any status bit: none"),
        ("19 02 08", "59 02 7F 9A 01 19 09", "which fault codes have confirmed: overload (test-failed confirmed)"),
        ("19 04 9A 01 19 01", "59 04 9A 01 19 2F 01 00", "snapshot 1 of overload: done"),
        ("3E 80", None, "tester present: no answer, and none wanted"),
        ("22 01 01", None, "read overload_pickup: no answer"),
        ("11 01", "51 01", "reset, hard: done"),
        ("B2 00 FF 7F FF FF", "F2 FE 7F 25 00 01", "node configuration, read by id: answered"),
        ("22 01 01", "62 01 01 07", "read overload_pickup: overload_pickup 07"),
        ("19 02 FF", "59 02", "which fault codes have any status bit: an answer whose layout is wrong"),
        (
            "99",
            "7F 99 11",
            "request that ISO 14229-1 does not know (service not supported): refused, service not supported",
        ),
    ],
)
def test_an_exchange_in_words(request_hex: str, answer: str | None, words: str) -> None:
    given = None if answer is None else bytes.fromhex(answer)

    assert Words(HEATER)(Exchange(0, bytes.fromhex(request_hex), given, "")) == words


def test_without_a_profile_numbers_stand_for_names() -> None:
    assert (
        Words(None)(Exchange(0, b"\x22\x01\x01", b"\x62\x01\x01\x07\xd0", "")) == "read record 0101: record 0101 07 d0"
    )
    assert Words(None).code(0x9A0119) == "B1A01-19"


def test_any_bytes_are_put_in_words() -> None:
    words = Words(HEATER)
    for service in range(256):
        for tail in (b"", b"\x00", b"\x01\x01", b"\xff" * 6):
            for answer in (None, b"", b"\x7f", bytes((service,)) + tail, bytes((service + 0x40 & 0xFF,)) + tail):
                assert words(Exchange(0, bytes((service,)) + tail, answer, ""))
