"""Instruments by role: each speaks SCPI text over a link and knows its own verbs, and no more.

Verbs are those of SCPI-99 and IEEE 488.2 where these have one. A link is a socket through PyVISA or, on the simulated
bench, the mock's own parser in process. What is set is read back, so that a value the instrument clipped is noticed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from harness.bench.ranges import ANY, Range

MEASURING = 1 << 4
WAITING_FOR_TRIGGER = 1 << 5
"""Bits of SCPI-99's operation condition register (volume 1, 20.1)."""
_VOLTAGE_NOT_HELD = 1 << 0
_CURRENT_NOT_HELD = 1 << 1
"""Bits of the questionable register (SCPI-99 volume 1, 20.2, from memory)."""
_MOST_ERRORS = 32
"""Entries of an error queue that are read; SCPI-99 volume 2, 21.8, asks for two at least."""
_MOST_POINTS = 10_000_000
"""Of one trace, where the bench file declares no memory."""
_SAMPLE = 4  # bytes of a REAL,32
_NO_VALUE = 9.9e37
"""SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 and -9.9E37 are the infinities, 9.91E37 is not a number."""


class InstrumentError(Exception):
    """An instrument is missing, silent or did not do what it was told: the bench's fault, never the breaker's.

    Example scenarios: connection refused; no answer in time; it reports an error; a value reads back different.
    """


class Link(Protocol):
    """One instrument's text channel. Any InstrumentError leaves it closed or in step: no late answer is ever taken."""

    def write(self, text: str) -> None:
        """Send one message that has no answer."""
        ...

    def query(self, text: str) -> str:
        """Send one message and return its one-line answer."""
        ...

    def query_block(self, text: str, most: int) -> bytes:
        """Send one message and return the payload of its IEEE 488.2 definite-length block, ``most`` bytes at most."""
        ...

    def close(self) -> None:
        """Give the channel back. A second call does nothing."""
        ...


def is_measured(value: float) -> bool:
    """Whether ``value``, as an instrument gave it, is a value at all: no infinity and not SCPI-99's not-a-number."""
    return abs(value) < _NO_VALUE


def error_queue(link: Link) -> list[str]:
    """Everything in an instrument's error queue, oldest first; afterwards it is empty (SCPI-99 volume 2, 21.8)."""
    found: list[str] = []
    while len(found) < _MOST_ERRORS:
        answer = link.query("SYST:ERR?")
        if answer.lstrip("+").startswith("0,"):
            break
        found.append(answer)
    return found


class Instrument:
    """What every role has: identity, reset, and a write that is followed by a look at the error queue.

    ``ranges`` by header: what is outside is refused before anything of it is written.
    """

    def __init__(self, role: str, link: Link, reset: bool = True) -> None:
        """Ask for the identity (a refused port may open without a word) and reset, which leaves outputs off."""
        self.role = role
        self.ranges: Mapping[str, Range] = {}
        self._link = link
        self.identity = link.query("*IDN?")
        self._command("*CLS")
        if reset:
            self._command("*RST")

    def _command(self, text: str) -> None:
        self._link.write(text)
        if errors := error_queue(self._link):
            raise InstrumentError(f"{self.role}: {text!r} was answered with error {'; '.join(errors)}")

    def _number(self, text: str) -> float:
        answer = self._link.query(text)
        try:
            value = float(answer)
        except ValueError:
            raise InstrumentError(f"{self.role}: {text!r} was answered with {answer!r}, not a number") from None
        if not is_measured(value):
            raise InstrumentError(f"{self.role}: {text!r} was answered with {answer!r}, which is no value")
        return value

    def _numbers(self, text: str, count: int) -> list[float]:
        """``count`` numbers in one answer, separated by commas (IEEE 488.2 §8.7.1)."""
        answer = self._link.query(text)
        try:
            values = [float(part) for part in answer.split(",")]
        except ValueError:
            values = []
        if len(values) != count or not all(map(is_measured, values)):
            raise InstrumentError(f"{self.role}: {text!r} was answered with {answer!r}, want {count} numbers")
        return values

    def _set(self, verb: str, value: float) -> None:
        limits = self._within(verb, value)
        self._command(f"{verb} {value:.9g}")
        self._same(verb, value, self._number(f"{verb}?"), limits)

    def _set_list(self, verb: str, values: Sequence[float]) -> None:
        limits = [self._within(verb, value) for value in values]
        self._command(f"{verb} {','.join(f'{value:.9g}' for value in values)}")
        for value, held, limit in zip(values, self._numbers(f"{verb}?", len(values)), limits, strict=True):
            self._same(verb, value, held, limit)

    def _within(self, verb: str, value: float) -> Range:
        """The range of ``verb``, which holds ``value``; else InstrumentError, with nothing written."""
        limits = self.ranges.get(verb, ANY)
        if not limits.holds(value):
            raise InstrumentError(
                f"{self.role}: {verb} {value:g} is outside its declared range of {limits.lowest:g} to"
                f" {limits.highest:g}: nothing was sent"
            )
        return limits

    def _same(self, verb: str, value: float, held: float, limits: Range) -> None:
        if not limits.same(value, held):
            raise InstrumentError(f"{self.role}: {verb} was set to {value:g} and reads back {held:g}")

    def _choose(self, verb: str, word: str) -> None:
        """Set one of an instrument's words and read it back, in its short form or its long one."""
        self._command(f"{verb} {word}")
        held = self._link.query(f"{verb}?")
        if not held.strip().upper().startswith(word):
            raise InstrumentError(f"{self.role}: {verb} was set to {word} and reads back {held!r}")

    def _switch_on(self, verb: str) -> None:
        self._command(f"{verb} ON")
        if self._number(f"{verb}?") == 0:
            raise InstrumentError(f"{self.role}: still off after {verb} ON: look at its enable input")

    def _switch_off(self, verb: str) -> None:
        self._command(f"{verb} OFF")
        if self._number(f"{verb}?") != 0:
            raise InstrumentError(f"{self.role}: still on after {verb} OFF")

    def close(self) -> None:
        """Give the link back."""
        self._link.close()


class PowerSupply(Instrument):
    """A d.c. supply: the 12 V supply of the breaker's electronics, or the high-voltage source."""

    def configure(self, voltage: float, current_limit: float) -> None:
        """Set voltage (V) and current limit (A); the output stays as it is."""
        self._set("SOUR:VOLT", voltage)
        self._set("SOUR:CURR", current_limit)

    def go(self, voltage: float) -> None:
        """Set another voltage (V) and leave everything else as it is."""
        self._set("SOUR:VOLT", voltage)

    def output(self, on: bool) -> None:
        """Switch the output and confirm it."""
        switch = self._switch_on if on else self._switch_off
        switch("OUTP")

    def voltage(self) -> float:
        """Measured voltage at the terminals, V."""
        return self._number("MEAS:VOLT?")

    def current(self) -> float:
        """Measured current, A."""
        return self._number("MEAS:CURR?")

    def limiting(self) -> bool:
        """Whether it limits the current instead of holding the voltage.

        SCPI-99 QUEStionable register (volume 1, 20.2), from memory: bit 0, voltage, is set while that is not held.
        """
        return bool(int(self._number("STAT:QUES:COND?")) & _VOLTAGE_NOT_HELD)

    def off(self) -> None:
        """Switch the output off and confirm that it is."""
        self._switch_off("OUTP")


class IsolationMonitor(Instrument):
    """Resistance of the high-voltage bus to earth."""

    def resistance(self) -> float:
        """Measured resistance, ohm."""
        return self._number("MEAS:RES?")


class SignalSource(Instrument):
    """A low-voltage stand-in for a sensor or a rail: bus signal, gate supply, thermistor simulator."""

    def __init__(self, role: str, link: Link, verb: str, slews: bool) -> None:
        """``verb`` sets its value; ``slews``: it takes a slew, and goes there at once where it does not."""
        super().__init__(role, link)
        self._verb = verb
        self.slews = slews

    def go(self, value: float, slew: float | None = None) -> None:
        """Go to ``value``, at ``slew`` (unit per second) where one is given."""
        if slew is not None:
            self._set(f"{self._verb}:SLEW", slew)
        self._set(self._verb, value)

    def show(self, function: str) -> None:
        """What a thermistor simulator stands for: TEMP its value, OPEN or SHOR a fault of the line."""
        self._choose("SOUR:FUNC", function)

    def output(self, on: bool) -> None:
        """Connect or disconnect it, and confirm that."""
        switch = self._switch_on if on else self._switch_off
        switch("OUTP")

    def off(self) -> None:
        """Disconnect it and confirm that it is."""
        self._switch_off("OUTP")


class CurrentStimulus(Instrument):
    """A current of known size and bounded length: injector or electronic load. The cut-off is the instrument's own."""

    def __init__(self, role: str, link: Link, switch_verb: str, timed: bool = True) -> None:
        """``switch_verb`` is OUTP for an injector and INP for a load (SCPI-99 volume 2).

        One that is not ``timed`` knows no cut-off: whoever starts it has to end it.
        """
        super().__init__(role, link)
        self._timed = timed
        self._switch_verb = switch_verb
        self._lists = False

    def apply(self, current: float, slew: float, cut_off: float) -> None:
        """Start ``current`` (A) at ``slew`` (A/s); the instrument ends it by itself after ``cut_off`` (s)."""
        self._bound(slew, cut_off)
        if self._lists:
            self._choose("SOUR:CURR:MODE", "FIX")
            self._lists = False
        self._set("SOUR:CURR", current)
        self._command(f"{self._switch_verb} ON")

    def apply_list(self, values: Sequence[tuple[float, float]], count: int, slew: float, cut_off: float) -> None:
        """Start a list of (A, s), run through ``count`` times; the last value then stays until ``cut_off`` (s)."""
        self._bound(slew, cut_off)
        self._set_list("SOUR:LIST:CURR", [current for current, _ in values])
        self._set_list("SOUR:LIST:DWEL", [seconds for _, seconds in values])
        self._set("SOUR:LIST:COUN", count)
        self._choose("SOUR:CURR:MODE", "LIST")
        self._lists = True
        self._command(f"{self._switch_verb} ON")

    def go(self, current: float, slew: float) -> None:
        """Go on to ``current`` (A) at ``slew`` (A/s); the cut-off stays as it was started."""
        self._set("SOUR:CURR:SLEW", slew)
        self._set("SOUR:CURR", current)

    def stop_by_gate(self, on: bool) -> None:
        """Let the falling gate end the output at once, by the stop input (SCPI-99 TRIGger:SEQuence2), or not."""
        self._choose("TRIG:SEQ2:SOUR", "EXT" if on else "IMM")

    def count_from_flow(self, on: bool) -> None:
        """Let a load's cut-off count from where its current begins (SCPI-99, TRIGger:SOURce INTernal), or at once."""
        if self._timed:
            self._choose("TRIG:SOUR", "INT" if on else "IMM")

    def _bound(self, slew: float, cut_off: float) -> None:
        self._set("SOUR:CURR:SLEW", slew)
        if self._timed:
            self._set("SOUR:PULS:WIDT", cut_off)

    def limiting(self) -> bool:
        """Whether it cannot deliver what it is told: bit 1, current, of the QUEStionable register (from memory)."""
        return bool(int(self._number("STAT:QUES:COND?")) & _CURRENT_NOT_HELD)

    def is_on(self) -> bool:
        """Whether the current still flows or would flow."""
        return self._number(f"{self._switch_verb}?") != 0

    def off(self) -> None:
        """Switch off and confirm that it is."""
        self._switch_off(self._switch_verb)


@dataclass(frozen=True)
class Trigger:
    """What starts a recording: a channel, by its name in the bench file, that crosses a level."""

    channel: str
    level: float  # unit of the channel
    rising: bool = True


@dataclass(frozen=True)
class Acquisition:
    """A finished recording: named channels on one time axis, start_s + k * interval_s from the trigger."""

    start_s: float
    interval_s: float
    channels: Mapping[str, NDArray[np.float64]]


class Recorder(Instrument):
    """A sampling recorder with a trigger; channel names are the bench file's."""

    def __init__(self, role: str, link: Link, channels: Mapping[str, int]) -> None:
        """``channels`` maps names to the recorder's channel numbers."""
        super().__init__(role, link)
        self._channels = channels
        self._before = 0
        self._points = 0
        self._interval = 0.0
        self._log = 0.0

    def arm(self, interval: float, points: int, before: int, trigger: Trigger | None, log: float = 0.0) -> None:
        """Record ``points`` samples ``interval`` s apart, ``before`` of them ahead of the trigger; None: at once.

        ``log``: beside that window a slow log with this interval in s, from now to the end of the recording; 0: none.

        Raises InstrumentError where it does not begin: what it recorded before would be taken for the new record.
        """
        self._before, self._points, self._interval = before, points, interval
        self._command("ABOR")  # of a recording that a failed step may have left
        self._set("SENS:SWE:TINT", interval)
        self._set("SENS:SWE:POIN", points)
        self._set("SENS:SWE:OFFS:POIN", before)
        if log or self._log:
            self._set("SENS:SWE:LOG:TINT", log)
        self._log = log
        if trigger is None:
            self._command("TRIG:SOUR IMM")
        else:
            self._command(f"TRIG:SOUR CHAN{self._channels[trigger.channel]}")
            self._command(f"TRIG:SLOP {'POS' if trigger.rising else 'NEG'}")
            self._set("TRIG:LEV", trigger.level)
        self._command("FORM REAL,32")
        self._begin(trigger)

    def _begin(self, trigger: Trigger | None) -> None:
        """INITiate, and see that a recording began.

        A short one that waits for nothing may be over before anybody asks: that it began stays in the event register,
        which *CLS clears (IEEE 488.2 §10.3), and which takes note of every condition bit that came on unless it was
        told otherwise (SCPI-99 volume 2, 20.6, from memory).
        """
        if self._busy(self.state()):
            raise InstrumentError(f"{self.role}: still records after ABOR: see who else uses it; switch it off and on")
        if trigger is None:
            self._command("*CLS")
        self._command("INIT")
        if self._busy(self.state()):
            return
        if trigger is not None:
            raise InstrumentError(
                f"{self.role}: does not wait for its trigger after INIT: see that its trigger channel is quiet, that"
                " nobody else uses it, and what INIT is called there"
            )
        if not self._busy(int(self._number("STAT:OPER:EVEN?"))):
            raise InstrumentError(
                f"{self.role}: began no recording after INIT: see that nobody else uses it, and what INIT is called"
                " there"
            )

    @staticmethod
    def _busy(register: int) -> bool:
        return bool(register & (MEASURING | WAITING_FOR_TRIGGER))

    def state(self) -> int:
        """Operation condition register: MEASURING, WAITING_FOR_TRIGGER or 0 when done."""
        return int(self._number("STAT:OPER:COND?"))

    def fetch(self, *names: str) -> Acquisition | None:
        """End the recording and read the named channels; None where it never triggered."""
        waiting = self.state() & WAITING_FOR_TRIGGER
        self._command("ABOR")
        if waiting:
            return None
        traces = {name: self._trace("TRAC:DATA?", self._channels[name], self._points) for name in names}
        shortest = min(len(trace) for trace in traces.values())
        return Acquisition(
            -self._before * self._interval, self._interval, {name: trace[:shortest] for name, trace in traces.items()}
        )

    def fetch_log(self, name: str) -> tuple[Acquisition, float]:
        """The slow log of a channel after ``fetch``, and when in it the trigger was, s from its begin."""
        memory = self.ranges.get("SENS:SWE:POIN", ANY).highest  # how long a log became, only the recorder knows
        most = int(memory) if memory < _MOST_POINTS else _MOST_POINTS
        log = self._trace("TRAC:LOG:DATA?", self._channels[name], most)
        return Acquisition(0.0, self._log, {name: log}), self._number("TRAC:LOG:TRIG?")

    def _trace(self, header: str, channel: int, most: int) -> NDArray[np.float64]:
        """Samples of a channel, ``most`` at most. Raises InstrumentError."""
        block = self._link.query_block(f"{header} CHAN{channel}", most * _SAMPLE)
        if len(block) % _SAMPLE:
            raise InstrumentError(f"{self.role}: a block of {len(block)} bytes is no row of 32-bit numbers")
        samples = np.frombuffer(block, dtype=">f4").astype(np.float64)
        if not (np.abs(samples) < _NO_VALUE).all():
            raise InstrumentError(
                f"{self.role}: channel {channel} holds samples that are no numbers: out of its range?"
            )
        return samples
