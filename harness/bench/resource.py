"""How a bench file names what an instrument is reached by."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator

from harness.files.scalars import Text

SIMULATED = "simulated"
"""The resource of a role that lives in this process."""


def _check_resource(value: str) -> str:
    if value != SIMULATED and "::" not in value:
        raise ValueError(f"{value!r}: want a VISA resource name such as 'TCPIP::127.0.0.1::5025::SOCKET'")
    return value


Resource = Annotated[Text, AfterValidator(_check_resource)]
"""`simulated`, or a VISA resource name."""
