"""The firmware's own numbers as they are now, by the names that records and signals have for them."""

from __future__ import annotations

from collections.abc import Callable

from mocks.firmware.tasks import Firmware

SOFTWARE = 0x0142
"""Number of this application: major version, then minor and patch, a digit each."""

READINGS: dict[str, Callable[[Firmware], int]] = {
    "current": lambda firmware: firmware.current,
    "heat": lambda firmware: firmware.overload.level,
    "supply_voltage": lambda firmware: firmware.read_supply(),
    "uptime": lambda firmware: firmware.uptime_ms,
    "trip_count": lambda firmware: firmware.trip_count,
    "software": lambda firmware: SOFTWARE,
}
"""Name -> number, in the units that mocks.firmware.tasks.Trip has."""
