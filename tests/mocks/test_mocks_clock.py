"""Event clock: order, time that only moves on demand, events made on the way."""

import pytest

from harness.clock import Clock
from mocks.clock import EventClock


def plain() -> EventClock:
    return EventClock(lambda stop_ns: stop_ns)


def test_is_a_clock_of_the_harness():
    clock: Clock = plain()

    clock.sleep_until(5)

    assert clock.now_ns() == 5


def test_sleep_runs_events_in_order_at_their_instants():
    clock = plain()
    seen: list[tuple[str, int]] = []
    for name, instant in (("c", 30), ("a", 10), ("b", 10), ("late", 41)):
        clock.at(instant, lambda name=name: seen.append((name, clock.now_ns())))

    clock.sleep_until(40)

    assert seen == [("a", 10), ("b", 10), ("c", 30)]
    assert clock.now_ns() == 40
    assert clock.next_ns == 41


def test_step_runs_one_event_then_says_there_is_none():
    clock = plain()
    seen: list[int] = []
    clock.at(10, lambda: seen.append(1))
    clock.at(10, lambda: seen.append(2))

    steps = [(clock.step(20), clock.now_ns(), len(seen)) for _ in range(3)]

    assert steps == [(True, 10, 1), (True, 10, 2), (False, 20, 2)]


def test_time_never_falls():
    clock = plain()
    clock.sleep_until(100)
    seen: list[int] = []
    clock.at(50, lambda: seen.append(clock.now_ns()))

    clock.sleep_until(20)

    assert clock.now_ns() == 100
    assert seen == [100]


def test_event_made_while_the_world_moves_comes_in_its_place():
    """The world stops at 30 and asks for an event at 35, long before the one that was being waited for."""
    seen: list[int] = []

    def move(stop_ns: int) -> int:
        if clock.instant_ns < 30 <= stop_ns:
            clock.instant_ns = 30
            clock.at(35, lambda: seen.append(clock.now_ns()))
            return 30
        return stop_ns

    clock = EventClock(move)
    clock.at(100, lambda: seen.append(clock.now_ns()))

    clock.sleep_until(200)

    assert seen == [35, 100]


@pytest.mark.parametrize("chain", [1, 5])
def test_event_may_ask_for_the_next(chain: int):
    clock = plain()
    seen: list[int] = []

    def tick() -> None:
        seen.append(clock.now_ns())
        if len(seen) < chain:
            clock.at(clock.now_ns() + 7, tick)

    clock.at(7, tick)

    clock.sleep_until(1000)

    assert seen == [7 * number for number in range(1, chain + 1)]
