"""The bank as a second source of energy: its proof in every combination with both sides, making safe, the watchdog."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast

import pytest

from harness.bench.bank import Bank
from harness.bench.gate import OUTPUTS, Outputs, State
from harness.bench.instrument import InstrumentError, Link
from harness.bench.making_safe import ACTIONS
from harness.bench.proof import TOUCH_LIMIT_V, Reading, Seen, Side, dead_limit, judge_discharge
from harness.bench.safety_spec import BankSpec, DischargeSpec, VoltmeterSpec
from harness.bench.watchdog_acts import Orders, acts

DISCHARGE = DischargeSpec(resistance=1000.0, source_side=100e-6, load_side=50e-6, within=2.0)
METER = VoltmeterSpec("simulated", 1, 2, gain=0.005, offset=0.5)
BANK = BankSpec("simulated", 2e-3, 400.0, 5.0, resistance=100.0, within=2.0, gain=0.002, offset=0.2)
LIMIT = dead_limit(BANK.capacitance)
SEEN = Seen(bank=Side(limit=LIMIT)).then(699.0, 698.0, source=700.0).then_bank(399.0, charged=400.0)
TIMES = [0.02 * k for k in range(81)]

Curve = Callable[[float], float]


def falling(tau: float, began: float, left: float = 0.0) -> Curve:
    return lambda t: left + (began - left) * math.exp(-t / tau)


WAYS: dict[str, Callable[[float, float], Curve]] = {
    "right": falling,
    "stuck": lambda tau, began: lambda t: began,
    "lead off at once": lambda tau, began: lambda t: 0.0,
    "lead off on the way": lambda tau, began: lambda t: falling(tau, began)(t) if t < 0.02 else 0.0,
    "stays at 59 V": lambda tau, began: falling(tau, began, 59.0),
    "too slow": lambda tau, began: falling(5 * tau, began),
}


def judged(source: str, load: str, bank: str, seen: Seen = SEEN) -> tuple[str, ...]:
    source_side, load_side = WAYS[source](0.1, 698.0), WAYS[load](0.05, 697.0)
    of_bank = WAYS[bank](BANK.resistance * BANK.capacitance, 398.0)
    readings = [Reading(t, source_side(t), load_side(t), of_bank(t)) for t in TIMES]
    return judge_discharge(readings, seen, DISCHARGE, METER, BANK).reasons


@pytest.mark.parametrize("ways", list(itertools.product(WAYS, repeat=3)), ids=" | ".join)
def test_of_all_combinations_the_one_in_which_everything_fell_is_proved(ways: tuple[str, str, str]) -> None:
    reasons = judged(*ways)

    for name, way in zip(("source side", "load side", "bank"), ways, strict=True):
        assert any(reason.startswith(f"{name}: ") for reason in reasons) == (way != "right"), (name, reasons)


def test_the_limit_is_that_of_energy_where_the_capacitor_is_large() -> None:
    # 0.2 J (ISO 6469-4:2015 5.2.3): 500 uF reach it at 28.28 V, 2 mF at 14.14 V; 60 V alone prove nothing of it.
    assert dead_limit(500e-6) == pytest.approx(28.28, abs=0.005)
    assert dead_limit(2e-3) == pytest.approx(14.14, abs=0.005)
    assert dead_limit(10e-6) == TOUCH_LIMIT_V


def test_a_bank_below_60_v_that_still_holds_energy_is_not_dead() -> None:
    of_bank = falling(0.2, 398.0, 20.0)
    readings = [Reading(t, falling(0.1, 698.0)(t), falling(0.05, 697.0)(t), of_bank(t)) for t in TIMES]

    assert any("0.2 J is the limit" in why for why in judge_discharge(readings, SEEN, DISCHARGE, METER, BANK).reasons)


@pytest.mark.parametrize("seen", [replace(SEEN, bank=Side(limit=LIMIT)), replace(SEEN, charged=0.0)])
def test_a_bank_whose_channel_never_read_its_charge_is_not_proved(seen: Seen) -> None:
    assert any("bank: this channel has not read" in reason for reason in judged("right", "right", "right", seen))


def test_making_safe_takes_the_bank_away_as_well() -> None:
    names = [action.name for action in ACTIONS if action.dead]

    for earlier, later in itertools.pairwise(
        [
            "source off",
            "bank's charger off",
            "breaker commanded open",
            "bank's making switch open, and what leads past the breaker",
            "bank discharged",
        ]
    ):
        assert names.index(earlier) < names.index(later)
    assert names[-1] == "both sides and the bank proved dead"


class Wires:
    """Interlock and charger as far as the bank needs them; ``said`` is what was switched."""

    def __init__(self, dead: str = "") -> None:
        self.said: list[str] = []
        self.now = 0
        self.on = False
        self._dead = dead
        self._closed: dict[str, str] = {}

    # A clock
    def now_ns(self) -> int:
        return self.now

    def sleep_until(self, at_ns: int) -> None:
        self.now = at_ns

    # An interlock
    def relay(self, name: str, closed: bool) -> None:
        self.said.append(f"{name} {'closed' if closed else 'open'}")

    # A charger
    def configure(self, volts: float, amperes: float) -> None:
        self.said.append(f"{volts:g} V {amperes:g} A")

    def output(self, on: bool) -> None:
        self.on = on

    def off(self) -> None:
        self.on = False
        self.said.append("charger off")

    def voltage(self) -> float:
        return min(self.now / 1e9 * 2500, 400.0)

    # A link of the watchdog
    def write(self, text: str) -> None:
        self.said.append(text)
        if text == self._dead:
            raise InstrumentError(f"no answer to {text}")
        verb, _, line = text.partition(" (@")
        self._closed[line] = "1" if verb == "ROUT:CLOS" else "0"

    def query(self, text: str) -> str:
        return "0" if "?" in text and not text.startswith("ROUT") else self._closed[text.partition("(@")[2]]


def bank_of(wires: Wires, outputs: Outputs) -> Bank:
    fake = cast(Any, wires)
    return Bank(fake, fake, BANK, fake, lambda: outputs)


@pytest.mark.parametrize("state", list(State))
def test_only_an_energised_gate_lets_it_be_charged_or_made(state: State) -> None:
    wires = Wires()
    bank = bank_of(wires, OUTPUTS[state])
    for act in (lambda: bank.charge(400.0, lambda: None), bank.make):
        if state is State.ENERGISED:
            act()
        else:
            with pytest.raises(InstrumentError, match="the gate lets nothing"):
                act()

    energised = ["bank_discharge open", "400 V 5 A", "charger off", "pulse closed"]
    assert wires.said == (energised if state is State.ENERGISED else [])
    assert not wires.on


def test_it_is_charged_no_higher_than_it_stands() -> None:
    with pytest.raises(InstrumentError, match="more than its 400 V"):
        bank_of(Wires(), OUTPUTS[State.ENERGISED]).charge(401.0, lambda: None)


def test_a_charger_that_goes_on_is_noticed_at_once() -> None:
    wires = Wires()
    with pytest.raises(InstrumentError, match=r"charged to 3\d\d V, and 300 V were asked for"):
        bank_of(wires, OUTPUTS[State.ENERGISED]).charge(300.0, lambda: None)

    assert wires.voltage() < 1.1 * 300  # making safe comes next


@pytest.mark.parametrize(
    ("volts", "why"), [(13.8, None), (14.1, "the bank reads 14 V"), (-14.1, "the bank reads -14 V")]
)
def test_a_bank_that_nobody_charged_is_live_by_what_it_still_holds(volts: float, why: str | None) -> None:
    assert bank_of(Wires(), OUTPUTS[State.SAFE]).live(volts) == why


BANK_ORDERS = Orders(
    5, 1, 2, breaking_current=20.0, maximum_wait=0.1, making_relay=6, bank_discharge_relay=7, past_relays=(3, 4)
)
ALL_ACTS = [
    "hardware line let go", "source off", "bank's charger off", "contactor open", "making switch open",
    "relay 3 past the breaker open", "relay 4 past the breaker open", "discharge on", "bank's discharge on",
]  # fmt: skip


@pytest.mark.parametrize(
    "dead",
    [
        "",
        "ROUT:OPEN (@5)",
        "OUTP OFF",
        "ROUT:OPEN (@1)",
        "ROUT:OPEN (@6)",
        "ROUT:OPEN (@3)",
        "ROUT:OPEN (@4)",
        "ROUT:CLOS (@2)",
        "ROUT:CLOS (@7)",
    ],
)
def test_the_watchdog_takes_the_bank_away_whatever_fails_before(dead: str) -> None:
    interlock, source, charger = Wires(dead), Wires(dead), Wires()
    links = cast(tuple[Link, Link, Link], (interlock, source, charger))
    done = [act for act in acts(links[0], links[1], BANK_ORDERS, lambda: 0, links[2]) if act is not None]

    assert [act.name for act in done] == ALL_ACTS
    assert charger.said == ["OUTP OFF"]
    assert interlock.said == [
        "ROUT:OPEN (@5)", "ROUT:OPEN (@1)", "ROUT:OPEN (@6)", "ROUT:OPEN (@3)", "ROUT:OPEN (@4)", "ROUT:CLOS (@2)",
        "ROUT:CLOS (@7)",
    ]  # fmt: skip
    assert [act.name for act in done if act.problem] == ([] if not dead else [failing(dead)])


def failing(dead: str) -> str:
    return {
        "ROUT:OPEN (@5)": ALL_ACTS[0],
        "OUTP OFF": ALL_ACTS[1],
        "ROUT:OPEN (@1)": ALL_ACTS[3],
        "ROUT:OPEN (@6)": ALL_ACTS[4],
        "ROUT:OPEN (@3)": ALL_ACTS[5],
        "ROUT:OPEN (@4)": ALL_ACTS[6],
        "ROUT:CLOS (@2)": ALL_ACTS[7],
        "ROUT:CLOS (@7)": ALL_ACTS[8],
    }[dead]
