"""The bench's instruments as SCPI-speaking models: 12 V supply, high-voltage source, load, injector.

They act at the clock's instant and know the plant only. What they measure they read back exactly; what they set has the
errors of ``Limits``. The recorder is in mocks/recorder.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mocks.clock import EventClock
from mocks.scpi import Command, ScpiInstrument, boolean, number

_NS = 1e-9  # s


@dataclass(frozen=True)
class Limits:
    """What an instrument can do, and the error of the current that it gives: I * (1 + gain) + offset."""

    lowest: float  # A
    highest: float  # A
    slew: float  # A/s, its fastest
    gain: float = 0.0
    offset: float = 0.0  # A


class PowerSupply:
    """A d.c. supply. ``apply`` takes voltage (0 while off) and current limit, the two ``measure`` V and A."""

    def __init__(
        self,
        identity: str,
        highest: tuple[float, float],
        apply: Callable[[float, float], None],
        measure_voltage: Callable[[], float],
        measure_current: Callable[[], float],
    ) -> None:
        self._apply = apply
        self._voltage = 0.0
        self._current = 0.0
        self._on = False
        volts, amperes = highest
        self.scpi = ScpiInstrument(
            identity,
            self._reset,
            {
                "[SOURce:]VOLTage": ((number(0, volts),), self._set_voltage),
                "[SOURce:]VOLTage?": ((), lambda: shown(self._voltage)),
                "[SOURce:]CURRent": ((number(0, amperes),), self._set_current),
                "[SOURce:]CURRent?": ((), lambda: shown(self._current)),
                "OUTPut[:STATe]": ((boolean,), self._switch),
                "OUTPut[:STATe]?": ((), lambda: str(int(self._on))),
                "MEASure:VOLTage?": ((), lambda: shown(measure_voltage())),
                "MEASure:CURRent?": ((), lambda: shown(measure_current())),
            },
        )

    def _reset(self) -> None:
        self._voltage = self._current = 0.0
        self._switch(False)

    def _set_voltage(self, voltage: float) -> None:
        self._voltage = voltage
        self._switch(self._on)

    def _set_current(self, current: float) -> None:
        self._current = current
        self._switch(self._on)

    def _switch(self, on: bool) -> None:
        self._on = on
        self._apply(self._voltage if on else 0.0, self._current)


class CurrentStimulus:
    """A current with a slew and a cut-off of its own: injector (OUTPut) or electronic load (INPut).

    ``apply`` takes current (0 while off) and slew, A and A/ns. The cut-off counts from ON; ON again starts it anew.
    """

    def __init__(
        self,
        identity: str,
        switch: str,
        limits: Limits,
        clock: EventClock,
        apply: Callable[[float, float], None],
        measure: dict[str, Callable[[], float]],
    ) -> None:
        """``switch`` is the header that switches it, ``measure`` holds readings by their header."""
        self._clock = clock
        self._apply = apply
        self._limits = limits
        self._current = 0.0
        self._slew = limits.slew
        self._width = 0.0  # s, 0: none
        self._on = False
        self._switched = 0  # how often, so that an old cut-off is known as such
        readings: dict[str, Command] = {
            header: ((), lambda reading=reading: shown(reading())) for header, reading in measure.items()
        }
        self.scpi = ScpiInstrument(
            identity,
            self._reset,
            {
                "[SOURce:]CURRent": ((number(limits.lowest, limits.highest),), self._set_current),
                "[SOURce:]CURRent?": ((), lambda: shown(self._current)),
                "[SOURce:]CURRent:SLEW": ((number(1e-3, limits.slew),), self._set_slew),
                "[SOURce:]CURRent:SLEW?": ((), lambda: shown(self._slew)),
                "[SOURce:]PULSe:WIDTh": ((number(0, 1e6),), self._set_width),
                "[SOURce:]PULSe:WIDTh?": ((), lambda: shown(self._width)),
                f"{switch}[:STATe]": ((boolean,), self._switch),
                f"{switch}[:STATe]?": ((), lambda: str(int(self._on))),
                **readings,
            },
        )

    def _reset(self) -> None:
        self._current, self._slew, self._width = 0.0, self._limits.slew, 0.0
        self._switch(False)

    def _set_current(self, current: float) -> None:
        self._current = current
        if self._on:
            self._drive()

    def _set_slew(self, slew: float) -> None:
        self._slew = slew

    def _set_width(self, width: float) -> None:
        self._width = width

    def _switch(self, on: bool) -> None:
        self._on = on
        self._switched += 1
        self._drive()
        if on and self._width:
            switched = self._switched
            self._clock.at(self._clock.now_ns() + round(self._width / _NS), lambda: self._cut_off(switched))

    def _cut_off(self, switched: int) -> None:
        if switched == self._switched:
            self._switch(False)

    def _drive(self) -> None:
        current = self._current * (1 + self._limits.gain) + self._limits.offset if self._on else 0.0
        self._apply(current, self._slew * _NS)


def shown(value: float) -> str:
    """A number as an answer (IEEE 488.2, 8.7.2: NR1 to NR3)."""
    return f"{value:.9g}"
