"""The high-voltage side of a bench at 50 V: energise, look, take away. It never goes above that.

    source -> contactor -> source side -> precharge relay across the breaker -> load side
    charger -> bank -> making switch (relay `pulse`) -> source side

50 V d.c. lie below 60 V, the limit of voltage class A (ISO 6469-3:2021 clause 3), so nobody has to confirm more than
that it may begin. The source's own range is narrowed to it, and the charger's to what shows how the bank falls: what is
above is refused before it is sent.
The hardware watchdog line is fed from here while something is on, except where the watchdog process is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import TypeVar

from harness.bench.bank import RELAYS
from harness.bench.instrument import CurrentStimulus, Instrument, InstrumentError, PowerSupply, SignalSource
from harness.bench.interlock import InterlockUnit, Voltmeter
from harness.bench.proof import TOUCH_LIMIT_V, dead_limit
from harness.bench.ranges import Range
from harness.bench.safety_spec import DischargeSpec, VoltmeterSpec
from harness.clock import MS, S
from harness.inspection.opened import Opened

T = TypeVar("T")

VOLTS = 50.0
"""The most that an inspection puts on a bench."""
AMPERES = 1.0
"""The most that its source, or the bank's charger, may give then."""
LOOK_NS = 5 * MS  # between readings of a voltage that changes
FEEDBACK_NS = 200 * MS  # a contactor's auxiliary contact has followed by then; common practice, no source
RISE_NS = 2 * S  # a source that is not up by then will not come
GONE = 0.9
"""Of the voltage that was there: below this share it is falling, and what fed it is gone."""
DISCHARGE_FIX = "discharge: see its relay and resistors, the sense leads, and what the file says of the capacitors"
_BANK_SHOWS = 3.0  # times the voltage at which it is dead: from there its fall is seen, and 1.8 J are in it at most
_FEEDS = 8  # times that the line is fed within its hold time


class AtFault(InstrumentError):
    """The bench did not follow, and ``fix`` says where to look."""

    def __init__(self, found: str, fix: str) -> None:
        super().__init__(found)
        self.fix = fix


class Rig:
    """Instruments by role, and the order in which they go on and off."""

    def __init__(self, bench: Opened) -> None:
        self.bench = bench
        self.spec = bench.spec
        self.clock = bench.clock
        self._on = False  # something is, or is going to be
        self._opening: str | None = None  # of Interlock: what a person opens meanwhile
        self._feeding = False
        self._fed_ns = 0
        self.hold_ns = 0 if bench.spec.interlock is None else round(bench.spec.interlock.watchdog_hold * S)
        self.volts = VOLTS if bench.spec.source is None else min(VOLTS, bench.spec.source.voltage)
        self.bank_in_doubt = False  # charged from here, and not seen to fall since
        self._narrow()

    def _narrow(self) -> None:
        """Nothing but source and charger gives anything, and these no more than 50 V and 1 A."""
        nothing = Range(0.0, 0.0)
        for role, instrument in self.bench.instruments.items():
            if role == "source":
                highest = AMPERES if self.spec.source is None else min(AMPERES, self.spec.source.current)
                instrument.ranges = {"SOUR:VOLT": Range(0.0, self.volts), "SOUR:CURR": Range(0.0, highest)}
            elif role == "bank" and self.bank_volts:
                assert self.spec.bank is not None
                highest = min(AMPERES, self.spec.bank.current)
                instrument.ranges = {"SOUR:VOLT": Range(0.0, self.bank_volts), "SOUR:CURR": Range(0.0, highest)}
            elif role in ("bank", "load", "injector"):
                instrument.ranges = {"SOUR:VOLT": nothing, "SOUR:CURR": nothing, "SOUR:LIST:CURR": nothing}

    def role(self, name: str, kind: type[T]) -> T:
        """The instrument of a role that answered."""
        instrument = self.bench.instruments[name]
        assert isinstance(instrument, kind)
        return instrument

    @property
    def interlock(self) -> InterlockUnit:
        """Inputs and relays."""
        return self.role("interlock", InterlockUnit)

    @property
    def source(self) -> PowerSupply:
        """The high-voltage source."""
        return self.role("source", PowerSupply)

    @property
    def discharge(self) -> DischargeSpec:
        """As the bench declares it."""
        assert self.spec.discharge is not None
        return self.spec.discharge

    @property
    def error(self) -> float:
        """Limit of error of a reading of up to 50 V, V."""
        meter = self.spec.voltmeter
        assert isinstance(meter, VoltmeterSpec)
        return meter.gain * self.volts + meter.offset

    @property
    def bank_volts(self) -> float:
        """What the bank is charged to, V; 0 where the bench has none, or not what makes and discharges it."""
        bank, lock = self.spec.bank, self.spec.interlock
        if bank is None or lock is None or not set(RELAYS) <= set(lock.relays):
            return 0.0
        return min(VOLTS, bank.voltage, _BANK_SHOWS * dead_limit(bank.capacitance))

    @property
    def now_ns(self) -> int:
        """The bench's clock."""
        return self.clock.now_ns()

    # Looking

    def both(self) -> tuple[float, float]:
        """Source side and load side, V. Raises InstrumentError where a side reads what nobody put there."""
        both = self.role("voltmeter", Voltmeter).both()
        if abs(most := max(both, key=abs)) >= TOUCH_LIMIT_V:
            raise InstrumentError(f"a side reads {most:.0f} V, and no more than {self.volts:g} V were put on it")
        return both

    def most(self) -> float:
        """The greater of both sides, V, whichever way round its leads are."""
        return max(map(abs, self.both()))

    def wait(self, true: Callable[[], bool], at_most_ns: int, look_ns: int = LOOK_NS) -> float | None:
        """Seconds until ``true``; None where it did not come within its time. The line is fed meanwhile.

        Raises AtFault where the interlock opens while something is on: what comes of that is nobody else's doing.
        """
        began_ns = self.now_ns
        while True:
            came, at_ns = true(), self.now_ns
            if self._on:
                self.closed()
            if came:
                return (at_ns - began_ns) / S
            if at_ns - began_ns >= at_most_ns:
                return None
            self.sleep(look_ns)

    def sleep(self, duration_ns: int) -> None:
        """Wait, and feed the line where it is to be fed."""
        end_ns = self.now_ns + duration_ns
        while True:
            if self._feeding and self.now_ns - self._fed_ns >= self.hold_ns // _FEEDS:
                self.interlock.feed(True)
                self._fed_ns = self.now_ns
            if self.now_ns >= end_ns:
                return
            slice_ns = self.hold_ns // _FEEDS if self._feeding else duration_ns
            self.clock.sleep_until(min(end_ns, self.now_ns + max(slice_ns, MS)))

    # On and off

    def feed(self, on: bool) -> None:
        """Begin or cease to feed the hardware watchdog line; it falls by itself after its hold time."""
        self._feeding = on
        if on:
            self.interlock.feed(True)
            self._fed_ns = self.now_ns

    @contextmanager
    def guarded(self, fed: bool = True) -> Iterator[None]:
        """Both sides are dead, and something goes on: the interlock has to stay closed. Off again however it ends.

        ``fed``: the line is fed from here. Raises InstrumentError.
        """
        try:
            self.closed()
            within_s = self.discharge.within
            if self.wait(lambda: self.most() < self.volts / 10, round(within_s * S)) is None:
                source_side, load_side = self.both()
                found = f"{source_side:.1f} V and {load_side:.1f} V are left {within_s:g} s after the discharge came on"
                raise AtFault(found, DISCHARGE_FIX)
            self._on = True
            if fed:
                self.feed(True)
            yield
        finally:
            self.off()

    @contextmanager
    def opening(self, thing: str) -> Iterator[None]:
        """Meanwhile a person opens ``thing``, a field of Interlock; everything else has to stay closed."""
        self._opening = thing
        try:
            yield
        finally:
            self._opening = None

    @contextmanager
    def energised(self, discharging: bool, fed: bool = True) -> Iterator[None]:
        """50 V on the source side, see guarded. ``discharging``: with the resistors on all along.

        Raises InstrumentError where it does not come.
        """
        with self.guarded(fed):
            self._energise(discharging)
            yield

    def _energise(self, discharging: bool) -> None:
        self.interlock.relay("discharge", discharging)
        self.interlock.relay("contactor", True)
        if self.wait(lambda: self.interlock.inputs().contactor, FEEDBACK_NS) is None:
            raise AtFault("the contactor's feedback does not say that it closed", "contactor: coil, supply, feedback")
        self.source.configure(self.volts, min(AMPERES, self.source.ranges["SOUR:CURR"].highest))
        self.source.output(True)
        if self.wait(lambda: self.both()[0] >= GONE * self.volts, RISE_NS) is None:
            own, read = self.source.voltage(), self.both()[0]
            there = own >= GONE * self.volts
            fix = (
                "source side: see its sense lead and the contactor" if there else "source: see its enable input, wires"
            )
            raise AtFault(f"the source says {own:.1f} V, and the source side reads {read:.1f} V", fix)

    def closed(self) -> None:
        """Raises AtFault where the interlock is open, but for what a person opens just now."""
        found = self.interlock.inputs().interlock
        if self._opening is not None:
            found = replace(found, **{self._opening: True})
        if problem := found.problem:
            raise AtFault(problem, "interlock: put it in order and begin again")

    def off(self) -> list[str]:
        """Everything off, contactor open, resistors on, line let go; each tried whatever came of the one before."""
        self._on = self._feeding = False
        problems: list[str] = []
        self._outputs_off([role for role in self.bench.instruments if role != "supply_12v"], problems)
        if "interlock" in self.bench.instruments:
            lock = self.interlock
            if self.hold_ns:
                self._try("watchdog line", partial(lock.feed, False), problems)
            for relay in filter(lock.has, ("precharge", "bypass", "pulse", "contactor")):
                self._try(relay, partial(lock.relay, relay, False), problems)
            for relay in filter(lock.has, ("discharge", "bank_discharge")):
                self._try(relay, partial(lock.relay, relay, True), problems)
        self._outputs_off([role for role in self.bench.instruments if role == "supply_12v"], problems)
        return problems

    def _outputs_off(self, roles: list[str], problems: list[str]) -> None:
        for role in roles:
            instrument = self.bench.instruments[role]
            if isinstance(instrument, PowerSupply | CurrentStimulus | SignalSource):
                self._try(role, instrument.off, problems)

    @staticmethod
    def _try(name: str, act: Callable[[], None], problems: list[str]) -> None:
        try:
            act()
        except Exception as error:  # whatever it is, the next one must be tried
            problems.append(f"{name}: {str(error) or type(error).__name__}")

    def instrument(self, role: str) -> Instrument:
        """Whatever ``role`` is."""
        return self.bench.instruments[role]
