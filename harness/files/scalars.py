"""Scalar types of the file models. Files hold text; what the text must look like is said here, strictly.

`yes`, `on` and `1` are no truth values, `0o17` and `1_000` are no numbers: a file means what it shows.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

_NAME = re.compile(r"[a-z][a-z0-9_]*")
_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)  # a C identifier, as the LDF has them
_WHOLE = re.compile(r"[+-]?\d{1,10}|0[xX][0-9A-Fa-f]{1,8}", re.ASCII)
_NAME_LENGTH = 60


def parse_flag(value: Any) -> bool:
    """'true' or 'false', nothing else. Raises ValueError."""
    if isinstance(value, bool):
        return value
    if value not in ("true", "false"):
        raise ValueError(f"want true or false; found {value!r}")
    return bool(value == "true")


def parse_whole(value: Any) -> int:
    """A decimal or 0x... whole number. Raises ValueError."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if not isinstance(value, str) or not _WHOLE.fullmatch(value):
        raise ValueError(f"want a whole number such as 10 or 0x0A; found {value!r}")
    return int(value, 16) if value[1:2] in ("x", "X") else int(value)


def is_name(value: str) -> bool:
    """Whether ``value`` is a name that plans and profiles may give."""
    return len(value) <= _NAME_LENGTH and _NAME.fullmatch(value) is not None


def _check_name(value: str) -> str:
    if not is_name(value):
        raise ValueError(f"{value!r}: want a name of lower-case letters, digits and _, at most {_NAME_LENGTH}")
    return value


def _check_word(value: str) -> str:
    if not _WORD.fullmatch(value):
        raise ValueError(f"{value!r}: want a name as the LDF has it, of letters, digits and _")
    return value


Flag = Annotated[bool, BeforeValidator(parse_flag, json_schema_input_type=bool)]
"""true or false."""
Whole = Annotated[int, BeforeValidator(parse_whole, json_schema_input_type=int)]
"""A whole number, decimal or 0x... ."""
Name = Annotated[str, Field(json_schema_extra={"pattern": "^[a-z][a-z0-9_]*$"}), AfterValidator(_check_name)]
"""A name that plans and profiles give: lower case, so that nobody hunts a capital letter."""
Word = Annotated[str, AfterValidator(_check_word)]
"""A name of the LDF (a C identifier)."""
Byte = Annotated[Whole, Field(ge=0, le=0xFF)]
Identifier = Annotated[Whole, Field(ge=0, le=0xFFFF)]
"""A data identifier of ISO 14229-1, two bytes."""
Text = Annotated[str, Field(min_length=1, max_length=500)]
"""A line of words for people."""
