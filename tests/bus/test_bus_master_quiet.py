"""What a master does beside its schedules: silence, raw symbols, sleep, operating modes, secrets, patience."""

from __future__ import annotations

from collections import deque

import pytest
from bus_rig import HEADER_NS, REQUEST, STATUS, Rig

from harness.bus.master import NoAnswer, NotSent, Refused, Unanswered
from harness.bus.traffic import RequestMade
from harness.clock import S
from harness.files.profile import load_device, shipped_device
from protocol.decoder import BREAK, FaultKind
from protocol.exchange import Answer

PUMP = load_device(shipped_device("pump"))


@pytest.fixture
def rig() -> Rig:
    return Rig()


# Silence, symbols, sleep


def test_silence_sends_nothing_and_lets_a_session_end(rig: Rig) -> None:
    rig.open_session()
    before = len(rig.port.sent)
    rig.master.silence_until(rig.clock.ns + 6 * S)
    assert len(rig.port.sent) == before
    assert rig.master.session is None
    rig.master.run_until(rig.clock.ns + 1 * S)
    assert [at for at, frame_id, _ in rig.port.sent[before:] if frame_id == REQUEST] == []


def test_the_end_of_the_last_own_frame_is_known(rig: Rig) -> None:
    end_ns = rig.master.send_command("none")
    rig.master.poll("HeaterStatus")
    assert rig.master.last_sent_ns == end_ns == HEADER_NS + 3 * 520_833


def test_symbols_go_out_as_they_are_and_what_comes_of_them_is_told(rig: Rig) -> None:
    (event,) = rig.master.send_symbols([BREAK, 0x54, 0xE2])
    assert rig.port.raw == [(0, [BREAK, 0x54, 0xE2])]
    assert getattr(event, "kind", None) is FaultKind.SYNC
    assert rig.master.statistics.faults[FaultKind.SYNC] == 1


def test_go_to_sleep_is_a_master_request_of_zero_and_ones(rig: Rig) -> None:
    rig.master.go_to_sleep()
    assert rig.port.sent == [(0, REQUEST, bytes.fromhex("00 ff ff ff ff ff ff ff"))]  # LIN 2.1 §2.6.3
    rig.port.trouble[REQUEST] = deque(["lost"])
    with pytest.raises(NoAnswer, match="go-to-sleep"):
        rig.master.go_to_sleep()


def test_wake_is_the_ports_business(rig: Rig) -> None:
    rig.master.wake()
    assert rig.port.raw == [(0, [0x80])]


def test_a_probe_is_one_header(rig: Rig) -> None:
    rig.port.trouble[STATUS] = deque(["silent", "short", "lost"])
    assert not rig.master.probe("HeaterStatus")
    assert rig.master.probe("HeaterStatus")  # answered, though not well
    with pytest.raises(NoAnswer):
        rig.master.probe("HeaterStatus")
    assert not rig.master.probe_answer()
    assert len(rig.port.sent) == 4


# The operating mode


def test_a_mode_stays_in_the_command_frame() -> None:
    rig = Rig(PUMP)
    rig.master.send_command("none")
    rig.master.send_mode("charge")
    rig.master.send_command("close")
    rig.master.run_until(rig.clock.ns + 1 * S)
    # pump.ldf: PmpOrder in bits 0 to 2 (close 3), PmpMode in bits 4 and 5 (charge 2), all other bits recessive
    payloads = [payload for _, frame_id, payload in rig.port.sent if frame_id == 0x30]
    assert payloads[:3] == [b"\xc8", b"\xe8", b"\xeb"]
    assert set(payloads[3:]) == {b"\xeb"}


def test_an_unknown_mode(rig: Rig) -> None:
    with pytest.raises(KeyError):
        rig.master.send_mode("charge")


# Requests


def test_a_request_may_be_left_alone(rig: Rig) -> None:
    end_ns = rig.master.send_request(bytes.fromhex("2e 01 01 0b b8"))
    assert [frame_id for _, frame_id, _ in rig.port.sent] == [REQUEST]
    assert end_ns == HEADER_NS + 9 * 520_833
    (made,) = (seen for seen in rig.seen if isinstance(seen, RequestMade))
    assert getattr(made.outcome, "reason", None) == "its answer was not asked for"


def test_a_request_of_several_frames_may_be_left_alone(rig: Rig) -> None:
    rig.master.send_request(bytes.fromhex("2e 20 01 05 28 01 b8 64"))
    assert [frame_id for _, frame_id, _ in rig.port.sent] == [REQUEST, REQUEST]


@pytest.mark.parametrize("wait", [True, False])
def test_a_request_that_is_lost_is_told_from_one_that_nobody_answers(rig: Rig, wait: bool) -> None:
    rig.port.trouble[REQUEST] = deque(["lost"])
    with pytest.raises(NotSent):
        (rig.master.request if wait else rig.master.send_request)(b"\x3e\x00")
    with pytest.raises(Unanswered) as caught:
        rig.master.request(b"\x3e\x00")
    assert not isinstance(caught.value, NotSent)


def test_response_pending_has_an_end(rig: Rig) -> None:
    pending = bytes.fromhex("0a 03 7f 14 78 ff ff ff")
    rig.port.answers.extend([pending, *[None] * 90] * 40)  # one each 0.9 s: always in time for P2* of 2 s
    with pytest.raises(Unanswered, match="'response pending' for more than 20 s"):
        rig.master.request(bytes.fromhex("14 ff ff ff"))
    assert 20 * S < rig.clock.ns < 21 * S
    assert len(rig.port.instants(REQUEST)) == 1


def test_what_frame_3d_carried_is_kept_for_one_request(rig: Rig) -> None:
    other = bytes.fromhex("0c 02 7e 00 ff ff ff ff")  # of another node
    rig.port.answers.extend([other, bytes.fromhex("0a 02 7e 00 ff ff ff ff")])
    rig.master.request(b"\x3e\x00")
    assert [pdu[0] for pdu in rig.master.answer_pdus] == [0x0C, 0x0A]
    with pytest.raises(Unanswered):
        rig.master.request(b"\x3e\x00")
    assert rig.master.answer_pdus == []


# Sessions


def test_which_session_is_open_and_since_when(rig: Rig) -> None:
    assert rig.master.session is None
    rig.open_session()
    first = rig.master.session
    assert first is not None and first.sub_function == 0x03
    rig.master.run_until(rig.clock.ns + 7 * S)
    kept = rig.master.session
    assert kept is not None and kept.began_ns == first.began_ns and kept.ends_ns > first.ends_ns
    rig.open_session()
    again = rig.master.session
    assert again is not None and again.began_ns > first.began_ns


# Secrets


def requests(rig: Rig) -> list[RequestMade]:
    return [seen for seen in rig.seen if isinstance(seen, RequestMade)]


def test_seeds_and_keys_are_left_out_of_what_is_recorded(rig: Rig) -> None:
    rig.port.answers.append(bytes.fromhex("0a 06 67 01 de ad be ef"))
    assert rig.master.request(bytes.fromhex("27 01")) == bytes.fromhex("67 01 de ad be ef")
    rig.port.answers.append(bytes.fromhex("0a 02 67 02 ff ff ff ff"))
    rig.master.request(bytes.fromhex("27 02 ca fe ba be"))
    seed, key = requests(rig)
    assert (seed.request, seed.outcome, seed.masked) == (b"\x27\x01", Answer(b"\x67\x01"), True)
    assert (key.request, key.outcome, key.masked) == (b"\x27\x02", Answer(b"\x67\x02"), True)


def test_a_refused_key_stands_in_no_message(rig: Rig) -> None:
    rig.port.answers.append(bytes.fromhex("0a 03 7f 27 35 ff ff ff"))
    with pytest.raises(Refused, match="request 27 02 was refused: invalid_key"):
        rig.master.request(bytes.fromhex("27 02 ca fe ba be"))
    rig.port.answers.append(bytes.fromhex("0a 06 67 01 de ad be ef"))
    with pytest.raises(Unanswered) as caught:
        rig.master.request(bytes.fromhex("27 02 ca fe ba be"))
    assert caught.value.heard == bytes.fromhex("67 01 de ad be ef")
    assert "de ad" not in str(caught.value) and "ca fe" not in str(caught.value)
    assert requests(rig)[-1].outcome.heard == b"\x67\x01"  # type: ignore[union-attr]


def test_other_requests_are_recorded_whole(rig: Rig) -> None:
    rig.port.answers.append(bytes.fromhex("0a 06 62 27 01 de ad be"))
    rig.master.request(bytes.fromhex("22 27 01"))
    (made,) = requests(rig)
    assert made.outcome == Answer(bytes.fromhex("62 27 01 de ad be")) and not made.masked
