"""A sampling recorder with a trigger. It looks back at the plant's history, so that it costs nothing while nobody asks.

Samples lie on a grid that starts at INITiate; the trigger is the first grid point, after the pre-trigger part has been
filled, at or after the instant at which the exact signal crossed the level. Each sample has the channel's error, and
noise as a function of acquisition and sample number. The time base has an error of its own.

Beside the triggered window it keeps a slow log where it is told a log interval: every channel, from INITiate to the
end of the recording, on a grid of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from mocks.clock import EventClock
from mocks.instruments import shown
from mocks.noise import Channel, Noise
from mocks.scpi import Command, Parameter, ScpiError, ScpiInstrument, block, number, whole, word
from mocks.sensing import NEVER
from mocks.track import Pieces, Track

MEASURING = 1 << 4
WAITING_FOR_TRIGGER = 1 << 5
"""Bits of the operation condition register (SCPI-99 volume 1, 20.1)."""
MOST_POINTS = 1_000_000
SHORTEST_INTERVAL = 1e-8  # s
_STRIDE = 1 << 20  # noise samples kept apart for one acquisition
_LOG_NOISE = 1 << 60  # where the noise of slow logs begins


@dataclass(frozen=True)
class RecorderChannel:
    """What a channel is connected to, and its errors in the unit of the quantity."""

    track: Track
    gain: float
    offset: float
    noise: float  # one standard deviation
    range: float = math.inf  # either way; beyond it the converter stays at its end


@dataclass
class _Settings:
    interval: float = 1e-3  # s
    points: int = 1000
    before: int = 0  # points ahead of the trigger
    source: str = "IMM"
    level: float = 0.0
    slope: str = "POS"
    log: float = 0.0  # s, interval of the slow log; 0: none


class _Acquisition:
    """One recording, from INITiate on. Grid point g lies at ``start_ns + g * interval_ns``."""

    def __init__(self, number: int, settings: _Settings, start_ns: int, interval_ns: float) -> None:
        self.number = number
        self.settings = replace(settings)
        self.start_ns = start_ns
        self.interval_ns = interval_ns
        self.watched_ns = start_ns + math.ceil(settings.before * interval_ns) - 1  # no trigger up to here
        self.first: int | None = None  # grid point of the first sample kept; None until triggered
        self.points = settings.points
        self.pieces: dict[str, Pieces] = {}  # history of every channel, once over
        self.log: dict[str, Pieces] = {}  # the same of the slow log, once that is over
        self.logged_ns = 0  # when that was

    def trigger(self, instant_ns: int) -> None:
        """The first grid point at or after ``instant_ns`` is the trigger."""
        self.first = math.ceil((instant_ns - self.start_ns) / self.interval_ns) - self.settings.before

    def taken(self, now_ns: int) -> int:
        """Samples kept by ``now_ns``."""
        if self.first is None:
            return 0
        return max(0, min(self.points, math.floor((now_ns - self.start_ns) / self.interval_ns) + 1 - self.first))

    def instants(self, number: int) -> NDArray[np.float64]:
        """When the first ``number`` samples kept were taken."""
        assert self.first is not None
        return self.start_ns + (self.first + np.arange(number, dtype=np.float64)) * self.interval_ns

    @property
    def needed_ns(self) -> int:
        """History from here on is still wanted."""
        if self.settings.log and not self.log:
            return self.start_ns
        if self.pieces:
            return NEVER
        if self.first is None:
            return max(self.start_ns, self.watched_ns - math.ceil((self.settings.before + 1) * self.interval_ns))
        return self.start_ns + math.floor(self.first * self.interval_ns)


class Recorder:
    """The recorder. ``settle`` must be called before any track of its channels changes."""

    def __init__(
        self, identity: str, clock: EventClock, noise: Noise, channels: Sequence[RecorderChannel], time_base: float
    ) -> None:
        """Channels are numbered from 1; ``time_base`` is the relative error of the recorder's clock."""
        self._clock = clock
        self._noise = noise
        self._channels = {f"CHAN{number}": channel for number, channel in enumerate(channels, 1)}
        self.time_base = time_base
        self._settings = _Settings()
        self._acquisition: _Acquisition | None = None
        self._acquisitions = 0
        self._begun = False  # a recording, since the event register was cleared
        names = [f"CHANnel{number}" for number in range(1, len(channels) + 1)]
        commands: dict[str, Command] = {
            "FORMat[:DATA]": ((word("REAL"), whole(32, 32)), lambda kind, bits: None),
            "INITiate[:IMMediate]": ((), self._initiate),
            "ABORt": ((), self._abort),
            "STATus:OPERation:CONDition?": ((), lambda: str(self._condition())),
            "STATus:OPERation[:EVENt]?": ((), self._events),
            "TRACe:POINts?": ((word(*names),), lambda name: str(self._taken())),
            "TRACe[:DATA]?": ((word(*names),), self._data),
            "TRACe:LOG[:DATA]?": ((word(*names),), self._logged),
            "TRACe:LOG:TRIGger?": ((), self._triggered),
        }
        settings: dict[str, tuple[str, Parameter]] = {
            "[SENSe:]SWEep:TINTerval": ("interval", number(SHORTEST_INTERVAL, 1e3)),
            "[SENSe:]SWEep:LOG:TINTerval": ("log", number(0, 1e3)),
            "[SENSe:]SWEep:POINts": ("points", whole(1, MOST_POINTS)),
            "[SENSe:]SWEep:OFFSet:POINts": ("before", whole(0, MOST_POINTS - 1)),
            "TRIGger:SOURce": ("source", word("IMMediate", *names)),
            "TRIGger:LEVel": ("level", number(-1e4, 1e4)),
            "TRIGger:SLOPe": ("slope", word("POSitive", "NEGative")),
        }
        for header, (name, parameter) in settings.items():
            commands[header] = ((parameter,), partial(setattr, self._settings, name))
            commands[f"{header}?"] = ((), partial(self._setting, name))
        self.scpi = ScpiInstrument(identity, self._reset, commands, self._clear)

    @property
    def needed_ns(self) -> int:
        """History from here on is still wanted; far in the future where none is."""
        return self._acquisition.needed_ns if self._acquisition else NEVER

    def settle(self) -> None:
        """Take note of all that has happened before this instant."""
        acquisition = self._acquisition
        if acquisition is None or acquisition.pieces:
            return
        now_ns = self._clock.now_ns()
        if acquisition.first is None:
            self._watch(acquisition, now_ns - 1)
        if acquisition.taken(now_ns) == acquisition.points:
            self._finish(acquisition)

    def _watch(self, acquisition: _Acquisition, until_ns: int) -> None:
        """Look for the trigger in what is past; a change at this very instant may still come."""
        settings = acquisition.settings
        if settings.source == "IMM":
            acquisition.trigger(acquisition.watched_ns + 1)
            return
        channel = self._channels[settings.source]
        level = (settings.level - channel.offset) / (1 + channel.gain)
        crossing_ns = channel.track.crossing(level, settings.slope == "POS", acquisition.watched_ns, until_ns)
        if crossing_ns is not None:
            acquisition.trigger(crossing_ns)
        acquisition.watched_ns = max(acquisition.watched_ns, until_ns)

    def _finish(self, acquisition: _Acquisition) -> None:
        acquisition.pieces = {name: channel.track.frozen() for name, channel in self._channels.items()}

    def _reset(self) -> None:
        for each in fields(_Settings):
            setattr(self._settings, each.name, each.default)
        self._acquisition = None

    def _setting(self, name: str) -> str:
        value = getattr(self._settings, name)
        return value if isinstance(value, str) else shown(value)

    def _initiate(self) -> None:
        if self._condition():
            raise ScpiError(-213)
        if self._settings.before >= self._settings.points:
            raise ScpiError(-221, "more points before the trigger than in all")
        interval_ns = self._settings.interval * 1e9 * (1 + self.time_base)
        self._acquisition = _Acquisition(self._acquisitions, self._settings, self._clock.now_ns(), interval_ns)
        self._acquisitions += 1
        self._begun = True

    def _abort(self) -> None:
        """End the recording and keep what there is of it, and of the log."""
        acquisition = self._acquisition
        if acquisition is not None and acquisition.settings.log and not acquisition.log:
            acquisition.logged_ns = self._clock.now_ns()
            acquisition.log = {name: channel.track.frozen() for name, channel in self._channels.items()}
        if self._condition():
            assert self._acquisition is not None
            self._acquisition.points = self._taken()
            self._finish(self._acquisition)

    def _condition(self) -> int:
        self.settle()
        if self._acquisition is None or self._acquisition.pieces:
            return 0
        return WAITING_FOR_TRIGGER if self._acquisition.first is None else MEASURING

    def _clear(self) -> None:
        self._begun = False

    def _events(self) -> str:
        """Which of both bits came on since the register was read or cleared, for the recordings begun since then."""
        self.settle()
        begun, acquisition = self._begun, self._acquisition
        self._clear()
        if not begun or acquisition is None:
            return "0"
        return str(WAITING_FOR_TRIGGER | (0 if acquisition.first is None else MEASURING))

    def _taken(self) -> int:
        self.settle()
        return self._acquisition.taken(self._clock.now_ns()) if self._acquisition else 0

    def _data(self, name: str) -> bytes:
        taken = self._taken()
        if self._acquisition is None or not taken:
            raise ScpiError(-230, "nothing recorded")
        channel = self._channels[name]
        pieces = self._acquisition.pieces.get(name) or channel.track.frozen()
        values = pieces.sample(self._acquisition.instants(taken)) * (1 + channel.gain) + channel.offset
        first = self._acquisition.number * _STRIDE
        values += channel.noise * self._noise.samples(Channel.RECORDER + int(name[-1]), first, taken)
        return block(values.clip(-channel.range, channel.range).astype(">f4").tobytes())

    def _logged(self, name: str) -> bytes:
        """The slow log of a channel: its samples have the channel's error, and its noise."""
        acquisition = self._acquisition
        if acquisition is None or not acquisition.log:
            raise ScpiError(-230, "nothing logged")
        channel, interval_ns = self._channels[name], acquisition.settings.log * 1e9 * (1 + self.time_base)
        taken = min(math.floor((acquisition.logged_ns - acquisition.start_ns) / interval_ns) + 1, MOST_POINTS)
        instants = acquisition.start_ns + np.arange(taken, dtype=np.float64) * interval_ns
        values = acquisition.log[name].sample(instants) * (1 + channel.gain) + channel.offset
        first = acquisition.number * _STRIDE + _LOG_NOISE
        values += channel.noise * self._noise.samples(Channel.RECORDER + int(name[-1]), first, taken)
        return block(values.clip(-channel.range, channel.range).astype(">f4").tobytes())

    def _triggered(self) -> str:
        """When the trigger was, in s of the recorder's own time base from the begin of the log."""
        self.settle()
        acquisition = self._acquisition
        if acquisition is None or acquisition.first is None:
            raise ScpiError(-230, "not triggered")
        return shown((acquisition.first + acquisition.settings.before) * acquisition.settings.interval)
