"""Numbers with units: a closed grammar, exact values, nothing guessed."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from harness.quantity import UNITS, AnyQuantity, Current, Quantity, Ratio, Time, parse, show

GOOD = {
    "10 A": ("A", Fraction(10)),
    "10A": ("A", Fraction(10)),
    "1.5 ms": ("s", Fraction(15, 10_000)),
    "0.3 ms": ("s", Fraction(3, 10_000)),
    "5 min": ("s", Fraction(300)),  # a general library reads inches here
    "2 h": ("s", Fraction(7200)),
    "-40 degC": ("degC", Fraction(-40)),
    "+1e3 V": ("V", Fraction(1000)),
    "2.5E-3 A": ("A", Fraction(25, 10_000)),
    "2 A/us": ("A/s", Fraction(2_000_000)),
    "62.5 %": ("1", Fraction(5, 8)),
    "7": ("1", Fraction(7)),
    "20 mohm": ("ohm", Fraction(2, 100)),
    "1 Mohm": ("ohm", Fraction(1_000_000)),
}
BAD = [
    "", " ", "A", "10 apples", "1,5 A", "1.5.5 A", "10  A", " 10 A", "10 A ", "10 a", "10 KV", "10 MS", "1 ms .. 3 ms",
    "2*3 A", "1+1 A", "0x10 A", "inf A", "nan", "1e A", "1e999 A", ".5 A", "5. A", "٣ A", "１ A", "10 A\n", "1_000 A",
    "1000000000000000 A", "--1 A", "10 µs", "1 A A", "1 / A",
]  # fmt: skip


@pytest.mark.parametrize("text", GOOD)
def test_reads(text: str) -> None:
    quantity = parse(text)

    assert (quantity.base, quantity.exact) == GOOD[text]
    assert quantity.si == float(GOOD[text][1])


@pytest.mark.parametrize("text", BAD)
def test_refuses(text: str) -> None:
    with pytest.raises(ValueError, match=r"want a number and a unit, as in '10 A' or '2\.5 ms'"):
        parse(text)


def test_says_which_units_it_wants() -> None:
    with pytest.raises(ValueError, match=re.escape("'10 V': want a unit out of A, mA, uA, kA")):
        parse("10 V", "A")
    with pytest.raises(ValueError, match=re.escape("'x': want a number and a unit out of no unit, %")):
        parse("x", "1")


@given(st.decimals("-999999", "999999", places=6), st.sampled_from(sorted(UNITS)))
def test_values_are_exact(number: Decimal, unit: str) -> None:
    quantity = parse(f"{number:f} {unit}".rstrip())

    assert quantity.exact == Fraction(number) * UNITS[unit][1]


@given(st.integers(0, 99_999), st.sampled_from(["A", "mA", "kA"]))
def test_what_is_shown_is_read_back(number: int, unit: str) -> None:
    quantity = Quantity(Fraction(number, 100), unit)

    assert parse(str(quantity)) == quantity


NUMBERS = st.from_regex(r"[+-]?[0-9.eE ]{1,6}", fullmatch=True)


@given(NUMBERS, st.sampled_from(["", " ", "  "]), st.sampled_from(["s", "ms", "min", "A", "S", ""]))
def test_the_pattern_of_the_schema_takes_what_the_grammar_takes(number: str, space: str, unit: str) -> None:
    text = number + space + unit
    pattern = TypeAdapter(Time).json_schema()["pattern"]
    try:
        parse(text, "s")
    except ValueError:
        assert not re.search(pattern, text)
    else:
        assert re.search(pattern, text)


def test_field_types() -> None:
    assert TypeAdapter(Current).validate_python("1.5 mA").si == 0.0015
    assert TypeAdapter(AnyQuantity).validate_python(parse("1 V")) == parse("1 V")
    assert TypeAdapter(Ratio).validate_python("50 %").exact == Fraction(1, 2)
    assert TypeAdapter(Current).dump_json(parse("1.5 mA")) == b'"1.5 mA"'
    for wrong in (None, 1.5, ["1 A"]):
        with pytest.raises(ValidationError, match="want a number and a unit out of A"):
            TypeAdapter(Current).validate_python(wrong)


def test_a_bare_number_has_a_number_in_the_schema_too() -> None:
    assert {"type": "number"} in TypeAdapter(Ratio).json_schema()["anyOf"]
    assert TypeAdapter(Current).json_schema()["type"] == "string"


@pytest.mark.parametrize(
    ("value", "base", "text"),
    [(0.0235, "s", "23.5 ms"), (2.5e-6, "s", "2.5 us"), (0, "s", "0 s"), (1.2345, "A", "1.234 A"), (0.5, "1", "0.5")],
)
def test_shows(value: float, base: str, text: str) -> None:
    assert show(value, base) == text
