"""A unit's integer constants, worked out from its device description as an end-of-line tester would, exactly."""

from __future__ import annotations

from fractions import Fraction

from mocks.calibrate_protection import current_count, protection, tick_us
from mocks.firmware.calibration import Calibration, Scale, StatusCalibration
from mocks.firmware.overload import TRIP_LEVEL
from mocks.firmware.states import State
from mocks.thermistor import table
from protocol.device import Device, Field, SnapshotSource

_NO_LOCKOUT = 1 << 32  # trips in a row that do not come
_BITS = ("pickup", "tripped", "hot")
_STEPS: dict[SnapshotSource, Fraction] = {
    "heat": Fraction(1, TRIP_LEVEL),
    "junction_temperature": Fraction(1, 1000),
    "supply_voltage": Fraction(1, 1000),
    "gate_rail_voltage": Fraction(1, 1000),
    "bus_voltage": Fraction(1, 10),
    "heat_sink_temperature": Fraction(1, 10),
    "operate_time": Fraction(1, 1000),
    "uptime": Fraction(1, 1000),
    "trip_count": Fraction(1),
    "mode": Fraction(1),
}


def calibrate(device: Device, network_error: float = 0.0, resistance_error: float = 0.0) -> Calibration:
    """Constants for ``device``; the relative errors are what this unit's junction network and on-resistance are off by.

    Raises ValueError for a device that this firmware cannot be: see ``mocks.calibrate_protection.protection``; status
    bits other than pickup, tripped, hot; sampling periods that are not whole microseconds, the slow one a multiple of
    the fast one.
    """
    fast_us, slow_us = tick_us(device)
    lockout = device.lockout
    return Calibration(
        fast_period_us=fast_us,
        slow_period_us=slow_us,
        defaults={name: point.field.to_raw(point.default) for name, point in device.set_points.items()},
        open_command=device.command.commands["open"],
        close_command=device.command.commands["close"],
        temperatures=(250,) if device.thermistor is None else table(device.thermistor),
        lockout_trips=_NO_LOCKOUT if lockout is None else lockout.trips,
        lockout_window_ms=0 if lockout is None else round(lockout.window * 1000),
        protection=protection(device, (1 + network_error) * (1 + resistance_error)),
        status=_status(device),
    )


def field_scale(device: Device, source: SnapshotSource, field: Field) -> Scale:
    """From the firmware's own number for ``source`` (see mocks.firmware.tasks.Trip) to raw values of ``field``."""
    step = current_count(device) if source == "current" else _STEPS[source]
    low, high = field.raw_range
    return _scale(step, field.scale, field.offset, low, high)


def _scale(step: Fraction, scale: Fraction, offset: Fraction, low: int, high: int) -> Scale:
    ratio = step / scale
    return Scale(ratio.numerator, ratio.denominator, round(-offset / scale), low, high)


def _status(device: Device) -> StatusCalibration:
    status = device.status
    unknown = status.bits.keys() - set(_BITS)
    if unknown:
        raise ValueError(
            f"{device.name}: the mock has status bits {', '.join(_BITS)}, not {', '.join(sorted(unknown))}"
        )
    current = device.node.frames[status.frame].signal(status.current_signal).encoding.physical[0]
    return StatusCalibration(
        state_signal=status.state_signal,
        states={state: status.states[state.value] for state in State},
        switch_signal=status.switch_signal,
        switch={False: status.switch["open"], True: status.switch["closed"]},
        cause_signal=status.cause_signal,
        causes={name: code.cause_value for name, code in device.fault_codes.items()},
        current_signal=status.current_signal,
        current=_scale(current_count(device), current.scale, current.offset, current.low, current.high),
        bits=status.bits,
    )
