"""An independent diagnostic client, udsoncan, against the simulated world: requests and answers travel as frames 3C and
3D on its wire, through our transport layer, on its event clock. Trips are made by the injector."""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator, Sequence

import pytest
from udsoncan import AsciiCodec, DidCodec
from udsoncan.client import Client
from udsoncan.connections import BaseConnection
from udsoncan.exceptions import NegativeResponseException, TimeoutException
from udsoncan.services import DiagnosticSessionControl, ECUReset
from world_bench import Bench

from mocks.world import World
from protocol.decoder import BREAK
from protocol.frame import checksum
from protocol.transport import Message, Reassembler, segment

NAD = 0x0A
SLOT_NS = 10_000_000
MASTER_REQUEST, SLAVE_RESPONSE = 0x3C, 0x7D  # protected identifiers
EXTENDED = DiagnosticSessionControl.Session.extendedDiagnosticSession
OVERLOAD = 0x9A0119


class LinConnection(BaseConnection):
    """Messages to and from one node of a world. Its timeouts are event-clock time."""

    def __init__(self, world: World) -> None:
        super().__init__("lin")
        self._world = world
        self._heard: list[int] = []
        self._open = False
        self.messages: list[bytes] = []
        world.wire.listen(self._hear)

    def open(self) -> LinConnection:
        self._open = True
        return self

    def close(self) -> None:
        self._open = False

    def is_open(self) -> bool:
        return self._open

    def empty_rxqueue(self) -> None:
        """Nothing waits here: an answer stays in the node until it is asked for."""

    def specific_send(self, payload: bytes, timeout: float | None = None) -> None:
        for pdu in segment(NAD, payload):
            self.slot(MASTER_REQUEST, *pdu, checksum(0x3C, pdu))

    def specific_wait_frame(self, timeout: float | None = None) -> bytes:
        assert timeout is not None
        end_ns = self._world.clock.now_ns() + round(timeout * 1e9)
        reassembler = Reassembler(NAD, 1_000_000_000)
        begun = False
        while begun or self._world.clock.now_ns() < end_ns:
            response = self.slot(SLAVE_RESPONSE)
            assert begun <= bool(response), "an answer begun goes on in the next slot"
            if response:
                begun = True
                assert response[8] == checksum(0x3D, response[:8])
                message = reassembler.receive(response[:8], self._world.clock.now_ns())
                if isinstance(message, Message):
                    self.messages.append(message.payload)
                    return message.payload
        raise TimeoutException("no answer")

    def slot(self, pid: int, *response: int) -> bytes:
        """Send a header, and the master's response if there is one; what the node says to it."""
        clock = self._world.clock
        start_ns = clock.now_ns()
        clock.sleep_until(start_ns + (34 + 10 * len(response)) * 52_083)
        self._world.wire.carry((BREAK, 0x55, pid, *response), clock.now_ns())
        self._heard.clear()
        clock.sleep_until(start_ns + SLOT_NS)
        return bytes(self._heard)

    def _hear(self, symbols: Sequence[int], end_ns: int) -> None:
        self._heard += symbols


class Word(DidCodec):
    """An integer by a format of the struct module."""

    def __init__(self, layout: str) -> None:
        self._layout = layout

    def encode(self, *values: int) -> bytes:
        return struct.pack(self._layout, *values)

    def decode(self, data: bytes) -> int:
        (value,) = struct.unpack(self._layout, data)
        return int(value)

    def __len__(self) -> int:
        return struct.calcsize(self._layout)


CONFIGURATION = {
    "data_identifiers": {
        0x0101: Word(">H"),
        0x0104: Word(">B"),
        0x0201: Word(">H"),
        0x0202: Word(">H"),
        0x0203: Word(">h"),
        0x0301: Word(">h"),
        0x0302: Word(">H"),
        0x0303: Word(">H"),
        0x0304: Word(">I"),
        0x0305: Word(">I"),
        0x0306: Word(">H"),
        0xF189: AsciiCodec(5),
        0xF18C: AsciiCodec(10),
    },
    "request_timeout": 60,
}


class Unit(Bench):
    """A world with its 12 V supply on, and a client of its breaker."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.connection = LinConnection(self.world)
        self.client = Client(self.connection, config=CONFIGURATION)

    def trip(self, ampere: float, seconds: float) -> None:
        """Close, inject for so long, and stop."""
        self.command("none", "close")
        self.say("injector", f"SOUR:CURR {ampere};:OUTP ON")
        self.wait(seconds)
        self.say("injector", "OUTP OFF")
        self.wait(0.1)


@pytest.fixture
def unit() -> Iterator[Unit]:
    logging.getLogger("UdsClient").setLevel(logging.CRITICAL)  # it reports every exception as an error
    unit = Unit(seed=3)
    with unit.client:
        yield unit


def read(client: Client, *dids: int) -> tuple[object, ...]:
    response = client.read_data_by_identifier(list(dids))
    assert response is not None
    return tuple(response.service_data.values[did] for did in dids)


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
    unit.trip(200, 2)
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
    unit.trip(200, 2)
    unit.connection.messages.clear()
    unit.client.clear_dtc()

    assert unit.connection.messages == [bytes.fromhex("7F 14 78"), b"\x54"]
    codes = unit.client.get_dtc_by_status_mask(0x2F)
    assert codes is not None
    assert codes.service_data.dtcs == []


def test_recording_off_and_on_again_with_the_session(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    unit.client.control_dtc_setting(2)
    unit.trip(200, 2)
    codes = unit.client.get_dtc_by_status_mask(0x2F)
    unit.command("open")
    unit.wait(200)  # S3 is over, and the breaker is cool
    unit.trip(200, 2)
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


def test_io_control_has_no_output(unit: Unit) -> None:
    unit.client.change_session(EXTENDED)
    unit.client.config["input_output"] = {0x0132: Word(">B")}
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
