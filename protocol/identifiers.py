"""Numbers of the diagnostic services (ISO 14229-1): services, sub-functions, refusals, fault code status.

Enumerations whose members are lower-case carry names that test plans use.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag

ALL_CODES = 0xFFFFFF
"""Group for ``clear``: every fault code."""
ALL_RECORDS = 0xFF
"""Record number for ``read_snapshot`` and ``read_extended``: every record of the code."""
SUPPRESS = 0x80
"""Bit of the sub-function: no positive answer wanted."""


class Service(IntEnum):
    """Service identifiers."""

    SESSION = 0x10
    RESET = 0x11
    CLEAR_CODES = 0x14
    READ_CODES = 0x19
    READ_DATA = 0x22
    SECURITY = 0x27
    WRITE_DATA = 0x2E
    IO_CONTROL = 0x2F
    ROUTINE = 0x31
    TESTER_PRESENT = 0x3E
    CODE_SETTING = 0x85


SUB_FUNCTION_SERVICES = frozenset(
    {
        Service.SESSION,
        Service.RESET,
        Service.READ_CODES,
        Service.SECURITY,
        Service.ROUTINE,
        Service.TESTER_PRESENT,
        Service.CODE_SETTING,
    }
)
"""Services whose second byte is a sub-function, echoed in the positive answer."""


class CodeReport(IntEnum):
    """Sub-functions of READ_CODES."""

    COUNT = 0x01
    CODES = 0x02
    SNAPSHOT = 0x04
    EXTENDED = 0x06
    SUPPORTED = 0x0A


class ResetKind(IntEnum):
    """Sub-functions of RESET."""

    HARD = 0x01
    KEY_OFF_ON = 0x02
    SOFT = 0x03


class IoControlKind(IntEnum):
    """Control parameters of IO_CONTROL."""

    RETURN = 0x00
    RESET = 0x01
    FREEZE = 0x02
    ADJUST = 0x03


class RoutineControl(IntEnum):
    """Sub-functions of ROUTINE."""

    START = 0x01
    STOP = 0x02
    RESULTS = 0x03


class CodeSetting(IntEnum):
    """Sub-functions of CODE_SETTING: whether faults are recorded."""

    ON = 0x01
    OFF = 0x02


class NegativeResponseCode(IntEnum):
    """Why a server refuses (ISO 14229-1 annex A)."""

    general_reject = 0x10
    service_not_supported = 0x11
    sub_function_not_supported = 0x12
    incorrect_length_or_format = 0x13
    response_too_long = 0x14
    busy_repeat_request = 0x21
    conditions_not_correct = 0x22
    request_sequence_error = 0x24
    no_response_from_subnet = 0x25
    failure_prevents_execution = 0x26
    request_out_of_range = 0x31
    security_access_denied = 0x33
    authentication_required = 0x34
    invalid_key = 0x35
    exceeded_attempts = 0x36
    required_time_delay_not_expired = 0x37
    upload_download_not_accepted = 0x70
    transfer_suspended = 0x71
    general_programming_failure = 0x72
    wrong_block_sequence = 0x73
    response_pending = 0x78
    sub_function_not_supported_in_session = 0x7E
    service_not_supported_in_session = 0x7F
    voltage_too_high = 0x92
    voltage_too_low = 0x93
    resource_temporarily_not_available = 0x94


class CodeStatusBit(IntFlag):
    """Bits of a fault code's status (ISO 14229-1 annex D)."""

    test_failed = 0x01
    test_failed_this_cycle = 0x02
    pending = 0x04
    confirmed = 0x08
    not_completed_since_clear = 0x10
    failed_since_clear = 0x20
    not_completed_this_cycle = 0x40
    warning_requested = 0x80


def dtc_text(dtc: int) -> str:
    """A 24-bit fault code as people write it, e.g. 0x9A0119 as 'B1A01-19' (ISO 15031-6; low byte: failure type)."""
    return f"{'PCBU'[dtc >> 22 & 3]}{dtc >> 20 & 3}{dtc >> 8 & 0xFFF:03X}-{dtc & 0xFF:02X}"
