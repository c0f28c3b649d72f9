"""What makes a profile's protection functions wrong: parameters, units, limits of error, and what they rest on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from harness.files.load import Loaded
from harness.files.marks import FileError
from harness.files.profile_check import QUANTITY_UNITS, Place, unknown
from harness.files.profile_model import (
    DefiniteTimeSection,
    FunctionSection,
    InstantaneousSection,
    InverseTimeSection,
    JunctionTemperatureSection,
    Profile,
    SensorCheckSection,
    SilenceSection,
    ThermalMemorySection,
)
from harness.quantity import Quantity, show

Faults = Iterator[FileError]

PARAMETER_UNITS: Mapping[type[FunctionSection], Mapping[str, str]] = {
    ThermalMemorySection: {"pickup": "A", "time_constant": "s", "cooling_time_constant": "s", "reset_level": "1"},
    InverseTimeSection: {"pickup": "A", "multiplier": "1", "reset_level": "1"},
    DefiniteTimeSection: {"delay": "s"},  # and the threshold, in the unit of what it watches
    InstantaneousSection: {"threshold": "A"},
    JunctionTemperatureSection: {"limit": "degC", "reset": "degC"},
    SilenceSection: {"timeout": "s"},
    SensorCheckSection: {"delay": "s"},
}
"""Parameters of each kind, with their units. Total over the kinds of section, and a test says so."""
_MAY_BE_ZERO = {"threshold", "limit", "reset"}  # 0 V disables, 0 degC is a temperature; else every formula would end


def check_functions(loaded: Loaded[Profile]) -> Faults:
    """Every fault of every function."""
    for name, section in loaded.model.functions.items():
        place: Place = ("functions", name)
        if section.cause not in loaded.model.fault_codes:
            message = unknown("fault code", section.cause, loaded.model.fault_codes)
            yield loaded.error((*place, "cause"), message)
        units = dict(PARAMETER_UNITS[type(section)])
        if isinstance(section, DefiniteTimeSection):
            units["threshold"] = QUANTITY_UNITS[section.watches]
        for key, base in units.items():
            yield from _parameter(loaded, (*place, key), getattr(section, key), base, key in _MAY_BE_ZERO)
        yield from _declared(loaded, place, section, _unit_of(section))
    yield from _priorities(loaded)
    yield from _what_they_rest_on(loaded)


def _unit_of(section: FunctionSection) -> str:
    """Unit of the limits of error: that of what the function watches; a difference of temperatures is in K."""
    if isinstance(section, DefiniteTimeSection):
        unit = QUANTITY_UNITS[section.watches]
    elif isinstance(section, SilenceSection):
        unit = "s"
    else:
        unit = "degC" if isinstance(section, SensorCheckSection) else "A"
    return "K" if unit == "degC" else unit


def _parameter(
    loaded: Loaded[Profile], place: Place, value: Quantity | str | Mapping[str, str], base: str, zero: bool
) -> Faults:
    points, modes = loaded.model.set_points, loaded.model.command.mode
    if isinstance(value, Mapping):
        known = set() if modes is None else modes.values.keys()
        for mode, name in value.items():
            if mode not in known:
                yield loaded.error((*place, mode), unknown("mode", mode, known), key=True)
            yield from _parameter(loaded, (*place, mode), name, base, zero)
        return
    if isinstance(value, str) and value not in points:
        yield loaded.error(place, unknown("set-point", value, points))
        return
    least = points[value].minimum if isinstance(value, str) else value
    unit = points[value].scale.base if isinstance(value, str) else value.base
    if unit != base:
        yield loaded.error(place, f"{value} is in {unit or 'no unit'}; want one in {base}")
    elif not zero and least.exact <= 0:
        yield loaded.error(place, f"{value} may be {show(least.si, base)}; want more than 0")
    if place[-1] == "reset_level":
        most = points[value].maximum if isinstance(value, str) else value
        if most.base == "1" and most.exact >= 1:
            yield loaded.error(place, f"{most} is not below the trip level, 100 %")


def _declared(loaded: Loaded[Profile], place: Place, section: FunctionSection, unit: str) -> Faults:
    own = section.accuracy
    if own is None:
        if unit != "A":
            message = "want an accuracy of its own: the device's is that of a current"
            yield loaded.error(place, message, key=True)
        return
    if own.offset.base != unit:
        yield loaded.error((*place, "accuracy", "offset"), f"{own.offset}: want one in {unit}")
    for key in ("gain", "timer"):
        if not 0 <= getattr(own, key).exact < 1:
            yield loaded.error((*place, "accuracy", key), f"{getattr(own, key)}: want 0 % to below 100 %")
    low, high = own.latency
    if not 0 <= low.exact <= high.exact:
        yield loaded.error((*place, "accuracy", "latency"), f"{low} to {high}: want 0 or more, the least first")


def _priorities(loaded: Loaded[Profile]) -> Faults:
    owners: dict[int, str] = {}
    for name, section in loaded.model.functions.items():
        if section.priority in owners:
            message = f"{owners[section.priority]} has priority {section.priority} already"
            yield loaded.error(("functions", name, "priority"), message)
        owners.setdefault(section.priority, name)


def _what_they_rest_on(loaded: Loaded[Profile]) -> Faults:
    """A temperature needs a thermistor, and no current may lie beyond the samples and below the slowest comparator."""
    profile = loaded.model
    for name, section in profile.functions.items():
        place: Place = ("functions", name)
        warm = isinstance(section, SensorCheckSection | JunctionTemperatureSection) or (
            isinstance(section, DefiniteTimeSection) and section.watches == "heat_sink_temperature"
        )
        if warm and profile.thermistor is None:
            yield loaded.error(place, "needs a thermistor, and the profile has none", key=True)
        if isinstance(section, InstantaneousSection) and section.accuracy is not None:
            yield from _no_gap(loaded, place, section)
        if isinstance(section, JunctionTemperatureSection):
            yield from _resistance_law(loaded, place, section)


def _resistance_law(loaded: Loaded[Profile], place: Place, section: JunctionTemperatureSection) -> Faults:
    """A coefficient, or points that rise and begin at or pass through 100 % at 25 degC."""
    points = section.normalised_resistance
    if (section.temperature_coefficient is None) == (points is None):
        yield loaded.error(place, "want either temperature_coefficient or normalised_resistance", key=True)
    if points is None:
        return
    here = (*place, "normalised_resistance")
    if len(points) < 2 or not any(at.exact == 25 and share.exact == 1 for at, share in points):
        yield loaded.error(here, "want two points or more, one of them [25 degC, 100 %]")
    for number, ((cold, low), (hot, high)) in enumerate(pairwise(points)):
        if not (cold.exact < hot.exact and 0 < low.exact <= high.exact):
            yield loaded.error((*here, number + 1), f"want a higher temperature than {cold}, and no less than {low}")


def _no_gap(loaded: Loaded[Profile], place: Place, section: InstantaneousSection) -> Faults:
    assert section.accuracy is not None
    points, value = loaded.model.set_points, section.threshold
    names = [value] if isinstance(value, str) else list(value.values()) if isinstance(value, Mapping) else []
    tops = [points[name].maximum.si for name in names if name in points]
    tops += [value.si] if isinstance(value, Quantity) else []
    highest = max(tops, default=0.0) * (1 + section.accuracy.gain.si) + section.accuracy.offset.si
    full_scale = loaded.model.sensing.full_scale
    if highest > full_scale.si:
        message = f"the comparator may need {show(highest, 'A')}, and samples end at {full_scale}: a gap between both"
        yield loaded.error((*place, "threshold"), message)
