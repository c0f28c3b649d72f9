"""A bench as its file describes it: which roles it has, where each is reached, its ranges and limits of error.

All figures are SI floats. A bench is simulated only where every role, the LIN port included, resolves in this process;
one real resource, a served port included, makes it real.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from harness.bench.bench_file import (
    CHANNELS,
    BenchFile,
    BreakMethod,
    NtcSection,
    RolesSection,
)
from harness.bench.calibration import Calibration
from harness.bench.dialect import Dialect, unknown_verbs
from harness.bench.flash import PLACEHOLDERS
from harness.bench.instrument_file import InstrumentSection
from harness.bench.instrument_spec import (
    LinSpec,
    ProgrammingSpec,
    RecorderSpec,
    SignalSpec,
    SourceSpec,
    StimulusSpec,
    SupplySpec,
    ntc_of,
    recorder_of,
    signal_of,
    stimulus_of,
)
from harness.bench.owners import owners
from harness.bench.resource import SIMULATED, canonical
from harness.bench.safety_rules import unsafe
from harness.bench.safety_spec import (
    BackupSpec,
    BankSpec,
    ChamberSpec,
    ContactorSpec,
    DischargeSpec,
    InterlockSpec,
    IsolationSpec,
    LimitsSpec,
    LoopSpec,
    PrechargeSpec,
    VoltmeterSpec,
    WatchdogSpec,
    safety_of,
)
from harness.files.load import Loaded, Part, load
from harness.files.marks import FileError, FileErrors
from harness.quantity import Quantity

__all__ = ["CHANNELS", "SIMULATED", "BenchFile", "BenchSpec", "BreakMethod", "load_bench", "shipped_bench"]

_BENCHES = Path(__file__).resolve().parents[2] / "testplans" / "benches"


@dataclass(frozen=True)
class BenchSpec:
    """A bench, whole. A role that it does not have is None.

    ``seed`` and ``noise_seed`` are the simulated world's: which unit and instruments, and which run of them.

    ``commands`` are programs of this bench, name -> arguments: `key` reads a seed in hexadecimal and writes the key,
    `flash` puts an image into the breaker (see harness/bench/flash.py).
    """

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
    gate_supply: SignalSpec | None = None
    bus_signal: SignalSpec | None = None
    ntc: SignalSpec | None = None
    programming: ProgrammingSpec | None = None
    interlock: InterlockSpec | None = None
    voltmeter: VoltmeterSpec | None = None
    bank: BankSpec | None = None
    isolation: IsolationSpec | None = None
    chamber: ChamberSpec | None = None
    contactor: ContactorSpec | None = None
    discharge: DischargeSpec | None = None
    precharge: PrechargeSpec | None = None
    watchdog: WatchdogSpec | None = None
    loop: LoopSpec | None = None
    backup: BackupSpec | None = None
    limits: LimitsSpec | None = None
    commands: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    noise_seed: int | None = None
    calibrations: Mapping[str, Calibration] = field(default_factory=dict)  # by role
    dialects: Mapping[str, Dialect] = field(default_factory=dict)  # by role

    @property
    def resources(self) -> dict[str, str]:
        """Role -> resource, of the roles that the bench has."""
        roles = {role: getattr(self, role) for role in RolesSection.model_fields}
        return {"lin": self.lin.port, **{role: spec.resource for role, spec in roles.items() if spec is not None}}

    @property
    def claimed(self) -> list[str]:
        """Every resource outside this process that a run opens: those of the roles, and the watchdog's own."""
        dog = self.watchdog
        links = [] if dog is None else [dog.interlock, dog.source, dog.bank]
        return [name for name in (*self.resources.values(), *links) if name not in (None, SIMULATED)]

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


def load_bench(path: Path | str, seed: int | None = None, noise_seed: int | None = None) -> BenchSpec:
    """The bench of a file, with another ``seed`` or ``noise_seed`` for its simulated world.

    Raises FileErrors with all that is wrong.
    """
    loaded = load(path, BenchFile)
    errors = [*_resources(loaded), *_ranges(loaded), *_flash_words(loaded), *_verbs(loaded)]
    errors += [] if errors else unsafe(loaded)
    if (seed, noise_seed) != (None, None) and loaded.model.simulated is None:
        errors.append(loaded.error((), "this bench is not simulated, so it takes no seed"))
    if errors:
        raise FileErrors(errors)
    spec = _spec(loaded, Path(path))
    return replace(
        spec,
        seed=spec.seed if seed is None else seed,
        noise_seed=spec.noise_seed if noise_seed is None else noise_seed,
    )


# From the form to the value


def _present(roles: RolesSection) -> dict[str, Part]:
    return {role: section for role in type(roles).model_fields if (section := getattr(roles, role)) is not None}


def _instruments(roles: RolesSection) -> list[tuple[str, InstrumentSection]]:
    return [(role, section) for role, section in _present(roles).items() if isinstance(section, InstrumentSection)]


def _verbs(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """Only headers that the role uses can be overridden."""
    for role, section in _instruments(loaded.model.roles):
        for header, message in unknown_verbs(role, section.verbs):
            yield loaded.error(("roles", role, "verbs", header), message, key=True)


def _resources(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model = loaded.model
    if model.simulated is not None and model.lin is not None:
        yield loaded.error(("lin",), "a simulated bench has its LIN port in process; leave 'lin' out", key=True)
    if model.simulated is None and model.lin is None:
        yield loaded.error((), "want 'lin' with the port, or 'simulated' for a bench in this process")
    taken = owners(model)
    for role, section in _present(model.roles).items():
        resource, place = str(getattr(section, "resource")), ("roles", role, "resource")  # noqa: B009 (every role has one)
        if model.simulated is not None and resource != SIMULATED:
            yield loaded.error(place, f"{role}: a bench with 'simulated' has no other resource")
        if model.simulated is None and resource == SIMULATED:
            yield loaded.error(place, f"{role}: want its resource, such as 'TCPIP::127.0.0.1::5025::SOCKET'")
        elif resource != SIMULATED and (owner := taken[canonical(resource)]) != role:
            yield loaded.error(place, f"{role} and {owner} have one and the same resource")


def _flash_words(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """Every word in braces of the flash command is a placeholder that this bench can fill in."""
    for index, word in enumerate(loaded.model.commands.get("flash", ())):
        for found in re.findall(r"\{\w*\}", word):
            place = ("commands", "flash", index)
            if found not in PLACEHOLDERS:
                yield loaded.error(place, f"{found} stands for nothing; want {', '.join(PLACEHOLDERS)}")
            elif found == "{programming}" and loaded.model.roles.programming is None:
                yield loaded.error(place, "{programming}: this bench has no role 'programming'")


def _ranges(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """Ranges are above 0, limits of error are not negative, no two channels are one."""
    for role, section in _present(loaded.model.roles).items():
        for place, value in _quantities(section, ("roles", role)):
            is_error = place[-1] in ("gain", "offset", "clock")
            if value.base == "degC":
                continue  # 0 degC is no more than a place on a scale
            if value.exact < 0 or (value.exact == 0 and not is_error):
                yield loaded.error(place, f"{value}: want {'0 or more' if is_error else 'more than 0'}")
    yield from _healthy(loaded)
    if (recorder := loaded.model.roles.recorder) is None:
        return
    owners: dict[int, str] = {}
    for name, channel in ((name, getattr(recorder.channels, name)) for name in CHANNELS):
        if channel is not None and channel.number in owners:
            message = f"{name} and {owners[channel.number]} are both on channel {channel.number}"
            yield loaded.error(("roles", "recorder", "channels", name, "number"), message)
        if channel is not None:
            owners.setdefault(channel.number, name)


def _healthy(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """Where a role rests lies inside its range."""
    for role, section in _present(loaded.model.roles).items():
        highest: Quantity | None = getattr(section, "highest", None)
        key = "temperature" if isinstance(section, NtcSection) else "voltage"
        healthy: Quantity | None = getattr(section, key, None)
        if highest is None or healthy is None:
            continue
        lowest = section.lowest.exact if isinstance(section, NtcSection) else Fraction(0)
        if not lowest <= healthy.exact <= highest.exact:
            yield loaded.error(("roles", role, key), f"{healthy} is outside the range of {role}, up to {highest}")


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
        noise_seed=None if model.simulated is None else model.simulated.noise,
        lin=LinSpec(SIMULATED, "break_condition") if lin is None else LinSpec(lin.port, lin.break_method),
        supply_12v=SupplySpec(
            supply.resource,
            supply.voltage.si,
            supply.current_limit.si,
            reading / math.sqrt(3),  # limits of error taken as rectangular (JCGM 100, 4.3.7)
            (supply.highest or supply.voltage).si,
            supply.accuracy.gain.si,
            supply.accuracy.offset.si,
        ),
        source=None if source is None else SourceSpec(source.resource, source.voltage.si, source.current.si),
        load=stimulus_of(roles.load),
        injector=stimulus_of(roles.injector),
        recorder=recorder_of(roles.recorder),
        gate_supply=signal_of(roles.gate_supply),
        bus_signal=signal_of(roles.bus_signal),
        ntc=ntc_of(roles.ntc),
        programming=None if roles.programming is None else ProgrammingSpec(roles.programming.resource),
        **safety_of(model),
        commands={str(name): words for name, words in model.commands.items()},
        calibrations={role: Calibration(section.calibrated, section.due) for role, section in _instruments(roles)},
        dialects={role: Dialect(section.identity or "", section.verbs) for role, section in _instruments(roles)},
    )
