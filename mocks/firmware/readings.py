"""The firmware's own numbers as they are now, by the names that records and signals have for them."""

from __future__ import annotations

from collections.abc import Callable

from mocks.firmware.tasks import Firmware

READINGS: dict[str, Callable[[Firmware], int]] = {
    "current": lambda firmware: firmware.current,
    "heat": lambda firmware: firmware.overload.level,
    "junction_temperature": lambda firmware: firmware.capture("").junction_temperature,
    "supply_voltage": lambda firmware: firmware.readings()["supply_voltage"],
    "gate_rail_voltage": lambda firmware: firmware.readings()["gate_rail_voltage"],
    "bus_voltage": lambda firmware: firmware.readings()["bus_voltage"],
    "heat_sink_temperature": lambda firmware: firmware.readings()["heat_sink_temperature"],
    "uptime": lambda firmware: firmware.uptime_ms,
    "trip_count": lambda firmware: firmware.trip_count,
    "mode": lambda firmware: firmware.mode,
    "software": lambda firmware: firmware.software,
}
"""Name -> number, in the units that mocks.firmware.tasks.Trip has."""
