"""Numbers with units, by a closed and strict grammar: NUMBER, one optional space, UNIT from the list. Nothing else.

General unit libraries guess ('5 min' as inches, '1,5 A' as 15 A); a set-point must never be guessed. Values are exact
fractions and rounded once, when a float is asked for, so that no limit moves by a unit in the last place.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

UNITS: dict[str, tuple[str, Fraction]] = {
    unit: (base, Fraction(factor))
    for base, row in {
        "s": {"s": "1", "ms": "1e-3", "us": "1e-6", "ns": "1e-9", "min": "60", "h": "3600"},
        "A": {"A": "1", "mA": "1e-3", "uA": "1e-6", "kA": "1e3"},
        "V": {"V": "1", "mV": "1e-3", "kV": "1e3"},
        "ohm": {"ohm": "1", "mohm": "1e-3", "kohm": "1e3", "Mohm": "1e6"},
        "A/s": {"A/s": "1", "A/ms": "1e3", "A/us": "1e6"},
        "V/s": {"V/s": "1", "V/ms": "1e3"},
        "Hz": {"Hz": "1", "kHz": "1e3", "MHz": "1e6"},
        "J": {"J": "1", "mJ": "1e-3", "kJ": "1e3", "MJ": "1e6"},
        "H": {"H": "1", "uH": "1e-6"},
        "F": {"F": "1", "mF": "1e-3", "uF": "1e-6", "nF": "1e-9"},
        "A2s": {"A2s": "1"},
        "mm2": {"mm2": "1"},
        "degC": {"degC": "1"},
        "K": {"K": "1"},
        "K/s": {"K/s": "1"},
        "K/W": {"K/W": "1"},
        "1": {"": "1", "%": "0.01"},
    }.items()
    for unit, factor in row.items()
}
"""Unit -> (base unit, factor). The base unit names the dimension."""

_NUMBER = r"[+-]?\d{1,12}(?:\.\d{1,12})?(?:[eE][+-]?\d{1,2})?"
_QUANTITY = re.compile(rf"({_NUMBER}) ?({'|'.join(sorted(map(re.escape, UNITS), key=len, reverse=True))})", re.ASCII)


@dataclass(frozen=True)
class Quantity:
    """An exact value and its unit as written; compares and computes through ``si``."""

    number: Fraction
    unit: str

    @property
    def base(self) -> str:
        """Base unit, which names the dimension."""
        return UNITS[self.unit][0]

    @property
    def exact(self) -> Fraction:
        """Value in the base unit, exactly."""
        return self.number * UNITS[self.unit][1]

    @property
    def si(self) -> float:
        """Value in the base unit, rounded once."""
        return float(self.exact)

    def __str__(self) -> str:
        return f"{format(float(self.number), '.12g')} {self.unit}".rstrip()


def parse(text: str, base: str | None = None) -> Quantity:
    """Read ``text``; with ``base``, insist on that dimension.

    Raises ValueError with what is wanted: a comma, a missing space grammar, another unit or another dimension.
    """
    match = _QUANTITY.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r}: want a number and {_units(base)}")
    quantity = Quantity(Fraction(match[1]), match[2])
    if base not in (None, quantity.base):
        raise ValueError(f"{text!r}: want {_units(base)}")
    return quantity


def _units(base: str | None) -> str:
    if base is None:
        return "a unit, as in '10 A' or '2.5 ms'"
    return f"a unit out of {', '.join(unit or 'no unit' for unit, (of, _) in UNITS.items() if of == base)}"


def show(value: float, base: str) -> str:
    """A value in its base unit as a person reads it: 4 significant digits, short times and large energies prefixed."""
    if base == "1":
        return f"{value:.4g}"
    if base == "J" and abs(value) >= 1e4:
        return f"{value / 1e3:.4g} kJ" if abs(value) < 1e7 else f"{value / 1e6:.4g} MJ"
    if base == "s" and 0 < abs(value) < 1:
        return f"{value * 1e3:.4g} ms" if abs(value) >= 1e-3 else f"{value * 1e6:.4g} us"
    return f"{value:.4g} {base}"


@dataclass(frozen=True)
class Dimension:
    """What makes a pydantic field of a Quantity: it is read from text and must have base unit ``base`` (None: any)."""

    base: str | None = None

    def read(self, value: object) -> Quantity:
        """A Quantity as it is, a text parsed. Raises ValueError."""
        if isinstance(value, Quantity):
            return value
        if not isinstance(value, str):
            raise ValueError(f"want a number and {_units(self.base)}")
        return parse(value, self.base)

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read, serialization=core_schema.to_string_ser_schema())

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, object]:
        units = sorted((re.escape(unit) for unit, (of, _) in UNITS.items() if self.base in (None, of)), key=len)
        text: dict[str, object] = {"type": "string", "pattern": f"^{_NUMBER} ?({'|'.join(reversed(units))})$"}
        return (
            {"anyOf": [text, {"type": "number"}]} if self.base in (None, "1") else text
        )  # an editor reads 1 as a number


AnyQuantity = Annotated[Quantity, Dimension()]
Time = Annotated[Quantity, Dimension("s")]
Current = Annotated[Quantity, Dimension("A")]
Voltage = Annotated[Quantity, Dimension("V")]
Resistance = Annotated[Quantity, Dimension("ohm")]
SlewRate = Annotated[Quantity, Dimension("A/s")]
VoltageRate = Annotated[Quantity, Dimension("V/s")]
TemperatureRate = Annotated[Quantity, Dimension("K/s")]
Capacitance = Annotated[Quantity, Dimension("F")]
Frequency = Annotated[Quantity, Dimension("Hz")]
Inductance = Annotated[Quantity, Dimension("H")]
Area = Annotated[Quantity, Dimension("mm2")]
Energy = Annotated[Quantity, Dimension("J")]
Ratio = Annotated[Quantity, Dimension("1")]
Temperature = Annotated[Quantity, Dimension("degC")]
Kelvin = Annotated[Quantity, Dimension("K")]
ThermalResistance = Annotated[Quantity, Dimension("K/W")]
"""Field types of the file models, one a dimension. Values are Quantity."""
