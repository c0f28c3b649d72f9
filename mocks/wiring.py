"""Between source and breaker: contactor, capacitors on both sides, discharge, precharge, and the enable chain.

    source -> contactor -> source side (capacitor) -> breaker -> load side (capacitor) -> load

The source delivers only while doors are closed, the emergency stop is not pressed and the watchdog line is fed,
whatever anybody commands: that is hardware. Once it was disabled it stays off until it is switched on again.
Both sides are exponentials from their last change on, in closed form; they are read by the voltmeter and by nothing
else: what current the capacitors could still give is not modelled (see README.md).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from mocks.clock import EventClock
from mocks.plant import Plant

SOURCE_SIDE_FARAD = 20e-6
LOAD_SIDE_FARAD = 10e-6
DISCHARGE_OHM = 5e3
PRECHARGE_OHM = 100.0
_BLEEDER_OHM = 1e6  # across the source side, always there
_LOAD_OHM = 50e3  # across the load side, as in plant.py
_CONTACTOR_NS = 15_000_000  # from coil to contact
_REBOUND_V = 90.0  # what dielectric absorption gives back, by a fault
_REBOUND_AFTER_NS = 1_500_000_000
_REBOUND_S = 0.5
_MAKING_NS = 5_000_000  # from coil to contact, of the making switch
_S = 1e-9
FAULTS = (
    "sense_source_off",
    "sense_load_off",
    "discharge_stuck",
    "discharge_welded",
    "discharge_feedback_open",
    "contactor_welded",
    "source_ignores_off",
    "rebound",
    "precharge_open",
    "switch_shorted",
    "injector_lead_off",
    "bank_discharge_stuck",
    "sense_bank_off",
    "precharge_welded",
    "isolation_low",
    "making_welded",
    "charger_ignores_off",
    "charger_bypassed",
    "enable_bypassed",
    "supply_slow",
)
"""What can be broken on this bench."""


class Wiring:
    """Contacts and capacitors. ``disable_source`` is called when the enable chain opens."""

    def __init__(self, clock: EventClock, plant: Plant, guarded: bool) -> None:
        """``guarded``: the bench has an interlock; without one contactor and enable chain are as good as bridged."""
        self._clock = clock
        self._plant = plant
        self._guarded = guarded
        self.disable_source: Callable[[], None] = lambda: None
        self.disable_charger: Callable[[], None] = lambda: None
        self.doors = [True, True]  # closed, by channel
        self.stop = [True, True]  # not pressed, by channel
        self.arm_button = False
        self.faults: set[str] = set()
        self.relays = {"contactor": not guarded, "discharge": False, "precharge": False, "bypass": False}
        self.relays |= {"pulse": False, "bank_discharge": False}
        self.contactor = not guarded  # the contacts themselves
        self._discharge = False  # the same of the discharge relay, which follows at once
        self._fed_until_ns: int | None = None
        self._asked = (0.0, 0.0, 1.0)  # V, A, V/ns: what the source was told
        self._source_side = _Side(SOURCE_SIDE_FARAD)
        self._load_side = _Side(LOAD_SIDE_FARAD)
        self._was_through = False
        plant.commuted = self._relate

    @property
    def enabled(self) -> bool:
        """Whether the hardware lets the source deliver."""
        closed = (all(self.doors) and all(self.stop)) or "enable_bypassed" in self.faults
        return not self._guarded or (closed and self.fed)

    @property
    def charger_enabled(self) -> bool:
        """Whether the hardware lets the bank's charger deliver: by the same chain, but for a fault."""
        return self.enabled or "charger_bypassed" in self.faults

    @property
    def fed(self) -> bool:
        """Whether the watchdog line is held."""
        return self._fed_until_ns is not None and self._clock.now_ns() < self._fed_until_ns

    @property
    def source_on(self) -> bool:
        """Whether the source delivers a voltage, be it into an open contactor."""
        return self._asked[0] > 0

    def feed(self, hold_ns: int) -> None:
        """The watchdog line is fed now and falls ``hold_ns`` later."""
        self._fed_until_ns = until_ns = self._clock.now_ns() + hold_ns
        self._clock.at(until_ns, lambda: self._starved(until_ns))

    def starve(self) -> None:
        """The watchdog line is let go."""
        self._fed_until_ns = None
        self.looked_at()

    def source(self, volts: float, limit: float, slew: float) -> None:
        """The source is told another voltage (0: off), current limit and slew."""
        if volts == 0 and "source_ignores_off" in self.faults:
            return
        if not self.enabled:
            volts = 0.0
        before, _ = self.true_voltages()
        self._asked = volts, limit, slew
        if self.contactor:
            self._plant.switch_source(volts, limit, slew)
        self._source_side.begin(self._clock.now_ns(), before, 0.0, self._tau(_BLEEDER_OHM, SOURCE_SIDE_FARAD))
        self._relate()

    def relay(self, name: str, closed: bool) -> None:
        """Command a relay; the contactor's contacts follow after their time."""
        self.relays[name] = closed
        if name == "discharge":
            self._discharge = closed or (self._discharge and "discharge_welded" in self.faults)
        elif name == "contactor":
            self._clock.at(self._clock.now_ns() + _CONTACTOR_NS, lambda: self._contacts(closed))
        elif name == "pulse":
            self._clock.at(self._clock.now_ns() + _MAKING_NS, lambda: self._make(closed))
        elif name == "bypass":
            self._plant.bypass(closed)
        elif name == "bank_discharge":
            self._plant.discharge_bank(closed and "bank_discharge_stuck" not in self.faults)
        self._relate()

    def charger(self, volts: float, amperes: float) -> None:
        """The bank's charger is told another voltage (0: off) and its greatest current; the enable chain is its too."""
        if volts == 0 and "charger_ignores_off" in self.faults:
            return
        self._plant.charge_bank(volts if self.charger_enabled else 0.0, amperes)

    @property
    def bank_voltage(self) -> float:
        """The bank's voltage, V."""
        return self._plant.bank.voltage.at(self._clock.now_ns())

    def looked_at(self) -> None:
        """Doors, emergency stop or watchdog line changed: the chain acts at once."""
        if not self.enabled and self._asked[0]:
            self.disable_source()
        if not self.charger_enabled and self._plant.bank.charging:
            self.disable_charger()

    def voltages(self) -> tuple[float, float]:
        """What the voltmeter reads on the source side and on the load side, V."""
        source_side, load_side = self.true_voltages()
        return (
            0.0 if "sense_source_off" in self.faults else source_side,
            0.0 if "sense_load_off" in self.faults else load_side,
        )

    def true_voltages(self) -> tuple[float, float]:
        """The voltage on the source side and on the load side, V."""
        if self._plant.bank.making:
            return self._plant.bank.terminal(), 0.0
        now_ns = self._clock.now_ns()
        source_side = self._tied() if self._held else self._source_side.at(now_ns) + self._rebound(now_ns)
        return source_side, source_side if self._through else self._load_side.at(now_ns)

    @property
    def _through(self) -> bool:
        """Whether the two sides are one; through a resistor that was left in, within milliseconds."""
        return (
            self._plant.conducting
            or self.relays["bypass"]
            or bool({"switch_shorted", "precharge_welded"} & self.faults)
        )

    @property
    def _held(self) -> bool:
        """Whether the source holds the source side; off, it lets go of its terminals and takes no charge away."""
        return self.contactor and self._asked[0] > 0

    def _tied(self) -> float:
        return max(self._plant.terminal_voltage(), 0.0)

    def _starved(self, until_ns: int) -> None:
        if self._fed_until_ns == until_ns:
            self.starve()

    def _make(self, closed: bool) -> None:
        """The making switch's contacts; both sides go on from what the bank left on them."""
        if self.relays["pulse"] is not closed or (not closed and "making_welded" in self.faults):
            return
        source_side, load_side = self.true_voltages()
        self._plant.make(closed)
        self._source_side.begin(self._clock.now_ns(), source_side, 0.0, 1.0)
        self._load_side.begin(self._clock.now_ns(), load_side, 0.0, 1.0)
        self._relate()

    def _contacts(self, closed: bool) -> None:
        if self.relays["contactor"] is not closed or (not closed and "contactor_welded" in self.faults):
            return
        source_side, _ = self.true_voltages()
        self.contactor = closed
        volts, limit, slew = self._asked
        if closed:
            self._plant.switch_source(volts, limit, slew)
        else:
            self._plant.switch_source(0.0, limit, 1.0)
            self._source_side.begin(self._clock.now_ns(), source_side, 0.0, self._tau(_BLEEDER_OHM, SOURCE_SIDE_FARAD))
        self._relate()

    def _relate(self) -> None:
        """Both sides go on from where they are, by what now pulls at them."""
        now_ns = self._clock.now_ns()
        source_side, load_side = self._source_side.at(now_ns), self._load_side.at(now_ns)
        if self._through or self._was_through:
            load_side = self._tied() if self._held else source_side
        self._was_through = self._through
        if self._through:  # one capacitor, with everything that is across it
            alone = 1 / _BLEEDER_OHM + 1 / _LOAD_OHM + 2 * self._discharging / DISCHARGE_OHM
            self._source_side.begin(now_ns, source_side, 0.0, (SOURCE_SIDE_FARAD + LOAD_SIDE_FARAD) / alone)
        else:
            self._source_side.begin(now_ns, source_side, 0.0, self._tau(_BLEEDER_OHM, SOURCE_SIDE_FARAD))
        goal, tau = 0.0, self._tau(_LOAD_OHM, LOAD_SIDE_FARAD)
        if self.relays["precharge"] and "precharge_open" not in self.faults:
            goal, tau = self._goal(), PRECHARGE_OHM * LOAD_SIDE_FARAD
        self._load_side.begin(now_ns, load_side, goal, tau)

    def _goal(self) -> float:
        return self._asked[0] if self._held else self._source_side.at(self._clock.now_ns())

    def _tau(self, always_ohm: float, farad: float) -> float:
        return farad / (1 / always_ohm + self._discharging / DISCHARGE_OHM)

    @property
    def discharge(self) -> bool:
        """What the discharge relay's feedback says: closed."""
        return self._discharge and "discharge_feedback_open" not in self.faults

    @property
    def _discharging(self) -> bool:
        return self._discharge and "discharge_stuck" not in self.faults

    def _rebound(self, now_ns: int) -> float:
        """What comes back on a capacitor that was discharged, later."""
        since_ns = now_ns - self._source_side.since_ns - _REBOUND_AFTER_NS
        if "rebound" not in self.faults or since_ns <= 0:
            return 0.0
        return _REBOUND_V * -math.expm1(-since_ns * _S / _REBOUND_S)


class _Side:
    """A capacitor's voltage from its last change on."""

    def __init__(self, farad: float) -> None:
        self.farad = farad
        self.since_ns = 0
        self._began = self._goal = 0.0
        self._tau = 1.0

    def begin(self, now_ns: int, volts: float, goal: float, tau: float) -> None:
        """Go on from ``volts`` towards ``goal`` with the time constant ``tau`` (s)."""
        self.since_ns, self._began, self._goal, self._tau = now_ns, volts, goal, tau

    def at(self, now_ns: int) -> float:
        """Voltage now."""
        return self._goal + (self._began - self._goal) * math.exp(-(now_ns - self.since_ns) * _S / self._tau)
