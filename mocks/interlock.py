"""Interlock, voltmeter and isolation monitor as SCPI-speaking models, and the panel at which a test plays the operator.

The panel is no instrument and on no real bench: `DOOR OPEN`, `STOP PRESS`, `PRESS ARM 0.5`, `FAULT rebound ON`,
`STATE?`.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from mocks.clock import EventClock
from mocks.instruments import shown
from mocks.scpi import Command, ScpiError, ScpiInstrument
from mocks.wiring import FAULTS, Wiring

_INPUTS = ("door", "door", "stop", "stop", "arm_button", "contactor", "discharge")
RELAYS = {1: "contactor", 2: "discharge", 3: "precharge", 4: "bypass", 6: "pulse", 7: "bank_discharge"}
"""Relay numbers and what they switch; number 5 is the watchdog line."""
WATCHDOG_RELAY = 5
_HOLD_NS = 200_000_000
_ISOLATION_OHM, _DAMP_OHM = 5e6, 60e3
_CHANNELS = re.compile(r"\(@(\d{1,2}(?:,\d{1,2})*)\)")
_S = 1_000_000_000


def channels(highest: int) -> Callable[[str], list[int]]:
    """A channel list such as (@1,2), SCPI-99 volume 1, 8.3.2; each from 1 to ``highest``."""

    def read(text: str) -> list[int]:
        match = _CHANNELS.fullmatch(text.replace(" ", ""))
        if match is None:
            raise ScpiError(-104, text)
        numbers = [int(number) for number in match[1].split(",")]
        if not all(1 <= number <= highest for number in numbers):
            raise ScpiError(-222, text)
        return numbers

    return read


def interlock(identity: str, wiring: Wiring) -> ScpiInstrument:
    """Inputs 1 to 7 (doors, doors, stop, stop, arm button, contactor, discharge), relays 1 to 7."""

    def switch(numbers: list[int], closed: bool) -> None:
        for number in numbers:
            if number == WATCHDOG_RELAY:
                wiring.feed(_HOLD_NS) if closed else wiring.starve()
            else:
                wiring.relay(RELAYS[number], closed)

    def closed(number: int) -> bool:
        return wiring.fed if number == WATCHDOG_RELAY else wiring.relays[RELAYS[number]]

    def read(number: int) -> bool:
        known = (*wiring.doors, *wiring.stop, wiring.arm_button, wiring.contactor, wiring.discharge)
        return known[number - 1]

    relays, inputs = (channels(max(RELAYS)),), (channels(len(_INPUTS)),)
    commands: dict[str, Command] = {
        "ROUTe:CLOSe": (relays, lambda numbers: switch(numbers, True)),
        "ROUTe:OPEN": (relays, lambda numbers: switch(numbers, False)),
        "ROUTe:CLOSe?": (relays, lambda numbers: ",".join(str(int(closed(number))) for number in numbers)),
        "SENSe:DATA?": (inputs, lambda numbers: ",".join(str(int(read(number))) for number in numbers)),
    }
    return ScpiInstrument(identity, lambda: switch(list(RELAYS), False), commands)


def voltmeter(identity: str, wiring: Wiring) -> ScpiInstrument:
    """Channel 1 reads the source side, channel 2 the load side."""

    def measure(numbers: list[int]) -> str:
        volts = wiring.voltages()
        return ",".join(shown(volts[number - 1]) for number in numbers)

    return ScpiInstrument(identity, lambda: None, {"MEASure:VOLTage?": ((channels(2),), measure)})


def isolation(identity: str, wiring: Wiring) -> ScpiInstrument:
    """A bus that is well isolated, but for a fault."""

    def measure() -> str:
        return shown(_DAMP_OHM if "isolation_low" in wiring.faults else _ISOLATION_OHM)

    return ScpiInstrument(identity, lambda: None, {"MEASure:RESistance?": ((), measure)})


class Panel:
    """The operator's hands, and what breaks on a bench. Answers OK, a state, or what it did not understand."""

    def __init__(self, clock: EventClock, wiring: Wiring) -> None:
        self._clock = clock
        self._wiring = wiring

    def handle(self, line: str) -> str:
        """Carry out one line."""
        wiring, words = self._wiring, line.split()
        match words:
            case ["DOOR", ("OPEN" | "CLOSE") as to]:
                wiring.doors = [to == "CLOSE"] * 2
            case [("DOOR1" | "DOOR2") as door, ("OPEN" | "CLOSE") as to]:
                wiring.doors[int(door[-1]) - 1] = to == "CLOSE"
            case ["STOP", ("PRESS" | "RELEASE") as to]:
                wiring.stop = [to == "RELEASE"] * 2
            case [("STOP1" | "STOP2") as stop, ("PRESS" | "RELEASE") as to]:
                wiring.stop[int(stop[-1]) - 1] = to == "RELEASE"
            case ["PRESS", "ARM", seconds] if re.fullmatch(r"\d{1,3}(\.\d+)?", seconds):
                wiring.arm_button = True
                self._clock.at(self._clock.now_ns() + round(float(seconds) * _S), self._release)
            case ["HOLD", "ARM"]:
                wiring.arm_button = True
            case ["RELEASE", "ARM"]:
                self._release()
            case ["FAULT", name, ("ON" | "OFF") as to] if name in FAULTS:
                (wiring.faults.add if to == "ON" else wiring.faults.discard)(name)
            case ["STATE?"]:
                return self._state()
            case _:
                return f"not understood: {line[:80]}"
        wiring.looked_at()
        return "OK"

    def _release(self) -> None:
        self._wiring.arm_button = False

    def _state(self) -> str:
        wiring = self._wiring
        source_side, load_side = wiring.true_voltages()
        return (
            f"source={int(wiring.source_on)} contactor={int(wiring.contactor)} enable={int(wiring.enabled)}"
            f" volts_source={source_side:.3f} volts_load={load_side:.3f}"
            f" volts_bank={wiring.bank_voltage:.3f}"
        )
