"""The bench's instruments as SCPI-speaking models: supplies, load, injector, thermistor simulator.

They act at the clock's instant and know the plant only. What they measure they read back exactly; what they set has the
errors of ``Limits``. The recorder is in mocks/recorder.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mocks.clock import EventClock
from mocks.scpi import Command, ScpiError, ScpiInstrument, boolean, number, several, whole, word
from mocks.thermistor import OPEN, SHORT

_NS = 1e-9  # s
_AMBIENT = 25.0  # degC that the thermistor simulator begins with
_SLEW = 100.0  # K/s


@dataclass(frozen=True)
class Limits:
    """What an instrument can do, and the error of the current that it gives: I * (1 + gain) + offset."""

    lowest: float  # A
    highest: float  # A
    slew: float  # A/s, its fastest
    gain: float = 0.0
    offset: float = 0.0  # A


class PowerSupply:
    """A d.c. supply. ``apply`` takes voltage (None while off), current limit (A) and slew (V/ns); measure V and A."""

    def __init__(
        self,
        identity: str,
        highest: tuple[float, float],
        slew: float,
        apply: Callable[[float | None, float, float], None],
        measure_voltage: Callable[[], float],
        measure_current: Callable[[], float],
        limiting: Callable[[], bool] = lambda: False,
    ) -> None:
        """``limiting``: it is in current limit, bit 0 of the questionable register (voltage not held)."""
        self._apply = apply
        self._fastest = slew  # V/s
        self._slew = slew
        self._voltage = 0.0
        self._current = 0.0
        self._on = False
        volts, amperes = highest
        self._identity = identity
        self._commands: dict[str, Command] = {
            "[SOURce:]VOLTage": ((number(0, volts),), self._set_voltage),
            "[SOURce:]VOLTage?": ((), lambda: shown(self._voltage)),
            "[SOURce:]VOLTage:SLEW": ((number(1e-3, slew),), self._set_slew),
            "[SOURce:]VOLTage:SLEW?": ((), lambda: shown(self._slew)),
            "[SOURce:]CURRent": ((number(0, amperes),), self._set_current),
            "[SOURce:]CURRent?": ((), lambda: shown(self._current)),
            "OUTPut[:STATe]": ((boolean,), self._switch),
            "OUTPut[:STATe]?": ((), lambda: str(int(self._on))),
            "MEASure:VOLTage?": ((), lambda: shown(measure_voltage())),
            "MEASure:CURRent?": ((), lambda: shown(measure_current())),
            "STATus:QUEStionable:CONDition?": ((), lambda: str(int(self._on and limiting()))),
        }
        self.scpi = self.another_client()

    def another_client(self) -> ScpiInstrument:
        """The same supply as another client sees it, with an error queue of its own."""
        return ScpiInstrument(self._identity, self._reset, self._commands)

    def disable(self) -> None:
        """Its enable input opened: the output is off, and stays off until it is switched on again."""
        self._switch(False)

    def _reset(self) -> None:
        self._voltage = self._current = 0.0
        self._slew = self._fastest
        self._switch(False)

    def _set_voltage(self, voltage: float) -> None:
        self._voltage = voltage
        self._switch(self._on)

    def _set_slew(self, slew: float) -> None:
        self._slew = slew

    def _set_current(self, current: float) -> None:
        self._current = current
        self._switch(self._on)

    def _switch(self, on: bool) -> None:
        self._on = on
        self._apply(self._voltage if on else None, self._current, self._slew * _NS)


class ThermistorSimulator:
    """Stands in for a thermistor, or for an open or a shorted one, while its output is on.

    ``apply`` takes the temperature that it looks like (None while off) and a slew (K/ns; None: at once).
    """

    def __init__(self, identity: str, apply: Callable[[float | None, float | None], None]) -> None:
        self._apply = apply
        self._on = False
        self._celsius, self._slew, self._function = _AMBIENT, _SLEW, "TEMP"
        self.scpi = ScpiInstrument(
            identity,
            self._reset,
            {
                "[SOURce:]TEMPerature": ((number(-80, 250),), self._set_temperature),
                "[SOURce:]TEMPerature?": ((), lambda: shown(self._celsius)),
                "[SOURce:]TEMPerature:SLEW": ((number(1e-3, 1e5),), self._set_slew),
                "[SOURce:]TEMPerature:SLEW?": ((), lambda: shown(self._slew)),
                "[SOURce:]FUNCtion": ((word("TEMPerature", "OPEN", "SHORt"),), self._set_function),
                "[SOURce:]FUNCtion?": ((), lambda: self._function),
                "OUTPut[:STATe]": ((boolean,), self._switch),
                "OUTPut[:STATe]?": ((), lambda: str(int(self._on))),
            },
        )

    def _reset(self) -> None:
        self._celsius, self._slew, self._function = _AMBIENT, _SLEW, "TEMP"
        self._switch(False)

    def _set_temperature(self, celsius: float) -> None:
        self._celsius = celsius
        if self._on and self._function == "TEMP":
            self._apply(celsius, self._slew * _NS)

    def _set_slew(self, slew: float) -> None:
        self._slew = slew

    def _set_function(self, function: str) -> None:
        self._function = function
        self._switch(self._on)

    def _switch(self, on: bool) -> None:
        self._on = on
        looks_like = {"TEMP": self._celsius, "OPEN": OPEN, "SHOR": SHORT}[self._function]
        self._apply(looks_like if on else None, None)


class CurrentStimulus:
    """A current with a slew and a cut-off of its own: injector (OUTPut) or electronic load (INPut).

    ``apply`` takes current (0 while off) and slew, A and A/ns. The cut-off counts from ON; ON again starts it anew. A
    load with TRIGger:SOURce INTernal counts it from where its own current begins, which ``flows`` says.
    With MODE LIST, ON runs through a list of currents, each for its own time, as often as it says, and stays at the
    last (SCPI-99 volume 2, 19.11; a list's currents without times of their own share one).
    """

    def __init__(
        self,
        identity: str,
        switch: str,
        limits: Limits,
        clock: EventClock,
        apply: Callable[[float, float], None],
        measure: dict[str, Callable[[], float]],
        stop_input: bool = False,
        flows: Callable[[], bool] | None = None,
        limiting: Callable[[], bool] = lambda: False,
    ) -> None:
        """``switch`` is the header that switches it, ``measure`` holds readings by their header.

        ``limiting``: it cannot give its current, bit 1 of the questionable register (current not held).
        """
        self._clock = clock
        self._apply = apply
        self._limits = limits
        self._current = 0.0
        self._slew = limits.slew
        self._width = 0.0  # s, 0: none
        self._on = False
        self._switched = 0  # how often, so that an old cut-off or list is known as such
        self._mode = "FIX"
        self._list: list[float] = []  # A
        self._dwell: list[float] = []  # s
        self._count = 1
        self._stopped_by = "IMM"
        self._flows = flows
        self._counts_from = "IMM"
        self._waiting = False  # for its current to begin
        more: dict[str, Command] = {
            header: ((), lambda reading=reading: shown(reading())) for header, reading in measure.items()
        }
        if stop_input:
            more["TRIGger:SEQuence2:SOURce"] = ((word("EXTernal", "IMMediate"),), self._set_stopped_by)
            more["TRIGger:SEQuence2:SOURce?"] = ((), lambda: self._stopped_by)
        if flows is not None:
            more["TRIGger[:SEQuence1]:SOURce"] = ((word("INTernal", "IMMediate"),), self._set_counts_from)
            more["TRIGger[:SEQuence1]:SOURce?"] = ((), lambda: self._counts_from)
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
                "[SOURce:]CURRent:MODE": ((word("FIXed", "LIST"),), self._set_mode),
                "[SOURce:]CURRent:MODE?": ((), lambda: self._mode),
                "[SOURce:]LIST:CURRent": (several(number(limits.lowest, limits.highest)), self._set_list),
                "[SOURce:]LIST:CURRent?": ((), lambda: ",".join(map(shown, self._list))),
                "[SOURce:]LIST:DWELl": (several(number(1e-6, 1e6)), self._set_dwell),
                "[SOURce:]LIST:DWELl?": ((), lambda: ",".join(map(shown, self._dwell))),
                "[SOURce:]LIST:COUNt": ((whole(1, 1_000_000),), self._set_count),
                "[SOURce:]LIST:COUNt?": ((), lambda: str(self._count)),
                "STATus:QUEStionable:CONDition?": ((), lambda: str(int(self._on and limiting()) << 1)),
                f"{switch}[:STATe]": ((boolean,), self._switch),
                f"{switch}[:STATe]?": ((), lambda: str(int(self._on))),
                **more,
            },
        )

    def stop_input(self) -> None:
        """The signal at the stop input falls: where that is listened to, off at once, at the fastest slew."""
        if self._on and self._stopped_by == "EXT":
            self._on = False
            self._switched += 1
            self._apply(0.0, self._limits.slew * _NS)

    def begins(self) -> None:
        """Its current can flow from now on: a cut-off that waits for that starts."""
        if self._waiting:
            self._bound()

    def _reset(self) -> None:
        self._counts_from = "IMM"
        self._current, self._slew, self._width = 0.0, self._limits.slew, 0.0
        self._mode, self._list, self._dwell, self._count = "FIX", [], [], 1
        self._stopped_by = "IMM"
        self._switch(False)

    def _set_current(self, current: float) -> None:
        self._current = current
        if self._on and self._mode == "FIX":
            self._drive(current)

    def _set_slew(self, slew: float) -> None:
        self._slew = slew

    def _set_width(self, width: float) -> None:
        self._width = width

    def _set_stopped_by(self, source: str) -> None:
        self._stopped_by = source

    def _set_counts_from(self, source: str) -> None:
        self._counts_from = source

    def _set_mode(self, mode: str) -> None:
        self._mode = mode

    def _set_list(self, *currents: float) -> None:
        self._list = list(currents)

    def _set_dwell(self, *seconds: float) -> None:
        self._dwell = list(seconds)

    def _set_count(self, count: int) -> None:
        self._count = count

    def _switch(self, on: bool) -> None:
        if on and self._mode == "LIST" and not (self._list and len(self._dwell) in (1, len(self._list))):
            raise ScpiError(-221, "a list wants as many dwell times as currents, or one")
        self._on = on
        self._switched += 1
        switched, now_ns = self._switched, self._clock.now_ns()
        if not on:
            self._apply(0.0, self._slew * _NS)
        elif self._mode == "LIST":
            self._step(switched, 0, now_ns)
        else:
            self._drive(self._current)
        self._waiting = on and self._counts_from == "INT" and self._flows is not None and not self._flows()
        if on and not self._waiting:
            self._bound()

    def _bound(self) -> None:
        """The cut-off counts from now."""
        switched, self._waiting = self._switched, False
        if self._width:
            self._clock.at(self._clock.now_ns() + round(self._width / _NS), lambda: self._cut_off(switched))

    def _step(self, switched: int, step: int, start_ns: int) -> None:
        """Step number ``step`` of the list that began with this switching, at ``start_ns``."""
        if switched != self._switched:
            return
        index = step % len(self._list)
        self._drive(self._list[index])
        if step + 1 < len(self._list) * self._count:
            next_ns = start_ns + round(self._dwell[index % len(self._dwell)] / _NS)
            self._clock.at(next_ns, lambda: self._step(switched, step + 1, next_ns))

    def _cut_off(self, switched: int) -> None:
        if switched == self._switched:
            self._switch(False)

    def _drive(self, current: float) -> None:
        self._apply(current * (1 + self._limits.gain) + self._limits.offset, self._slew * _NS)


def shown(value: float) -> str:
    """A number as an answer (IEEE 488.2, 8.7.2: NR1 to NR3)."""
    return f"{value:.9g}"
