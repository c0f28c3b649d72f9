"""The heater's breaker by an independent diagnostic client (see udsoncan_bench)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from udsoncan import AsciiCodec
from udsoncan.exceptions import NegativeResponseException, TimeoutException
from udsoncan.services import DiagnosticSessionControl, ECUReset
from udsoncan_bench import Unit, Word, opened, read

EXTENDED = DiagnosticSessionControl.Session.extendedDiagnosticSession
OVERLOAD = 0x9A0119

CONFIGURATION = {
    "data_identifiers": {
        0x0101: Word(">H"),
        0x0104: Word(">B"),
        0x0201: Word(">H"),
        0x0202: Word(">H"),
        0x0203: Word(">h"),
        0x0204: Word(">h"),
        0x0301: Word(">h"),
        0x0302: Word(">H"),
        0x0303: Word(">H"),
        0x0304: Word(">I"),
        0x0305: Word(">I"),
        0x0306: Word(">H"),
        0x0307: Word(">h"),
        0x0308: Word(">B"),
        0x0309: Word(">H"),
        0x030A: Word(">H"),
        0xF189: AsciiCodec(5),
        0xF18C: AsciiCodec(10),
    },
    "input_output": {0x0132: Word(">B"), 0x0401: Word(">h")},
}


@pytest.fixture
def unit() -> Iterator[Unit]:
    with opened("heater", 3, CONFIGURATION) as unit:
        yield unit


def test_session_gives_server_timing(unit: Unit) -> None:
    response = unit.client.change_session(EXTENDED)

    assert response is not None
    assert (response.service_data.p2_server_max, response.service_data.p2_star_server_max) == (0.05, 2.0)


def test_reads_several_identifiers_at_once(unit: Unit) -> None:
    version, pickup, level, supply = read(unit.client, 0xF189, 0x0101, 0x0201, 0x0202)

    assert (version, pickup, level) == ("1.4.2", 2750, 0)
    assert supply == pytest.approx(13_500, abs=200)
    assert str(read(unit.client, 0xF18C)[0]).isdecimal()


def test_writes_within_limits_and_is_refused_outside(unit: Unit) -> None:
    with pytest.raises(NegativeResponseException) as in_default:
        unit.client.write_data_by_identifier(0x0101, 500)
    unit.client.change_session(EXTENDED)
    unit.client.write_data_by_identifier(0x0101, 500)
    with pytest.raises(NegativeResponseException) as outside:
        unit.client.write_data_by_identifier(0x0101, 499)

    assert in_default.value.response.code_name == "ServiceNotSupportedInActiveSession"
    assert outside.value.response.code_name == "RequestOutOfRange"
    assert read(unit.client, 0x0101) == (500,)


def test_set_points_outlast_a_power_cycle(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    unit.client.write_data_by_identifier(0x0101, 500)
    unit.client.write_data_by_identifier(0x0104, 20)
    unit.say("supply_12v", "OUTP OFF")
    unit.wait(2)
    with pytest.raises(TimeoutException):
        unit.client.tester_present()
    unit.say("supply_12v", "OUTP ON")
    unit.wait(0.5)

    assert read(unit.client, 0x0101, 0x0104) == (500, 20)


def test_fault_code_and_snapshot_of_an_overload(unit: Unit) -> None:
    """50 A at a pickup of 27.5 A from cold: 60 s * ln(3.3058 / 2.3058) = 21.61 s. The declared limits, gain 1 %, offset
    0.1 A, timer 1 % and 25 ms, make it 20.6 to 22.7 s."""
    unit.trip(50, 23)
    codes = unit.client.get_dtc_by_status_mask(0x08)
    snapshot = unit.client.get_dtc_snapshot_by_dtc_number(OVERLOAD, 0x01)

    assert codes is not None
    assert snapshot is not None
    (code,) = codes.service_data.dtcs
    assert (code.id, code.id_iso()) == (OVERLOAD, "B1A01-19")
    assert code.status.get_byte_as_int() == 0x2F
    (held,) = snapshot.service_data.dtcs
    values = {each.did: each.data for each in held.snapshots}
    assert {each.record_number for each in held.snapshots} == {1}
    assert values[0x0301] == pytest.approx(5000, abs=50 + 10)  # 10 mA; gain and offset of the breaker
    assert values[0x0302] == pytest.approx(10_000, abs=100)  # 0.01 %
    assert values[0x0303] == pytest.approx(13_500, abs=200)  # mV
    assert 20_600 < values[0x0304] < 22_700  # ms
    assert values[0x0306] >= 1


def test_status_of_codes_follows_the_trip(unit: Unit) -> None:
    def status() -> int:
        response = unit.client.get_supported_dtc()
        assert response is not None
        return int(response.service_data.dtcs[0].status.get_byte_as_int())

    life = [status()]
    unit.trip(50, 23)
    life.append(status())
    unit.command("open")
    life.append(status())

    assert life == [0x50, 0x2F, 0x2E]
    count = unit.client.get_number_of_dtc_by_status_mask(0x08)
    assert count is not None
    assert count.service_data.dtc_count == 1
    extended = unit.client.get_dtc_extended_data_by_dtc_number(OVERLOAD, 0x01, data_size=1)
    assert extended is not None
    assert extended.service_data.dtcs[0].extended_data[0].raw_data == b"\x01"


def test_clear_meets_response_pending(unit: Unit) -> None:
    unit.trip(50, 23)
    unit.connection.messages.clear()
    unit.client.clear_dtc()

    assert unit.connection.messages == [bytes.fromhex("7F 14 78"), b"\x54"]
    codes = unit.client.get_dtc_by_status_mask(0x2F)
    assert codes is not None
    assert codes.service_data.dtcs == []


def test_recording_off_and_on_again_with_the_session(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    unit.client.control_dtc_setting(2)
    unit.trip(120, 1)
    codes = unit.client.get_dtc_by_status_mask(0x2F)
    unit.command("open")
    unit.keep(200)  # S3 is over, and the breaker is cool
    unit.trip(120, 1)
    later = unit.client.get_dtc_by_status_mask(0x2F)

    assert codes is not None
    assert later is not None
    assert (codes.service_data.dtc_count, later.service_data.dtc_count) == (0, 1)


def test_self_test_routine(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    started = unit.client.start_routine(0x0203)
    result = unit.client.get_routine_result(0x0203)

    assert started is not None
    assert result is not None
    assert started.service_data.routine_status_record == result.service_data.routine_status_record == b"\x00"


def test_io_control(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    taken = unit.client.io_control(0x0401, 3, [600])
    adjusted = read(unit.client, 0x0204)
    unit.client.io_control(0x0401, 0)

    assert taken is not None
    assert taken.service_data.decoded_data == 600
    assert adjusted == (600,)
    assert read(unit.client, 0x0204)[0] == pytest.approx(250, abs=20)  # 25 degC of nothing connected
    with pytest.raises(NegativeResponseException) as refused:
        unit.client.io_control(0x0132, 3, [0x55])
    assert refused.value.response.code_name == "RequestOutOfRange"


def test_security_is_not_there(unit: Unit) -> None:
    with pytest.raises(NegativeResponseException) as refused:
        unit.client.request_seed(1)

    assert refused.value.response.code_name == "ServiceNotSupported"


def test_reset_and_tester_present_without_answer(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    with unit.client.suppress_positive_response(wait_nrc=True):
        unit.client.tester_present()
    unit.client.ecu_reset(ECUReset.ResetType.hardReset)
    unit.wait(0.1)
    with pytest.raises(NegativeResponseException) as in_default:
        unit.client.write_data_by_identifier(0x0101, 500)

    assert in_default.value.response.code_name == "ServiceNotSupportedInActiveSession"
