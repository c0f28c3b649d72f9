"""What a bench file may say of any instrument: where it is, who it is, its own verbs, when it was calibrated."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from harness.bench.resource import SIMULATED, Resource
from harness.files.load import Part
from harness.files.scalars import Text

_HEADER = re.compile(r":?[A-Za-z]\w*(:[A-Za-z]\w*)*\??", re.ASCII)
_IDENTITY_FIELDS = 4  # IEEE 488.2 §10.14: manufacturer, model, serial number, firmware level


def _read_date(value: object) -> str:
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError:
        raise ValueError(f"{value!r}: want a date such as 2026-01-31") from None


def _check_header(value: str) -> str:
    if not _HEADER.fullmatch(value):
        raise ValueError(f"{value!r}: want a header such as 'SOUR:VOLT', without parameters")
    return value


def _check_identity(value: str) -> str:
    fields = value.split(",")
    if len(fields) > _IDENTITY_FIELDS or not all(field.strip() for field in fields):
        raise ValueError(f"{value!r}: want the first fields of the answer to *IDN?, such as 'Maker,Model'")
    return value


Date = Annotated[str, BeforeValidator(_read_date), Field(json_schema_extra={"format": "date"})]
Header = Annotated[Text, AfterValidator(_check_header)]
"""An SCPI header, or what an instrument uses for one."""


class InstrumentSection(Part):
    """What every role may say of its instrument."""

    resource: Resource = SIMULATED
    identity: Annotated[Text, AfterValidator(_check_identity)] | None = None  # first fields expected of *IDN?
    verbs: Mapping[Header, Header] = Field(default_factory=dict)  # default header -> this instrument's
    calibrated: Date | None = None
    due: Date | None = None
