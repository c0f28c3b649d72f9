"""A bench as its file describes it: which roles it has, where each is reached, its ranges and limits of error.

All figures are SI floats. A bench is simulated only where every role, the LIN port included, resolves in this process;
one real resource, a served port included, makes it real.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from harness.files.load import FileModel, Loaded, Part, load
from harness.files.marks import FileError, FileErrors
from harness.files.scalars import Name, Text, Whole
from harness.quantity import Current, Quantity, Ratio, SlewRate, Time, Voltage, parse

SIMULATED = "simulated"
"""The resource of a role that lives in this process."""
CHANNELS = ("injected", "gate", "current", "switch_voltage", "supply")
"""What a recorder's channels may be connected to."""
_BENCHES = Path(__file__).resolve().parents[2] / "testplans" / "benches"

BreakMethod = Literal["break_condition", "slow_bit_rate"]


@dataclass(frozen=True)
class LinSpec:
    """The LIN master's port: device or URL, and how it makes a break field."""

    port: str
    break_method: BreakMethod


@dataclass(frozen=True)
class SupplySpec:
    """The breaker's 12 V supply; ``uncertainty`` is the standard uncertainty of its voltage reading."""

    resource: str
    voltage: float  # V
    current_limit: float  # A
    uncertainty: float  # V


@dataclass(frozen=True)
class SourceSpec:
    """The high-voltage source and its ranges."""

    resource: str
    voltage: float  # V
    current: float  # A


@dataclass(frozen=True)
class StimulusSpec:
    """An injector or a load: greatest current, fastest slew, limits of error of what it delivers."""

    resource: str
    current: float  # A
    slew: float  # A/s
    gain: float  # 1
    offset: float  # A


@dataclass(frozen=True)
class ChannelSpec:
    """One recorder channel: its number and its limits of error (gain relative, offset in A or V)."""

    number: int
    gain: float
    offset: float


@dataclass(frozen=True)
class RecorderSpec:
    """The recorder: its fastest sampling, its memory, the limit of error of its time base, its channels by name."""

    resource: str
    shortest_interval: float  # s
    points: int
    clock: float  # 1
    channels: Mapping[str, ChannelSpec]


@dataclass(frozen=True)
class BenchSpec:
    """A bench, whole. A role that it does not have is None; ``seed`` is that of the simulated world."""

    name: str
    title: str
    path: Path
    digest: str
    seed: int | None
    lin: LinSpec
    supply_12v: SupplySpec
    source: SourceSpec | None
    load: StimulusSpec | None
    injector: StimulusSpec | None
    recorder: RecorderSpec | None

    @property
    def resources(self) -> dict[str, str]:
        """Role -> resource, of the roles that the bench has."""
        roles = {role: getattr(self, role) for role in ("supply_12v", "source", "load", "injector", "recorder")}
        return {"lin": self.lin.port, **{role: spec.resource for role, spec in roles.items() if spec is not None}}

    @property
    def simulated(self) -> bool:
        """Whether every role resolves in this process."""
        return set(self.resources.values()) == {SIMULATED}


def shipped_bench(name: str) -> Path:
    """Path of the bench file ``name`` that comes with this package. Raises KeyError with the names there are."""
    known = sorted(path.stem for path in _BENCHES.glob("*.yaml"))
    if name not in known:
        raise KeyError(f"no bench {name!r}; there are {', '.join(known)}")
    return _BENCHES / f"{name}.yaml"


def load_bench(path: Path | str, seed: int | None = None) -> BenchSpec:
    """The bench of a file, with another ``seed`` for its simulated world. Raises FileErrors with all that is wrong."""
    loaded = load(path, BenchFile)
    errors = [*_resources(loaded), *_ranges(loaded)]
    if seed is not None and loaded.model.simulated is None:
        errors.append(loaded.error((), "this bench is not simulated, so it takes no seed"))
    if errors:
        raise FileErrors(errors)
    spec = _spec(loaded, Path(path))
    return spec if seed is None else replace(spec, seed=seed)


# The form of a bench file


def _check_resource(value: str) -> str:
    if value != SIMULATED and "::" not in value:
        raise ValueError(f"{value!r}: want a VISA resource name such as 'TCPIP::127.0.0.1::5025::SOCKET'")
    return value


Resource = Annotated[Text, AfterValidator(_check_resource)]


class AccuracySection(Part):
    """Limits of error: relative to the value, and fixed."""

    gain: Ratio
    offset: Current


class VoltageAccuracySection(Part):
    """Limits of error of a voltage reading."""

    gain: Ratio
    offset: Voltage


class LinSection(Part):
    """The LIN master's port."""

    port: Text
    break_method: BreakMethod = Field("break_condition", alias="break")


class Supply12vSection(Part):
    """The breaker's 12 V supply."""

    resource: Resource = SIMULATED
    voltage: Voltage
    current_limit: Current
    # Where the file says nothing, worse than the read-back of any bench supply.
    accuracy: VoltageAccuracySection = VoltageAccuracySection(gain=parse("1 %"), offset=parse("100 mV"))


class SourceSection(Part):
    """The high-voltage source."""

    resource: Resource = SIMULATED
    voltage: Voltage
    current: Current


class StimulusSection(Part):
    """Injector or load."""

    resource: Resource = SIMULATED
    current: Current
    slew: SlewRate
    accuracy: AccuracySection = AccuracySection(gain=parse("1 %"), offset=parse("100 mA"))


class CurrentChannelSection(Part):
    """A channel that measures a current. Its limits of error are asked for: without them there is no verdict."""

    number: Annotated[Whole, Field(ge=1)]
    gain: Ratio
    offset: Current


class VoltageChannelSection(Part):
    """A channel that shows when a voltage changes; its own errors hardly matter for that."""

    number: Annotated[Whole, Field(ge=1)]
    gain: Ratio = parse("0 %")
    offset: Voltage = parse("0 V")


class ChannelsSection(Part):
    """What the recorder's channels are connected to."""

    injected: CurrentChannelSection | None = None
    gate: VoltageChannelSection | None = None
    current: CurrentChannelSection | None = None
    switch_voltage: VoltageChannelSection | None = None
    supply: VoltageChannelSection | None = None


class RecorderSection(Part):
    """The recorder."""

    resource: Resource = SIMULATED
    shortest_interval: Time
    points: Annotated[Whole, Field(ge=2)]
    clock: Ratio
    channels: ChannelsSection


class RolesSection(Part):
    """The bench's roles; without supply_12v there is no bench."""

    supply_12v: Supply12vSection
    source: SourceSection | None = None
    load: StimulusSection | None = None
    injector: StimulusSection | None = None
    recorder: RecorderSection | None = None


class SimulatedSection(Part):
    """The world that lives in this process."""

    seed: Annotated[Whole, Field(ge=0)] = 1


class ServedSection(Part):
    """Who serves this bench; written by ``breakerbench serve`` and read by nobody but people and scripts."""

    pid: Annotated[Whole, Field(ge=1)]
    pty: Text  # the LIN line once more, as a pseudo-terminal: for `lin: {port: ..., break: slow_bit_rate}`


class BenchFile(FileModel):
    """A bench as it is written: with `simulated`, all of it in this process; else each role names its resource."""

    name: Name
    title: Text
    simulated: SimulatedSection | None = None
    served: ServedSection | None = None
    lin: LinSection | None = None
    roles: RolesSection


def _present(roles: RolesSection) -> dict[str, Part]:
    return {role: section for role in type(roles).model_fields if (section := getattr(roles, role)) is not None}


def _resources(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model = loaded.model
    if model.simulated is not None and model.lin is not None:
        yield loaded.error(("lin",), "a simulated bench has its LIN port in process; leave 'lin' out", key=True)
    if model.simulated is None and model.lin is None:
        yield loaded.error((), "want 'lin' with the port, or 'simulated' for a bench in this process")
    owners: dict[str, str] = {}
    for role, section in _present(model.roles).items():
        resource, place = str(getattr(section, "resource")), ("roles", role, "resource")  # noqa: B009 (every role has one)
        if model.simulated is not None and resource != SIMULATED:
            yield loaded.error(place, f"{role}: a bench with 'simulated' has no other resource")
        if model.simulated is None and resource == SIMULATED:
            yield loaded.error(place, f"{role}: want its resource, such as 'TCPIP::127.0.0.1::5025::SOCKET'")
        elif resource != SIMULATED and resource in owners:
            yield loaded.error(place, f"{role} and {owners[resource]} have one and the same resource")
        owners.setdefault(resource, role)


def _ranges(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """Ranges are above 0, limits of error are not negative, no two channels are one."""
    for role, section in _present(loaded.model.roles).items():
        for place, value in _quantities(section, ("roles", role)):
            is_error = place[-1] in ("gain", "offset", "clock")
            if value.exact < 0 or (value.exact == 0 and not is_error):
                yield loaded.error(place, f"{value}: want {'0 or more' if is_error else 'more than 0'}")
    if (recorder := loaded.model.roles.recorder) is None:
        return
    owners: dict[int, str] = {}
    for name, channel in ((name, getattr(recorder.channels, name)) for name in CHANNELS):
        if channel is not None and channel.number in owners:
            message = f"{name} and {owners[channel.number]} are both on channel {channel.number}"
            yield loaded.error(("roles", "recorder", "channels", name, "number"), message)
        if channel is not None:
            owners.setdefault(channel.number, name)


def _quantities(part: Part, place: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Quantity]]:
    for name in type(part).model_fields:
        value = getattr(part, name)
        if isinstance(value, Quantity):
            yield (*place, name), value
        elif isinstance(value, Part):
            yield from _quantities(value, (*place, name))


def _spec(loaded: Loaded[BenchFile], path: Path) -> BenchSpec:
    model, roles = loaded.model, loaded.model.roles
    lin, supply, source = model.lin, roles.supply_12v, roles.source
    reading = supply.accuracy.gain.si * supply.voltage.si + supply.accuracy.offset.si
    return BenchSpec(
        name=model.name,
        title=model.title,
        path=path,
        digest=loaded.document.digest,
        seed=None if model.simulated is None else model.simulated.seed,
        lin=LinSpec(SIMULATED, "break_condition") if lin is None else LinSpec(lin.port, lin.break_method),
        supply_12v=SupplySpec(
            supply.resource,
            supply.voltage.si,
            supply.current_limit.si,
            reading / math.sqrt(3),  # limits of error taken as rectangular (JCGM 100, 4.3.7)
        ),
        source=None if source is None else SourceSpec(source.resource, source.voltage.si, source.current.si),
        load=_stimulus(roles.load),
        injector=_stimulus(roles.injector),
        recorder=_recorder(roles.recorder),
    )


def _stimulus(section: StimulusSection | None) -> StimulusSpec | None:
    if section is None:
        return None
    accuracy = section.accuracy
    return StimulusSpec(section.resource, section.current.si, section.slew.si, accuracy.gain.si, accuracy.offset.si)


def _recorder(section: RecorderSection | None) -> RecorderSpec | None:
    if section is None:
        return None
    channels = {name: getattr(section.channels, name) for name in CHANNELS}
    return RecorderSpec(
        section.resource,
        section.shortest_interval.si,
        section.points,
        section.clock.si,
        {
            name: ChannelSpec(channel.number, channel.gain.si, channel.offset.si)
            for name, channel in channels.items()
            if channel is not None
        },
    )
