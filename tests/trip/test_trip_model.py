from typing import get_args

import pytest

from harness.trip.memory import MemoryModel
from harness.trip.model import MODELS, model_of
from harness.trip.watch import WATCHES
from protocol.protection import Declared, Parameter, ProtectionFunction, ThermalMemory

OVERLOAD = ThermalMemory(
    name="overload",
    priority=1,
    declared=Declared(0.01, 0.1, 0.01, (0.0, 0.025)),
    pickup=Parameter("pickup"),
    time_constant=Parameter("tau"),
    cooling_time_constant=Parameter(None, 120.0),
    reset_level=Parameter(None, 0.5),
    cause="overload",
    kept_without_supply=False,
)


def test_there_is_a_row_for_each_kind_of_function() -> None:
    assert set(MODELS) == set(WATCHES) == set(get_args(ProtectionFunction))


def test_parameters_come_from_set_points_or_the_profile() -> None:
    assert model_of(OVERLOAD, {"pickup": 27.5, "tau": 60.0}) == MemoryModel(27.5, 60.0, 120.0)


def test_a_missing_set_point() -> None:
    with pytest.raises(KeyError, match="tau"):
        model_of(OVERLOAD, {"pickup": 27.5})
