import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from harness.files.profile import load_device, shipped_device
from harness.trip.band import operate_band
from harness.trip.characteristic import Characteristic
from protocol.device import Device
from protocol.protection import Declared, Parameter, ThermalMemory


def memory(name: str, pickup_at: float, tau: float) -> ThermalMemory:
    fixed = [Parameter(None, value) for value in (pickup_at, tau, tau, 0.5)]
    pickup, time_constant, cooling, reset = fixed
    return ThermalMemory(
        name=name,
        cause="overload",
        priority=int(pickup_at),
        declared=Declared(0.01, 0.1, 0.01, (0.0, 0.025)),
        pickup=pickup,
        time_constant=time_constant,
        cooling_time_constant=cooling,
        reset_level=reset,
        kept_without_supply=False,
    )


@cache
def heater() -> Device:
    """With its overload function alone."""
    device = whole("heater")
    return replace(device, functions={"overload": device.functions["overload"]})


@cache
def whole(name: str) -> Device:
    return load_device(shipped_device(name))


def two_functions() -> Characteristic:
    """A slow function that picks up first and a quick one that picks up later: their curves cross."""
    functions = {"slow": memory("slow", 20.0, 100.0), "quick": memory("quick", 40.0, 1.0)}
    return Characteristic(replace(heater(), functions=functions), {}, (0.1, 0.3))


def test_each_point_is_the_band_of_its_current() -> None:
    characteristic = Characteristic(heater(), heater().defaults() | {"overload_pickup": 20.0}, (0.1, 0.3))
    currents = np.array([21.0, 40.0, 200.0])
    points = characteristic.at(currents)

    assert points.functions == ("overload",) * 3
    assert points.duties == ("must operate",) * 3
    for k, current in enumerate(currents.tolist()):
        function = heater().function("overload")
        band = operate_band(function, characteristic.set_points, current, characteristic.start)
        assert (points.early[k], points.nominal[k], points.late[k]) == (band.early_s, band.nominal_s, band.late_s)
        assert characteristic.operate_times(currents)[k] == band.nominal_s


def test_duties_change_at_the_edges_of_the_pickup_zone() -> None:
    characteristic = Characteristic(heater(), heater().defaults())
    zone = characteristic.pickup_zone
    edges = [zone.low * 0.999, zone.low * 1.001, zone.pickup * 1.001, zone.high * 0.999, zone.high * 1.001]
    points = characteristic.at(np.array(edges))

    assert points.duties == ("must not operate", "may operate", "may operate", "may operate", "must operate")
    assert points.functions == (None, *["overload"] * 4)
    assert np.isfinite(points.nominal).tolist() == [False, False, True, True, True]


def test_the_earliest_function_is_named_and_bounds_both_edges() -> None:
    both = two_functions()
    points = both.at(np.array([30.0, 41.0, 60.0]))
    alone = {
        name: Characteristic(replace(heater(), functions={name: function}), {}, both.start).at(points.currents)
        for name, function in both.device.functions.items()
    }

    assert points.functions == ("slow", "quick", "quick")
    for row in ("early", "nominal", "late"):
        rows = [getattr(single, row) for single in alone.values()]
        assert getattr(points, row).tolist() == np.minimum(*rows).tolist()
    # quick is certain only above (40 + 0.1)/0.99 = 40.51 A.
    assert np.isfinite(alone["quick"].late).tolist() == [False, True, True]


def test_the_zone_of_a_device_ends_where_any_function_is_certain() -> None:
    zones = two_functions().zones

    assert (zones["slow"].pickup, zones["quick"].pickup) == (20.0, 40.0)
    assert two_functions().pickup_zone == zones["slow"]


def test_a_missing_set_point() -> None:
    with pytest.raises(KeyError, match="overload_pickup"):
        Characteristic(heater(), {}).at(np.array([30.0]))


def test_the_device_as_a_whole() -> None:
    characteristic = Characteristic(whole("heater"), whole("heater").defaults())
    points = characteristic.at(np.array([20.0, 60.0, 100.0, 200.0]))

    # By priority, and without the function that is alive only while the switch is commanded open.
    assert tuple(characteristic.functions) == ("short_circuit", "overcurrent", "junction", "overload")
    assert points.functions == (None, "overload", "overcurrent", "short_circuit")
    assert points.early[3] == pytest.approx(3e-7)
    assert points.late[3] == pytest.approx(1.5e-6)
    assert points.nominal.tolist() == np.min(list(points.each.values()), axis=0).tolist()
    assert characteristic.runaway == {"junction": pytest.approx(2 / math.sqrt(0.04 * 0.005))}


def test_a_start_level_is_that_of_the_overload() -> None:
    cold, warm = (
        Characteristic(whole("heater"), whole("heater").defaults(), start) for start in ((0.0, 0.0), (0.5, 0.5))
    )
    currents = np.array([60.0, 95.0])

    assert warm.at(currents).each["overload"][0] < cold.at(currents).each["overload"][0]
    assert warm.at(currents).each["junction"].tolist() == cold.at(currents).each["junction"].tolist()


def test_the_mode_of_a_device_with_banks() -> None:
    modes = [Characteristic(whole("pump"), whole("pump").defaults(), mode=mode) for mode in ("drive", "charge")]

    assert [one.pickup_zone.pickup for one in modes] == [66.0, 22.0]
