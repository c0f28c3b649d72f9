"""Steps that apply a quantity to the breaker and say what must come of it.

A stimulus has exactly one of the keys of STIMULI, whose value is where the quantity goes; ``slew``, ``ramp`` and
``pulses`` say how. After the step a current is off and any other quantity back at its healthy value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from harness.files.load import Part
from harness.files.scalars import Flag, Name, Whole
from harness.plan.steps.step import Step
from harness.quantity import AnyQuantity, Current, Dimension, Quantity, Temperature, Time, Voltage, parse
from protocol import protection

Start = Literal["cold", "from_history"]
COLD_AT_MOST = 0.02
"""Level up to which a start counts as cold: a band knows the level, this only keeps a plan honest."""
SENSOR_FAULTS = ("open", "short")
"""What ``heat_sink`` may be in place of a temperature: the thermistor's line open or shorted."""


@dataclass(frozen=True)
class Stimuli:
    """What a key of a stimulus sets: the quantity, its unit, the roles that give it, the channel that records it."""

    quantity: protection.Quantity
    unit: str
    roles: tuple[str, ...]
    channel: str

    @property
    def rate_unit(self) -> str:
        """Unit of its slew."""
        return "K/s" if self.unit == "degC" else f"{self.unit}/s"


STIMULI: Mapping[str, Stimuli] = {
    "inject": Stimuli("current", "A", ("injector",), "injected"),
    "draw": Stimuli("current", "A", ("source", "load"), "current"),
    "supply": Stimuli("supply_voltage", "V", ("supply_12v",), "supply"),
    "bus": Stimuli("bus_voltage", "V", ("bus_signal",), "bus"),
    "gate_rail": Stimuli("gate_rail_voltage", "V", ("gate_supply",), "gate_rail"),
    "heat_sink": Stimuli("heat_sink_temperature", "degC", ("ntc",), "heat_sink"),
}
"""Key -> what it sets. ``inject`` is secondary (into the sensing input), ``draw`` primary (through the switch)."""

_RATES = ("A/s", "V/s", "K/s")


def _temperature_or_fault(value: Any) -> Any:
    return value if value in SENSOR_FAULTS else Dimension("degC").read(value)


def _rate(value: Quantity) -> Quantity:
    if value.base not in _RATES:
        raise ValueError(f"{str(value)!r}: want a rate, in {', '.join(_RATES)}")
    return value


HeatSink = Annotated[
    Temperature | Literal["open", "short"],
    BeforeValidator(_temperature_or_fault),
]
Rate = Annotated[AnyQuantity, AfterValidator(_rate)]


class Ramp(Part):
    """From ``from`` to the stimulus' value at ``rate``, which is more than 0 in either direction."""

    begin: AnyQuantity = Field(alias="from")
    rate: Rate


class Pulses(Part):
    """The stimulus' value for ``on``, then ``low`` for ``off``, ``count`` times: pulsed duty, ripple, inrush."""

    on: Time
    off: Time
    low: Current = parse("0 A")
    count: Annotated[Whole, Field(ge=1, le=10_000)] = 1


class Stimulus(Step):
    """One quantity on its way to one value. ``slew`` is the instrument's fastest where absent.

    ``closing``: the quantity is there first, and the breaker is then closed onto it; its times count from the closing.
    ``switch: open``: it is there while the switch is commanded open, such as a current through a switch that is stuck.
    """

    inject: Current | None = None
    draw: Current | None = None
    supply: Voltage | None = None
    bus: Voltage | None = None
    gate_rail: Voltage | None = None
    heat_sink: HeatSink | None = None
    voltage: Voltage | None = None  # of the source, with draw
    slew: Rate | None = None
    ramp: Ramp | None = None
    pulses: Pulses | None = None
    closing: Flag = False
    switch: Literal["open", "closed"] = "closed"

    @model_validator(mode="after")
    def _one_way(self) -> Stimulus:
        keys = [key for key in STIMULI if getattr(self, key) is not None]
        if len(keys) != 1:
            raise ValueError(f"want exactly one of {', '.join(STIMULI)}")
        if (self.draw is None) != (self.voltage is None):
            raise ValueError("voltage goes with draw, and only with it")
        if sum(way is not None for way in (self.slew, self.ramp, self.pulses)) > 1 and not (self.slew and self.pulses):
            raise ValueError("want either slew or ramp, and no ramp with pulses")
        if self.pulses is not None and not self.is_current:
            raise ValueError("pulses go with inject or draw")
        if self.level in SENSOR_FAULTS and (self.slew or self.ramp):
            raise ValueError("an open or shorted thermistor has no slew and no ramp")
        if self.closing and self.switch == "open":
            raise ValueError("closing ends with the switch closed; want either closing or switch: open")
        self._check_units()
        return self

    def _check_units(self) -> None:
        stimuli = STIMULI[self.key]
        rates = [("slew", self.slew), ("ramp", self.ramp.rate if self.ramp else None)]
        for name, rate in rates:
            if rate is not None and rate.base != stimuli.rate_unit:
                raise ValueError(f"{name}: {rate} is no rate for {self.key}; want one in {stimuli.rate_unit}")
        if self.ramp is not None and self.ramp.begin.base != stimuli.unit:
            raise ValueError(f"ramp: {self.ramp.begin} is no value of {self.key}; want one in {stimuli.unit}")

    @property
    def key(self) -> str:
        """Which of STIMULI the step has."""
        return next(key for key in STIMULI if getattr(self, key) is not None)

    @property
    def quantity(self) -> protection.Quantity:
        """What is applied."""
        return STIMULI[self.key].quantity

    @property
    def is_current(self) -> bool:
        """Whether a current is applied."""
        return self.quantity == "current"

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset({*STIMULI[self.key].roles, "recorder"})

    @property
    def level(self) -> Quantity | Literal["open", "short"]:
        """Where the quantity goes, as it is written."""
        level: Quantity | Literal["open", "short"] = getattr(self, self.key)
        return level

    @property
    def value(self) -> float:
        """The same in the base unit. Not for an open or shorted thermistor, which has no value."""
        level = self.level
        assert isinstance(level, Quantity)
        return level.si

    @property
    def levels(self) -> Mapping[tuple[str, ...], float]:
        """Every value that is commanded, in the base unit, by its place in the step; not for open or short either."""
        found: dict[tuple[str, ...], float] = {(self.key,): self.value}
        if self.ramp is not None:
            found["ramp", "from"] = self.ramp.begin.si
        if self.pulses is not None:
            found["pulses", "low"] = self.pulses.low.si
        return found

    @property
    def highest(self) -> float:
        """The greatest of them: what the step must not be too much with."""
        return max(self.levels.values())

    @property
    def highest_at(self) -> tuple[str, ...]:
        """The place of it in the step."""
        levels = self.levels
        return max(levels, key=levels.__getitem__)

    @property
    def current(self) -> float:
        """The commanded current in A; the higher one of pulses."""
        assert self.is_current
        return self.value

    @property
    def train(self) -> tuple[tuple[float, float], ...]:
        """Pulses one after the other, as (A, s); empty where the stimulus has none."""
        if self.pulses is None:
            return ()
        one = ((self.current, self.pulses.on.si), (self.pulses.low.si, self.pulses.off.si))
        return one * self.pulses.count

    @property
    def ramp_s(self) -> float:
        """Duration of the ramp in s; 0 without one."""
        if self.ramp is None or self.ramp.rate.si == 0:
            return 0.0
        return abs(self.value - self.ramp.begin.si) / abs(self.ramp.rate.si)


class ExpectTrip(Stimulus):
    """Apply the stimulus and time how ``function`` operates against its band; the cut-off is computed, not typed."""

    function: Name
    start: Start = "from_history"


class ExpectNoTrip(Stimulus):
    """Apply the stimulus for ``duration``, or for as long as its pulses last; no function may operate.

    ``bits``: status bits as they must be at the last look at the breaker while the stimulus is there.
    """

    duration: Time | None = None
    bits: Mapping[Name, Flag] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _lasts(self) -> ExpectNoTrip:
        if (self.duration is None) == (self.pulses is None):
            raise ValueError("want duration, or pulses, which last as long as they do")
        if self.bits and self.pulses is not None:
            raise ValueError("bits want a stimulus that stays where it is; no pulses")
        return self

    @property
    def seconds(self) -> float:
        """How long the stimulus lasts, s, its ramp included."""
        if self.duration is None:
            return sum(seconds for _, seconds in self.train)
        return self.ramp_s + self.duration.si


class Silence(Step):
    """No traffic of the master for ``duration``. With ``function`` that one must operate inside its band, else none."""

    duration: Time
    function: Name | None = None

    @property
    def roles(self) -> frozenset[str]:
        """See Step. Without a master's frames only the recorder sees when the gate falls."""
        return frozenset({"recorder"} if self.function is not None else ())


class VoltageDrop(Part):
    """A current through the closed switch, and the most that may fall across it."""

    draw: Current
    voltage: Voltage
    at_most: Voltage


class Leakage(Part):
    """A voltage across the open switch, and the most that may flow through it."""

    voltage: Voltage
    at_most: Current


class Zero(Part):
    """The current that the breaker reports while none flows."""

    at_most: Current


class CheckHealth(Step):
    """Measure what tells a worn or damaged switch: its voltage drop, its leakage, its sensor's zero."""

    voltage_drop: VoltageDrop | None = None
    leakage: Leakage | None = None
    zero: Zero | None = None

    @model_validator(mode="after")
    def _something(self) -> CheckHealth:
        if self.voltage_drop is None and self.leakage is None and self.zero is None:
            raise ValueError("nothing to check: want voltage_drop, leakage or zero")
        return self

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        drop = {"source", "load", "recorder"} if self.voltage_drop else set()
        return frozenset(drop | ({"source", "recorder"} if self.leakage else set()))
