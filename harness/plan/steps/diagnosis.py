"""Steps of the diagnostic layer (ISO 14229-1) and of the LIN bus below it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, model_validator
from pydantic_core import CoreSchema, core_schema

from harness.files.scalars import Byte, Flag, Name, Whole, Word
from harness.plan.steps.step import Step
from harness.quantity import AnyQuantity, Time, parse

_PAIR = re.compile(r"[0-9A-Fa-f]{2}")


@dataclass(frozen=True)
class Pattern:
    """Bytes to compare with: None stands for any byte (`..`), ``rest`` for any further ones (`...` at the end)."""

    pairs: tuple[int | None, ...]
    rest: bool = False

    def matches(self, data: bytes) -> bool:
        """Whether ``data`` is what the pattern says."""
        if len(data) < len(self.pairs) or (len(data) > len(self.pairs) and not self.rest):
            return False
        return all(want is None or want == byte for want, byte in zip(self.pairs, data, strict=False))

    @property
    def exact(self) -> bytes | None:
        """The bytes, where all of them are said."""
        known = [pair for pair in self.pairs if pair is not None]
        return bytes(known) if len(known) == len(self.pairs) and not self.rest else None

    def __str__(self) -> str:
        words = [".." if pair is None else f"{pair:02X}" for pair in self.pairs]
        return " ".join([*words, "..."] if self.rest else words)


def parse_pattern(text: str, wild: bool = True) -> Pattern:
    """'62 F1 89 .. ...' as a Pattern; without ``wild`` only bytes are taken. Raises ValueError."""
    words = text.split()
    rest = wild and bool(words) and words[-1] == "..."
    pairs: list[int | None] = []
    for word in words[:-1] if rest else words:
        if _PAIR.fullmatch(word):
            pairs.append(int(word, 16))
        elif wild and word == "..":
            pairs.append(None)
        else:
            wanted = ", .. for any byte, ... at the end for any rest" if wild else ""
            raise ValueError(f"{word!r}: want bytes as in '22 F1 89'{wanted}")
    if not pairs:
        raise ValueError("want one byte or more, as in '22 F1 89'")
    return Pattern(tuple(pairs), rest)


@dataclass(frozen=True)
class _Bytes:
    """What makes a pydantic field of bytes in hexadecimal: a Pattern, or bytes where ``wild`` is False."""

    wild: bool

    def _read(self, value: Any) -> Pattern | bytes:
        if isinstance(value, Pattern | bytes):
            return value
        if not isinstance(value, str):
            raise ValueError("want bytes as in '22 F1 89'")
        pattern = parse_pattern(value, self.wild)
        if self.wild:
            return pattern
        content = pattern.exact
        assert content is not None
        return content

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, object]:
        pair = r"(?:[0-9A-Fa-f]{2}|\.\.)" if self.wild else "[0-9A-Fa-f]{2}"
        return {"type": "string", "pattern": rf"^{pair}(?: {pair})*{'(?: [.]{3})?' if self.wild else ''}$"}


Payload = Annotated[bytes, _Bytes(wild=False)]
Answer = Annotated[Pattern, _Bytes(wild=True)]


class StartSession(Step):
    """Enter a diagnostic session of the profile (service 10) and expect its positive answer."""

    session: Name


class Unlock(Step):
    """Ask for a seed and send the key (service 27); the key comes from the bench's command `key`.

    ``wrong_key`` sends one that is wrong in one bit, and expects ``refused``, invalid_key where it is not said.
    Without it, ``refused`` is the expected answer to the request for a seed or to the right key.
    """

    level: Byte | None = None  # the profile's where absent
    wrong_key: Flag = False
    refused: Name | None = None

    @property
    def expected(self) -> str | None:
        """Name of the negative answer that must come; None: the key is taken."""
        return self.refused or ("invalid_key" if self.wrong_key else None)


class Reset(Step):
    """Reset by diagnosis (service 11); the switch opens, set-points and codes stay."""

    kind: Literal["hard", "soft"] = "hard"


class SleepAndWake(Step):
    """Send the node to sleep (LIN go-to-sleep command), stay silent for ``duration``, wake it; it must answer again."""

    duration: Time = parse("1 s")


class Request(Step):
    """Send ``payload`` to the node and compare what comes: ``answer``, a refusal, or nothing.

    ``unfetched`` sends it and does not ask for the answer, so that the next step meets a node that is still at it.
    ``functional`` sends it to the functional address 0x7E, ``nad`` to another address than the node's own.
    """

    payload: Payload
    answer: Answer | None = None
    refused: Name | None = None
    silent: Flag = False
    unfetched: Flag = False
    nad: Byte | None = None
    functional: Flag = False

    @model_validator(mode="after")
    def _one_outcome(self) -> Request:
        if sum((self.answer is not None, self.refused is not None, self.silent, self.unfetched)) != 1:
            raise ValueError("want exactly one of answer, refused, silent: true, unfetched: true")
        if self.nad is not None and self.functional:
            raise ValueError("want either nad or functional: true")
        return self


class Force(Step):
    """Take over what the firmware reads (service 2F), give it back, and see that the real value is read again.

    With ``function``, that one must operate meanwhile. Forced is no protection coverage: no quantity was there.
    """

    control: Name
    value: AnyQuantity
    function: Name | None = None


class RunRoutine(Step):
    """Start a routine (service 31), wait until it is done, compare its result; or expect ``refused``."""

    routine: Name
    result: Answer | None = None
    refused: Name | None = None

    @model_validator(mode="after")
    def _one_outcome(self) -> RunRoutine:
        if self.result is not None and self.refused is not None:
            raise ValueError("want either result or refused")
        return self


Disturbance = Literal["wrong_checksum", "wrong_parity", "short_response", "bad_sync", "stray_bytes"]
RESPONSE_DISTURBANCES = ("wrong_checksum", "short_response")
"""Disturbances of a response that the node hears, which it must report by response_error (LIN 2.1, 2.7.3)."""


class Disturb(Step):
    """Put faulty frames on the wire, ``count`` times; the node says so where LIN 2.1 wants it, and answers afterwards.

    ``frame`` is one of the LDF; the command frame for a disturbed response, else the status frame, where absent.
    """

    kind: Disturbance
    frame: Word | None = None
    count: Annotated[Whole, Field(ge=1, le=1000)] = 1
