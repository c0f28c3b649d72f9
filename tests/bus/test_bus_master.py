"""The master on a port of the test's own: schedules, frames, requests, sessions."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from itertools import pairwise

import pytest
from bus_rig import COMMAND, HEADER_NS, REQUEST, RESPONSE, STATUS, STATUS_PAYLOAD, Rig

from harness.bus.master import NoAnswer, Refused, Unanswered
from harness.bus.traffic import RequestMade, Run
from harness.clock import MS, S
from protocol.decoder import BusEvent, FaultKind, FrameReceived, NoResponse, WireFault
from protocol.exchange import Answer


@pytest.fixture
def rig() -> Rig:
    return Rig()


# Schedules


def test_slots_lie_on_absolute_instants(rig: Rig) -> None:
    rig.master.run_until(1 * S, "normal")
    assert rig.port.instants(COMMAND) == [n * 20 * MS for n in range(50)]
    assert rig.port.instants(STATUS) == [n * 20 * MS + 10 * MS for n in range(50)]
    assert rig.clock.ns == 1 * S
    assert rig.master.statistics.frames == 100


def test_pieces_of_a_run_make_the_same_slots_as_one(rig: Rig) -> None:
    for piece in range(1, 41):
        rig.master.run_until(piece * 137 * MS, "slow")
    whole = Rig()
    whole.master.run_until(40 * 137 * MS, "slow")
    assert rig.port.sent == whole.port.sent
    assert len(whole.port.sent) == 6


def test_a_slot_that_takes_too_long_leaves_out_the_next_ones_and_nothing_drifts(rig: Rig) -> None:
    rig.port.extra_ns = 14 * MS  # a command then takes 17.33 ms, a status frame 20.46 ms, in slots of 10 ms
    rig.master.run_until(95 * MS, "normal")
    # Slots 0, 10, 30, 50, 70, 90 ms are used, each as soon as the frame before it is over; the others are left out.
    starts = [0, 17_333_332, 37_791_662, 55_124_994, 75_583_324, 92_916_656]
    assert [at for at, _, _ in rig.port.sent] == starts
    assert rig.master.statistics.lateness.missed == 5
    assert rig.master.statistics.lateness.worst_ns == 37_791_662 - 30 * MS
    rig.port.extra_ns = 0
    rig.master.run_until(300 * MS, "normal")
    assert [at % (10 * MS) for at, _, _ in rig.port.sent][-10:] == [0] * 10


def test_the_last_payload_of_each_frame_is_kept(rig: Rig) -> None:
    rig.master.run_until(35 * MS, "normal")
    payload, end_ns = rig.master.latest["HeaterStatus"]
    assert payload == STATUS_PAYLOAD
    assert end_ns == 30 * MS + HEADER_NS + 9 * 520_833
    assert rig.master.latest["HeaterCommand"][0] == b"\xfc\xff"


# Frames


def test_poll_gives_raw_signals(rig: Rig) -> None:
    # 08 00 40 1f: state 0, switch 1 (bit 3), cause 0, current 0x1f40 = 8000, which is 0 A by the LDF
    raw = rig.master.poll("HeaterStatus")
    assert (raw["HtrState"], raw["HtrSwitch"], raw["HtrCause"], raw["HtrCurrent"]) == (0, 1, 0, 8000)


def test_what_else_is_heard_is_not_taken_for_the_outcome(rig: Rig) -> None:
    strays: list[BusEvent] = [
        WireFault(FaultKind.SURPLUS, None, b"\x07", 0, MS),
        NoResponse(0x23, 0, 2 * MS),
        FrameReceived(STATUS, bytes(8), -8 * MS, -1 * MS),  # of a header before this one
    ]
    rig.port.stray(strays)
    assert rig.master.poll("HeaterStatus")["HtrCurrent"] == 8000
    assert rig.master.statistics.retries == 0
    assert rig.master.statistics.faults[FaultKind.SURPLUS] == 1


def test_poll_asks_again_and_then_gives_up(rig: Rig) -> None:
    rig.port.trouble[STATUS] = deque(["silent", "short"])
    assert rig.master.poll("HeaterStatus")["HtrCurrent"] == 8000
    assert rig.master.statistics.retries == 2
    rig.port.trouble[STATUS] = deque(["silent", "short", "lost"])
    with pytest.raises(NoAnswer, match="no response") as caught:
        rig.master.poll("HeaterStatus")
    assert len(caught.value.heard) == 3
    assert not caught.value.echo_lost
    assert (rig.master.statistics.no_response, rig.master.statistics.no_echo) == (2, 1)


def test_a_wire_that_gives_nothing_back_is_told_from_a_silent_node(rig: Rig) -> None:
    rig.port.trouble[STATUS] = deque(["lost"] * 3)
    with pytest.raises(NoAnswer, match="did not come back") as caught:
        rig.master.poll("HeaterStatus")
    assert caught.value.echo_lost


def test_a_command_goes_out_at_once_and_stays_in_the_schedule(rig: Rig) -> None:
    end_ns = rig.master.send_command("close")
    assert end_ns == HEADER_NS + 3 * 520_833
    rig.master.run_until(3 * S, "slow")
    # HtrCommand 2 in bits 0 and 1, all other bits recessive
    payloads = [payload for _, frame_id, payload in rig.port.sent if frame_id == COMMAND]
    assert payloads == [b"\xfe\xff"] * 3


def test_a_command_that_does_not_come_back_is_an_error(rig: Rig) -> None:
    rig.port.trouble[COMMAND] = deque(["lost"] * 3)
    with pytest.raises(NoAnswer, match="HeaterCommand"):
        rig.master.send_command("open")


def test_an_unknown_command_changes_nothing(rig: Rig) -> None:
    with pytest.raises(KeyError):
        rig.master.send_command("explode")
    rig.master.send_command("none")
    assert rig.port.sent[-1][2] == b"\xfc\xff"


# Diagnostics


def test_a_request_takes_a_slot_for_each_pdu(rig: Rig) -> None:
    # request 22 F1 89; answer of 8 bytes in two PDUs, laid out by hand after LIN 2.1 §3.2.1
    rig.port.answers.extend(map(bytes.fromhex, ("0a 10 08 62 f1 89 31 2e", "0a 21 34 2e 32 ff ff ff")))
    assert rig.master.request(bytes.fromhex("22 f1 89")) == bytes.fromhex("62 f1 89 31 2e 34 2e 32")
    assert [(at, frame_id) for at, frame_id, _ in rig.port.sent] == [
        (0, REQUEST),
        (10 * MS, RESPONSE),
        (20 * MS, RESPONSE),
    ]
    assert rig.port.sent[0][2] == bytes.fromhex("0a 03 22 f1 89 ff ff ff")


def test_another_address_may_be_asked(rig: Rig) -> None:
    rig.port.answers.append(bytes.fromhex("0b 02 7e 00 ff ff ff ff"))
    assert rig.master.request(b"\x3e\x00", nad=0x0B) == b"\x7e\x00"
    assert rig.port.sent[0][2] == bytes.fromhex("0b 02 3e 00 ff ff ff ff")


def test_a_refusal_carries_its_code(rig: Rig) -> None:
    rig.port.answers.append(bytes.fromhex("0a 03 7f 2e 31 ff ff ff"))
    with pytest.raises(Refused, match="request_out_of_range") as caught:
        rig.master.request(bytes.fromhex("2e 01 01 ff ff"))
    assert caught.value.response.code == 0x31


def test_response_pending_is_waited_out(rig: Rig) -> None:
    pending = bytes.fromhex("0a 03 7f 14 78 ff ff ff")
    rig.port.answers.extend([pending, *[None] * 40, pending, bytes.fromhex("0a 01 54 ff ff ff ff ff")])
    assert rig.master.request(bytes.fromhex("14 ff ff ff")) == b"\x54"
    assert len(rig.port.instants(RESPONSE)) == 43


def test_a_silent_node_is_given_up_after_p2_and_not_asked_again(rig: Rig) -> None:
    with pytest.raises(Unanswered, match="P2"):
        rig.master.request(b"\x3e\x00")
    assert len(rig.port.instants(REQUEST)) == 1
    assert 50 * MS < rig.clock.ns < 90 * MS


def test_a_request_that_was_not_heard_back_is_not_sent_twice(rig: Rig) -> None:
    rig.port.trouble[REQUEST] = deque(["short"])
    with pytest.raises(Unanswered, match="did not come back whole"):
        rig.master.request(bytes.fromhex("11 01"))
    assert [frame_id for _, frame_id, _ in rig.port.sent] == [REQUEST]


def test_an_answer_to_something_else_is_shown(rig: Rig) -> None:
    rig.port.answers.append(bytes.fromhex("0a 02 7e 00 ff ff ff ff"))
    with pytest.raises(Unanswered) as caught:
        rig.master.request(bytes.fromhex("22 f1 89"))
    assert caught.value.heard == b"\x7e\x00"


# Sessions

PRESENT = bytes.fromhex("0a 02 3e 80 ff ff ff ff")


def presences(rig: Rig) -> list[int]:
    return [at for at, _, payload in rig.port.sent if payload == PRESENT]


@pytest.mark.parametrize("schedule", ["slow", "normal"])
def test_an_open_session_is_kept_as_long_as_the_bus_runs(rig: Rig, schedule: str) -> None:
    rig.open_session()
    begun = rig.clock.ns
    rig.master.run_until(60 * S, schedule)
    instants = [begun, *presences(rig), 60 * S]
    gaps = [later - earlier for earlier, later in pairwise(instants)]
    assert max(gaps) < 3 * S  # S3 is 5 s
    assert len(gaps) < 35
    assert rig.master.statistics.lateness.worst_ns == 0
    ends_ns = rig.master.session_ends_ns
    assert ends_ns is not None and ends_ns > 62 * S


def test_no_session_no_tester_present(rig: Rig) -> None:
    rig.master.run_until(20 * S, "slow")
    assert presences(rig) == []
    assert rig.master.session_ends_ns is None


def test_a_session_that_nobody_kept_is_known_to_be_over(rig: Rig) -> None:
    rig.open_session()
    open_until = rig.master.session_ends_ns
    rig.clock.ns += 5 * S
    assert open_until is not None
    assert rig.master.session_ends_ns is None
    rig.master.run_until(rig.clock.ns + 10 * S, "slow")
    assert presences(rig) == []


END_OF_SESSION: list[tuple[str, Callable[[Rig], None]]] = [
    ("default session", lambda rig: _ask(rig, "10 01", "0a 06 50 01 00 32 00 c8")),
    ("default session, no answer wanted", lambda rig: _ask(rig, "10 81", None)),
    ("reset", lambda rig: _ask(rig, "11 01", "0a 02 51 01 ff ff ff ff")),
    ("supply", lambda rig: rig.master.forget_session()),
]


def _ask(rig: Rig, request: str, pdu: str | None) -> None:
    if pdu is not None:
        rig.port.answers.append(bytes.fromhex(pdu))
    rig.master.request(bytes.fromhex(request))


@pytest.mark.parametrize("end", [end for _, end in END_OF_SESSION], ids=[name for name, _ in END_OF_SESSION])
def test_what_ends_a_session(rig: Rig, end: Callable[[Rig], None]) -> None:
    rig.open_session()
    open_until = rig.master.session_ends_ns
    end(rig)
    assert open_until is not None
    assert rig.master.session_ends_ns is None


def test_every_request_served_restarts_s3_refused_ones_too(rig: Rig) -> None:
    rig.open_session()
    first = rig.master.session_ends_ns
    rig.master.run_until(rig.clock.ns + 1 * S)
    rig.port.answers.append(bytes.fromhex("0a 03 7f 2e 31 ff ff ff"))
    with pytest.raises(Refused):
        rig.master.request(bytes.fromhex("2e 01 01 ff ff"))
    second = rig.master.session_ends_ns
    assert first is not None and second is not None
    assert second - first > 1 * S


# The observer


def test_the_observer_gets_runs_and_requests(rig: Rig) -> None:
    rig.master.run_until(100 * MS, "normal")
    rig.port.answers.append(bytes.fromhex("0a 02 7e 00 ff ff ff ff"))
    rig.master.request(b"\x3e\x00")
    rig.master.flush()
    requests = [seen for seen in rig.seen if isinstance(seen, RequestMade)]
    assert [(made.request, made.outcome) for made in requests] == [(b"\x3e\x00", Answer(b"\x7e\x00"))]
    counts = {run.event.frame_id: run.count for run in rig.seen if isinstance(run, Run)}
    assert counts == {COMMAND: 5, STATUS: 5, REQUEST: 1, RESPONSE: 1}
