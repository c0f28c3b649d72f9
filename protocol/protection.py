"""What a breaker's protection functions are: names and parameters, and nothing about how a trip is computed.

harness/trip answers in closed form, mocks/firmware in sampled integer arithmetic; both start from the definitions
here and share nothing else. A parameter is either a set-point of the device or a fixed value of its profile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Quantity = Literal["current", "supply_voltage", "gate_rail_voltage", "bus_voltage", "heat_sink_temperature"]
"""What a function may watch: the branch current (A), the 12 V supply, the isolated rail of the gate driver and the main
bus (V), the heat sink by its NTC (degC)."""
Reaction = Literal["trip", "block"]
"""trip: the switch opens and the code is set. block: the switch opens if it is closed and closing is refused while the
condition lasts; the state goes back to off, and no acknowledgement is needed. Beside these, a function of the 12 V
supply bars closing while it lasts, and a function with a level while that is above its reset level; no other does: the
breaker closes, and the function's delay counts from there."""
Condition = Literal["always", "closed", "commanded_open"]
"""In which switch command a function is alive; commanded_open is how a stuck switch is found."""


@dataclass(frozen=True)
class Parameter:
    """One parameter of a function: the value of set-point ``set_point``, or ``fixed`` (SI units) where that is None.

    ``banks`` names the set-point that takes its place in an operating mode (drive, charge ...).
    """

    set_point: str | None
    fixed: float | None = None
    banks: Mapping[str, str] = field(default_factory=dict)

    def value(self, set_points: Mapping[str, float], mode: str | None = None) -> float:
        """The value in SI units, with ``set_points`` as the device holds them. Raises KeyError for a missing one."""
        name = self.banks.get(mode or "", self.set_point)
        if name is not None:
            return set_points[name]
        assert self.fixed is not None
        return self.fixed

    @property
    def names(self) -> tuple[str, ...]:
        """Every set-point that the parameter may come from."""
        return tuple(name for name in (self.set_point, *self.banks.values()) if name is not None)


@dataclass(frozen=True)
class Declared:
    """Limits of error of one function, where they differ from the device's own; same meaning as device.Accuracy.

    ``gain`` and ``offset`` are of the quantity that the function watches.
    """

    gain: float  # 1
    offset: float  # unit of the quantity
    timer: float  # 1
    latency: tuple[float, float]  # s, least and most


@dataclass(frozen=True, kw_only=True)
class Function:
    """What every protection function has.

    Of two that are due at once, the one with the smaller ``priority`` gives the cause.
    """

    name: str
    cause: str  # fault code that it sets
    priority: int
    reaction: Reaction = "trip"
    declared: Declared  # limits of error that its band follows from


@dataclass(frozen=True, kw_only=True)
class ThermalMemory(Function):
    """Overload by thermal memory, in the form of IEC 60255-149.

    The thermal level H follows dH/dt = ((I/pickup)² - H)/tau and trips at H >= 1. tau is ``time_constant`` while H
    rises and ``cooling_time_constant`` while it falls. Re-closing is refused until H is below ``reset_level``.
    """

    pickup: Parameter  # A
    time_constant: Parameter  # s
    cooling_time_constant: Parameter  # s
    reset_level: Parameter  # 1, a share of the trip level
    kept_without_supply: bool  # the thermal level survives loss of the 12 V supply, and does not cool meanwhile


@dataclass(frozen=True, kw_only=True)
class InverseTime(Function):
    """Overload by an inverse-time characteristic, in the form of IEC 60255-151 and IEEE C37.112.

    Operates after t = multiplier * (k / ((I/pickup)**alpha - 1) + c), not before ``minimum_time``; a varying current by
    the integral of dt/t(I) reaching 1. At or below pickup the integral falls at 1/``reset_time`` per second to 0.
    ``minimum_time`` is time above pickup without a break and does not slow the integral, which neither waiting nor a
    trip stops: it goes on while current flows, but no further than 1. Closing is refused until it is below
    ``reset_level``.
    """

    pickup: Parameter  # A
    multiplier: Parameter  # 1
    k: float  # s
    alpha: float
    c: float  # s
    minimum_time: float  # s
    reset_time: float  # s
    reset_level: Parameter  # 1
    kept_without_supply: bool


@dataclass(frozen=True, kw_only=True)
class DefiniteTime(Function):
    """A quantity beyond ``threshold`` for ``delay``: over- and undervoltage, overcurrent, heat, a stuck switch.

    Starts when the quantity crosses ``threshold`` in the ``direction``, starts anew after it has come back by more than
    ``hysteresis``. ``samples`` (n, m): n of the last m samples of the channel must be beyond, in place of one.
    """

    quantity: Quantity
    direction: Literal["over", "under"]
    threshold: Parameter  # unit of the quantity
    hysteresis: float  # unit of the quantity
    delay: Parameter  # s
    condition: Condition = "always"
    samples: tuple[int, int] = (1, 1)


@dataclass(frozen=True, kw_only=True)
class Instantaneous(Function):
    """Short circuit by comparator, without the CPU: gate off ``response`` s after the current crosses ``threshold``.

    For ``blanking`` s after the gate is switched on, the comparator is not listened to. ``declared.gain`` and
    ``offset`` are those of its threshold; ``response`` (least, most) takes the place of the latency.
    """

    threshold: Parameter  # A
    blanking: float  # s
    response: tuple[float, float]  # s


@dataclass(frozen=True, kw_only=True)
class JunctionTemperature(Function):
    """Estimated junction temperature: heat-sink temperature plus a Foster network fed with P = (I / switches)² R(T).

    R(T) = on_resistance * (1 + temperature_coefficient * (T - 25 degC)) of one of ``switches`` equal ones in parallel,
    each of which carries its share of the current; where there is a ``normalised_resistance``, R(T) is on_resistance
    times the line through its points, straight between and beyond them, which is how any other law is given. Trips at
    ``limit``. Closing is refused at or above ``reset``.
    """

    limit: Parameter  # degC
    reset: Parameter  # degC
    network: tuple[tuple[float, float], ...]  # (R in K/W, tau in s) of one switch, junction to heat sink
    on_resistance: float  # ohm, of one switch at 25 degC
    temperature_coefficient: float  # 1/K
    normalised_resistance: tuple[tuple[float, float], ...] = ()  # (degC, share of on_resistance), both rising
    switches: int
    network_tolerance: float  # 1, of every R of the network
    resistance_tolerance: float  # 1, of the on-resistance


@dataclass(frozen=True, kw_only=True)
class Silence(Function):
    """No valid frame of the master for ``timeout``."""

    timeout: Parameter  # s


@dataclass(frozen=True, kw_only=True)
class SensorCheck(Function):
    """The NTC reads outside ``plausible`` (open, short) or jumps by more than ``step`` in a ``sample``, for ``delay``.

    A jump is measured from the last good reading, which all other functions go on with meanwhile; once the check has
    operated, a reading inside ``plausible`` is a good one again, wherever it lies. A reading may be the mean of what
    was there since the one before, so that a jump comes as two.
    """

    plausible: tuple[float, float]  # degC
    step: float  # K
    sample: float  # s, from one reading to the next
    delay: Parameter  # s


ProtectionFunction = (
    ThermalMemory | InverseTime | DefiniteTime | Instantaneous | JunctionTemperature | Silence | SensorCheck
)
"""Every kind of protection function there is: a union, so that a type checker finds who forgot one."""

CurrentFunction = ThermalMemory | InverseTime | DefiniteTime | Instantaneous | JunctionTemperature
"""Kinds that a current can make operate (DefiniteTime where its quantity is the current)."""
