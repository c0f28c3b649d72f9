"""A unit's integer constants, worked out from its device description as an end-of-line tester would, exactly."""

from __future__ import annotations

from fractions import Fraction

from mocks.firmware.calibration import Calibration, OverloadCalibration, Scale, StatusCalibration
from mocks.firmware.protect import TRIP_LEVEL
from mocks.firmware.states import State
from protocol.device import Device, Field, SetPoint, SnapshotSource
from protocol.protection import Parameter, ThermalMemory


def calibrate(device: Device) -> Calibration:
    """Constants for ``device``.

    Raises ValueError for a device that this firmware is not made for: it has one thermal memory, all of whose
    parameters are set-points.
    """
    (function,) = (each for each in device.functions.values() if isinstance(each, ThermalMemory))
    return Calibration(
        slow_period_us=device.sensing.slow_period_ns // 1000,
        defaults={name: point.field.to_raw(point.default) for name, point in device.set_points.items()},
        open_command=device.command.commands["open"],
        close_command=device.command.commands["close"],
        overload=_overload(device, function),
        status=_status(device),
    )


def current_count(device: Device) -> Fraction:
    """Amperes in one count of the slow channel, which spans full scale in both directions."""
    return 2 * Fraction(str(device.sensing.full_scale)) / (1 << device.sensing.slow_bits)


def field_scale(device: Device, source: SnapshotSource, field: Field) -> Scale:
    """From the firmware's own number for ``source`` (see mocks.firmware.tasks.Trip) to raw values of ``field``."""
    step = {
        "current": current_count(device),
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
    }[source]
    low, high = field.raw_range
    return _scale(step, field.scale, field.offset, low, high)


def _scale(step: Fraction, scale: Fraction, offset: Fraction, low: int, high: int) -> Scale:
    ratio = step / scale
    return Scale(ratio.numerator, ratio.denominator, round(-offset / scale), low, high)


def _overload(device: Device, function: ThermalMemory) -> OverloadCalibration:
    pickup = _set_point(device, function.pickup)
    heating = _set_point(device, function.time_constant)
    cooling = _set_point(device, function.cooling_time_constant)
    reset = _set_point(device, function.reset_level)
    return OverloadCalibration(
        pickup=pickup.name,
        time_constant=heating.name,
        cooling_time_constant=cooling.name,
        reset_level=reset.name,
        counts_q16=round(pickup.field.scale / current_count(device) * (1 << 16)),
        time_constant_us=round(heating.field.scale * 1_000_000),
        cooling_time_constant_us=round(cooling.field.scale * 1_000_000),
        reset_level_q30=round(reset.field.scale * TRIP_LEVEL),
        kept_without_supply=function.kept_without_supply,
        cause=function.cause,
    )


def _set_point(device: Device, parameter: Parameter) -> SetPoint:
    if parameter.set_point is None:
        raise ValueError(f"{device.name}: the mock wants every parameter of its thermal memory to be a set-point")
    return device.set_points[parameter.set_point]


def _status(device: Device) -> StatusCalibration:
    status = device.status
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
