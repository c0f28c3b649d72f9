"""The pump's breaker by an independent diagnostic client (see udsoncan_bench): key, groups, both snapshots, routine."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from udsoncan.exceptions import NegativeResponseException
from udsoncan_bench import Unit, Word, opened, read

from mocks.firmware.key import key_of

SERVICE = 0x40
OVERLOAD = 0x5B1101


def _algorithm(level: int, seed: bytes, params: object) -> bytes:
    return key_of(seed, 4)


CONFIGURATION = {
    "security_algo": _algorithm,
    "data_identifiers": {
        0x2001: Word("<HHB"),
        0x2002: Word("<B"),
        0x2101: Word("<H"),
        0x2201: Word("<h"),
        0x2202: Word("<B"),
        0x2203: Word("<H"),
        0x2204: Word("<B"),
        0x2205: Word("<B"),
        0x2206: Word("<B"),
    },
}


@pytest.fixture
def unit() -> Iterator[Unit]:
    with opened("pump", 5, CONFIGURATION) as unit:
        yield unit


def code_name(refused: pytest.ExceptionInfo[NegativeResponseException]) -> str:
    return str(refused.value.response.code_name)


def test_key_opens_what_the_session_does_not(unit: Unit) -> None:
    unit.client.change_session(SERVICE)
    with pytest.raises(NegativeResponseException) as locked:
        unit.client.write_data_by_identifier(0x2002, 50)
    unit.client.unlock_security_access(1)
    unit.client.write_data_by_identifier(0x2002, 50)
    unit.client.change_session(SERVICE)
    with pytest.raises(NegativeResponseException) as again:
        unit.client.write_data_by_identifier(0x2002, 60)

    assert (code_name(locked), code_name(again)) == ("SecurityAccessDenied", "SecurityAccessDenied")
    assert read(unit.client, 0x2002) == (50,)


def test_wrong_keys_lock_the_door(unit: Unit) -> None:
    unit.client.change_session(SERVICE)
    refusals = []
    for _ in range(3):
        unit.client.request_seed(1)
        with pytest.raises(NegativeResponseException) as refused:
            unit.client.send_key(2, bytes(4))
        refusals.append(code_name(refused))
    with pytest.raises(NegativeResponseException) as barred:
        unit.client.request_seed(1)

    assert refusals == ["InvalidKey", "InvalidKey", "ExceedNumberOfAttempts"]
    assert code_name(barred) == "RequiredTimeDelayNotExpired"


def test_group_of_set_points(unit: Unit) -> None:
    unit.client.change_session(SERVICE)
    unit.client.unlock_security_access(1)
    before = read(unit.client, 0x2001)
    unit.client.write_data_by_identifier(0x2001, (1200, 400, 50))
    with pytest.raises(NegativeResponseException) as crossed:
        unit.client.write_data_by_identifier(0x2001, (400, 400, 50))

    assert before == ((1320, 440, 100),)
    assert code_name(crossed) == "RequestOutOfRange"
    assert read(unit.client, 0x2001) == ((1200, 400, 50),)


def test_both_snapshots_of_an_overload(unit: Unit) -> None:
    """132 A at 66 A while driving: 13.5 s / (2 - 1) = 13.5 s. 110 A at 22 A while charging: 13.5 s / (5 - 1) = 3.4 s.
    Travel falls by 100 % in 20 s; the next close waits for that."""
    unit.trip(132, 16)
    unit.command("open")
    unit.keep(25)
    unit.trip(110, 5, mode="charge")
    response = unit.client.get_dtc_snapshot_by_dtc_number(OVERLOAD, 0xFF)

    assert response is not None
    (code,) = response.service_data.dtcs
    assert (code.id, code.status.get_byte_as_int()) == (OVERLOAD, 0x27)
    values = {(each.record_number, each.did): each.data for each in code.snapshots}
    assert {number for number, _ in values} == {0x10, 0x11}
    assert values[0x10, 0x2201] == pytest.approx(1320, abs=25)  # 0.1 A; 1.5 % and 0.3 A
    assert values[0x11, 0x2201] == pytest.approx(1100, abs=20)
    assert values[0x10, 0x2203] == pytest.approx(1350, abs=70)  # 10 ms
    assert values[0x11, 0x2203] == pytest.approx(338, abs=20)
    assert (values[0x10, 0x2205], values[0x11, 0x2205]) == (1, 2)  # drive, charge
    assert values[0x11, 0x2206] == values[0x10, 0x2206] + 1
    assert values[0x10, 0x2204] == pytest.approx(65, abs=3)  # 25 degC


def test_routine_with_a_result(unit: Unit) -> None:
    unit.client.change_session(SERVICE)
    with pytest.raises(NegativeResponseException) as locked:
        unit.client.start_routine(0x0301)
    unit.client.unlock_security_access(1)
    started = unit.client.start_routine(0x0301)

    assert code_name(locked) == "SecurityAccessDenied"
    assert started is not None
    assert started.service_data.routine_status_record == b"\x01"


def test_lockout_outlasts_the_supply_and_is_released_by_its_routine(unit: Unit) -> None:
    """Three trips within 60 s of each other. 280 A is above the overcurrent pickup, 240 A, for its 50 ms."""
    for _ in range(3):
        unit.trip(280, 0.5)
        unit.command("open")
        unit.wait(0.5)
    states = [unit.world.firmware.state.value]
    unit.say("supply_12v", "OUTP OFF")
    unit.wait(2)
    unit.say("supply_12v", "OUTP ON")
    unit.wait(0.5)
    unit.command("none", "close")
    states.append(unit.world.firmware.state.value)
    unit.client.change_session(SERVICE)
    unit.client.unlock_security_access(1)
    unit.client.start_routine(0x0301)
    unit.command("none", "close")
    states.append(unit.world.firmware.state.value)

    assert states == ["locked_out", "locked_out", "on"]


def test_block_leaves_a_code_that_heals(unit: Unit) -> None:
    """The 12 V supply below 9 V opens the switch without a trip; back above 9.5 V the test has passed."""

    def status() -> int:
        response = unit.client.get_dtc_by_status_mask(0x2F)
        assert response is not None
        return {code.id: int(code.status.get_byte_as_int()) for code in response.service_data.dtcs}.get(0x5B1501, 0)

    unit.command("none", "close")
    unit.say("supply_12v", "SOUR:VOLT 8")
    unit.wait(0.5)
    low = (unit.world.firmware.state.value, status())
    unit.say("supply_12v", "SOUR:VOLT 13.5")
    unit.wait(0.5)
    back = (unit.world.firmware.state.value, status())
    unit.command("none", "close")

    assert (low, back) == (("off", 0x27), ("off", 0x26))
    assert unit.world.firmware.gate
