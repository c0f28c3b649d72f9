"""The course of a plan before it is run: what each step will find, from the plan and the device alone.

Set-points are the defaults until the plan asks for others. Levels are the greatest that a breaker within its declared
accuracies can have; time that a step takes without saying how long is not counted as cooling. What an earlier plan may
have left behind is not known, but for the count of trips, which is taken to start at 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from fractions import Fraction
from typing import Any

from harness.bench.cut_off import HEALTH_S, REST_S, strained, used_by
from harness.check.expected import AMBIENT, Situation, path_of, remembers
from harness.plan.steps import (
    STIMULI,
    CheckHealth,
    CloseSwitch,
    ExpectNoTrip,
    ExpectTrip,
    Flash,
    Force,
    Hold,
    LetGo,
    OpenSwitch,
    PowerCut,
    PowerCycle,
    Reset,
    RunRoutine,
    SetMode,
    ShortCircuit,
    Silence,
    SleepAndWake,
    Step,
    Unlock,
    Wait,
    WaitUntilCool,
    WriteSetPoints,
)
from harness.trip.band import rescaled
from protocol.device import Device
from protocol.protection import DefiniteTime, InverseTime, JunctionTemperature, Quantity, ThermalMemory

UNKNOWN = 1.0
"""Level of a function whose history is not known: an earlier plan may have left the breaker as hot as a trip does."""
_OTHERS_S = 5.0  # no step that does not say how long it takes is longer


class Course:
    """State before the next step; ``take`` moves it past one.

    ``state`` and ``mode`` are None where they are not known. ``trips`` is the least and most number of trips that the
    lock-out counts, ``since_trip`` the least and most time in s since the last.
    """

    def __init__(self, device: Device, level: float = UNKNOWN) -> None:
        self.device = device
        self.state: str | None = None
        self.mode: str | None = None
        self.set_points: dict[str, Fraction] = {name: point.default for name, point in device.set_points.items()}
        levels = [name for name, function in device.functions.items() if remembers(function)]
        self.levels: dict[str, float] = dict.fromkeys(levels, level)
        self.unknown = set(levels) if level == UNKNOWN else set()  # a trip leaves some at that very level, and is known
        self.trips = (0, 0)
        self.since_trip = (0.0, 0.0)
        self.held: dict[Quantity, float] = {}  # quantity -> where it is held
        self.used: dict[str, float] = {}  # share of what cable and switch stand, by drawn currents since they rested
        self.rested_s = 0.0
        self.wrong_keys = 0
        self.barred_s = 0.0  # no key is taken for so long

    @property
    def values(self) -> dict[str, float]:
        """Set-points in SI units, as harness.trip wants them."""
        return {name: float(value) for name, value in self.set_points.items()}

    @property
    def situation(self) -> Situation:
        """What harness.trip is asked with."""
        heat_sink = self.held.get("heat_sink_temperature", AMBIENT)
        return Situation(self.device, self.values, self.mode, heat_sink, levels=self.levels)

    @property
    def closed(self) -> bool:
        """Known to be closed."""
        return self.state == "on"

    @property
    def hot(self) -> list[str]:
        """Functions whose level may keep the breaker from being closed."""
        situation = self.situation
        return [name for name, level in self.levels.items() if level >= situation.reset_level(name)]

    def counted(self) -> tuple[int, int]:
        """The least and most that the lock-out would count with one more trip now."""
        lockout = self.device.lockout
        assert lockout is not None
        least, most = self.trips
        soonest, latest = self.since_trip
        return (least + 1 if latest < lockout.window else 1), (most + 1 if soonest <= lockout.window else 1)

    def take(self, step: Step) -> None:
        """Go on to after ``step``, which went as it should."""
        self._pass(step)
        effect = _EFFECTS.get(type(step))
        if effect is not None:
            effect(self, step)

    def _pass(self, step: Step) -> None:
        low, high = 0.0, _OTHERS_S
        if isinstance(step, Wait | Silence):
            low = high = step.duration.si
        elif isinstance(step, ExpectNoTrip):
            low, high = step.seconds, step.seconds + _OTHERS_S
        elif isinstance(step, WaitUntilCool):
            high = step.at_most.si + _OTHERS_S
        self.since_trip = self.since_trip[0] + low, self.since_trip[1] + high
        self.barred_s = max(self.barred_s - low, 0.0)
        self._strain(step, low)

    def _strain(self, step: Step, seconds: float) -> None:
        """A drawn current uses up what cable and switch stand; only ``seconds`` of rest that are certain give it back.

        A step with more than there is left is refused, and not counted: it is said once.
        """
        found = self._used(step)
        self.rested_s = self.rested_s + seconds if found is None else 0.0
        if self.rested_s >= REST_S:
            self.used = {}
        totals = {name: self.used.get(name, 0.0) + share for name, share in (found or {}).items()}
        self.used |= {name: total for name, total in totals.items() if total <= 1}

    def _used(self, step: Step) -> dict[str, float] | None:
        """What a current that ``step`` draws uses up, by name; None where it draws none, which is a rest."""
        if isinstance(step, ExpectTrip | ExpectNoTrip) and step.draw is not None:
            lasts = self._operate_s(step) if isinstance(step, ExpectTrip) else step.seconds
            return used_by(step, lasts or 0.0, self.device)
        if isinstance(step, CheckHealth) and (drop := step.voltage_drop) is not None:
            stood = strained(drop.draw.si, drop.voltage.si, self.device, None)
            return {name: HEALTH_S / each for name, each in stood.items()}
        return None

    # The switch

    def _settle(self) -> None:
        """An open switch that was tripped or whose history is not known: locked out, cooling or off."""
        lockout = self.device.lockout
        if lockout is not None and self.trips[1] >= lockout.trips:
            self.state = "locked_out"
        else:
            self.state = "cooling" if self.hot or self._lasting() else "off"

    def _lasting(self) -> bool:
        """Something that is held keeps a function beyond its threshold, and so an acknowledged breaker from off."""
        for name, function in self.device.functions.items():
            if isinstance(function, DefiniteTime) and function.condition == "always" and function.quantity in self.held:
                with suppress(ValueError):
                    if self.situation.band(name, self.held[function.quantity]).late_s is not None:
                        return True
        return False

    def _close(self, step: CloseSwitch) -> None:
        if not step.refused:
            self.state = "on"

    def _open(self, step: OpenSwitch) -> None:
        if self.state == "on":
            self.state = "off"
        else:
            self._settle()

    def _operated(self, function: str) -> None:
        definition = self.device.functions.get(function)
        if definition is not None and definition.reaction == "block":
            self.state = "off"
            return
        self.state = "tripped"
        if self.device.lockout is not None:
            self.trips, self.since_trip = self.counted(), (0.0, 0.0)
            if self.trips[1] >= self.device.lockout.trips:
                self.state = "locked_out"

    # Stimuli

    def _trip(self, step: ExpectTrip) -> None:
        if step.is_current:
            situation, path = self.situation, path_of(step, 0.0)
            seconds = self._operate_s(step)
            for name, level in self.levels.items():
                if name == step.function:
                    # The current flows on for the latency after the level has come to 1.
                    latency = self.device.functions[name].declared.latency[1]
                    self.levels[name] = situation.heated(name, step.highest, latency, 1.0)
                    self.unknown.discard(name)
                elif seconds is None:
                    self.levels[name] = UNKNOWN
                    self.unknown.add(name)
                else:
                    self.levels[name] = situation.heated(name, path, seconds, level)
        self._operated(step.function)

    def _shot(self, step: ShortCircuit) -> None:
        """Microseconds: no level moves."""
        self._operated(step.function)

    def _operate_s(self, step: ExpectTrip) -> float | None:
        """Latest time at which a good breaker operates; None: no good breaker has to, or not known."""
        try:
            return self.situation.band(step.function, path_of(step, 0.0)).late_s
        except (KeyError, ValueError):
            return None

    def _no_trip(self, step: ExpectNoTrip) -> None:
        if step.is_current:
            situation, path = self.situation, path_of(step, 0.0)
            for name, level in self.levels.items():
                self.levels[name] = situation.heated(name, path, step.seconds, level)
        if step.closing:
            self.state = "on"

    def _hold(self, step: Hold) -> None:
        self._rests({**self.held, STIMULI[step.key].quantity: step.level.si})
        if step.function is not None and self.state == "on":
            self.state = "off"

    def _let_go(self, step: LetGo) -> None:
        self._rests({})
        self._cooled()

    def _rests(self, held: dict[Quantity, float]) -> None:
        """A junction's level is a share of what is left to its limit; see harness.run.ledger."""
        before, self.held = self.situation.heat_sink, held
        after = self.situation.heat_sink
        for name, level in self.levels.items():
            function = self.device.functions[name]
            if isinstance(function, JunctionTemperature) and name not in self.unknown and before != after:
                self.levels[name] = min(rescaled(function, self.values, level, before, after, self.mode), UNKNOWN)

    def _silence(self, step: Silence) -> None:
        if step.function is not None:
            self._operated(step.function)

    def _force(self, step: Force) -> None:
        if step.function is not None:
            self._operated(step.function)

    # Time and supply

    def _wait(self, step: Wait) -> None:
        situation = self.situation
        for name, level in self.levels.items():
            self.levels[name] = situation.cooled(name, step.duration.si, level)
        self.unknown -= {name for name, level in self.levels.items() if level < UNKNOWN}
        self._cooled()

    def _cool(self, step: WaitUntilCool) -> None:
        self.levels = {name: min(level, step.level.si) for name, level in self.levels.items()}
        self.unknown -= {name for name, level in self.levels.items() if level < UNKNOWN}
        self._cooled()

    def _cooled(self) -> None:
        if self.state == "cooling" and not self.hot:
            self.state = "off"

    def _power_cycle(self, step: PowerCycle | PowerCut | Flash) -> None:
        for name in self.levels:
            function = self.device.functions[name]
            if not (isinstance(function, ThermalMemory | InverseTime) and function.kept_without_supply):
                self.levels[name] = 0.0
                self.unknown.discard(name)
        self._settle()

    def _flash(self, step: Flash) -> None:
        if self.device.programming is not None and self.device.programming.set_points == "reset":
            self.set_points |= {name: point.default for name, point in self.device.set_points.items()}
        self._power_cycle(step)

    def _reset(self, step: Reset) -> None:
        self._settle()

    def _sleep(self, step: SleepAndWake) -> None:
        if self.state == "on":
            self.state = None

    # Set-points and diagnosis

    def _write(self, step: WriteSetPoints) -> None:
        if step.refused is None:
            self.set_points |= {name: value.exact for name, value in step.values.items()}

    def _power_cut(self, step: PowerCut) -> None:
        self.set_points |= {name: value.exact for name, value in step.values.items()}
        self._power_cycle(step)

    def _mode(self, step: SetMode) -> None:
        self.mode = step.mode

    def _routine(self, step: RunRoutine) -> None:
        routine, lockout = self.device.routines.get(step.routine), self.device.lockout
        if step.refused is None and routine and lockout and routine.identifier == lockout.routine:
            self.trips = (0, 0)
            if self.state == "locked_out":
                self._settle()

    def _unlock(self, step: Unlock) -> None:
        security = self.device.security
        if security is None or self.barred_s:
            return
        if step.wrong_key:
            self.wrong_keys += 1
            if self.wrong_keys >= security.attempts:
                self.wrong_keys, self.barred_s = 0, security.delay
        elif step.refused is None:
            self.wrong_keys = 0


_EFFECTS: Mapping[type[Step], Callable[[Course, Any], None]] = {
    WriteSetPoints: Course._write,
    CloseSwitch: Course._close,
    OpenSwitch: Course._open,
    SetMode: Course._mode,
    Hold: Course._hold,
    LetGo: Course._let_go,
    ExpectTrip: Course._trip,
    ExpectNoTrip: Course._no_trip,
    ShortCircuit: Course._shot,
    Silence: Course._silence,
    Force: Course._force,
    Wait: Course._wait,
    WaitUntilCool: Course._cool,
    PowerCycle: Course._power_cycle,
    PowerCut: Course._power_cut,
    Flash: Course._flash,
    Reset: Course._reset,
    SleepAndWake: Course._sleep,
    RunRoutine: Course._routine,
    Unlock: Course._unlock,
}
"""Steps that change the breaker's state; the others only read."""
