"""The capacitor bank of short-circuit shots: charger, discharge resistor, making switch, fault loop.

    charger -> bank (capacitor, freewheeling diode) -> making switch -> R, L -> source side -> breaker or bypass -> back

The making switch has two poles: it connects bank and source side, and the load side to the bank's return. What flows
is worked out in small steps (midpoint rule) from where it is at the last change on, and kept as straight pieces.
"""

from __future__ import annotations

import math

from mocks.clock import EventClock
from mocks.track import Track

FARAD = 2e-3
HENRY = 20e-6
OHM = 20e-3  # without the breaker
DISCHARGE_OHM = 100.0
_STEPS = ((60_000, 500), (400_000, 2_000), (30_000_000, 10_000))  # ns: until when, and how fine
_FALL_NS = 100  # step while the breaker's clamp drives the current down
_GONE = 1e-2  # A, the diode's current is over
_PIECES = 60  # of the discharge, in one time constant
_CONSTANTS = 9  # time constants until nothing is left
_S = 1e-9

Points = list[tuple[int, float]]


class Bank:
    """Voltage of the bank and current of the loop as tracks. Every method acts at the clock's instant."""

    def __init__(self, clock: EventClock) -> None:
        self._clock = clock
        self.voltage = Track()
        self.current = Track()
        self.inductance, self.resistance = HENRY, OHM
        self.making = False
        self._charger = (0.0, 0.0)  # V, A
        self._discharging = False
        self._path: float | None = None  # ohm of what closes the loop; None: nothing does

    @property
    def charging(self) -> bool:
        """The charger's output is on."""
        return self._charger[0] > 0

    def terminal(self) -> float:
        """Voltage on the source side while the making switch is closed."""
        now_ns = self._clock.now_ns()
        return self.voltage.at(now_ns) if self._path is None else self.current.at(now_ns) * self._path

    def charge(self, volts: float, amperes: float) -> None:
        """The charger goes for ``volts`` (0: off) with at most ``amperes``."""
        self._charger = volts, amperes
        self._rest()

    def discharge(self, on: bool) -> None:
        """The resistor across the bank."""
        self._discharging = on
        self._rest()

    def make(self, on: bool) -> None:
        """The making switch; opening, it ends the current at once."""
        self.making = on
        if on:
            self._flow(0.0)
        else:
            now_ns = self._clock.now_ns()
            self.current.set(now_ns, 0.0)
            self.voltage.set(now_ns, self.voltage.at(now_ns))
            self._rest()

    def close_path(self, ohm: float | None, clamp: float) -> int | None:
        """The loop is closed by ``ohm``, or opened: ``clamp`` (V) then drives the current down.

        When it is gone is returned, None where none flowed.
        """
        flowing = self.current.at(self._clock.now_ns()) > 0
        self._path = ohm
        if not self.making:
            return None
        return self._flow(0.0 if ohm is not None else clamp) if ohm is not None or flowing else None

    def _rest(self) -> None:
        """Without a shot: discharged, charged, or kept as it is."""
        now_ns = self._clock.now_ns()
        if self.current.at(now_ns) > 0:
            return  # while a shot is on, neither charger nor resistor counts
        volts, (goal, amperes) = self.voltage.at(now_ns), self._charger
        held = goal > 0 and amperes * DISCHARGE_OHM >= goal  # a charger that stays on feeds the resistor as well
        if self._discharging and volts > 0 and not held:
            piece_ns = round(DISCHARGE_OHM * FARAD / _S / _PIECES)
            last = _PIECES * _CONSTANTS
            points = [(now_ns + k * piece_ns, volts * math.exp(-k / _PIECES)) for k in range(1, last)]
            self.voltage.follow(now_ns, [*points, (now_ns + last * piece_ns, 0.0)])
        elif goal > volts and amperes > 0:
            self.voltage.ramp(now_ns, goal, amperes / FARAD * _S)
        else:
            self.voltage.set(now_ns, volts)

    def _flow(self, counter: float) -> int:
        """The loop's current from now on, against ``counter`` volts; returns when it is gone."""
        now_ns = self._clock.now_ns()
        amperes, volts = self.current.at(now_ns), self.voltage.at(now_ns)
        currents: Points = []
        voltages: Points = []
        at_ns = 0
        ohm = self.resistance + (self._path or 0.0)
        while self._path is not None or amperes > 0:
            step_ns = _FALL_NS if counter else next((fine for end, fine in _STEPS if at_ns < end), 0)
            if not step_ns or (volts == 0 and amperes < _GONE):
                break
            step = step_ns * _S
            middle = amperes + (volts - ohm * amperes - counter) / self.inductance * step / 2
            between = volts - amperes / FARAD * step / 2
            before = amperes
            amperes += (max(between, 0.0) - ohm * middle - counter) / self.inductance * step
            if amperes <= 0:
                step_ns = max(1, round(step_ns * before / (before - amperes)))
                amperes = 0.0
            volts = max(volts - middle / FARAD * step, 0.0)  # the diode takes the current over at zero
            at_ns += step_ns
            currents.append((now_ns + at_ns, amperes))
            voltages.append((now_ns + at_ns, volts))
        self.current.follow(now_ns, [*currents, (now_ns + at_ns + 1, 0.0)] if currents else [])
        self.voltage.follow(now_ns, voltages)
        return now_ns + at_ns
