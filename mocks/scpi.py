"""The grammar of an SCPI instrument (SCPI-99 volume 1, IEEE 488.2): headers, parameters, path memory, error queue.

A message is units separated by ``;``. A unit's header starts at the root where it begins with ``:`` or is the first,
else at the path of the header before it; common commands (``*IDN?``) leave that path alone. Nothing that comes in
raises: it ends in the error queue.

Not understood here: parameters with units, MINimum/MAXimum/DEFault, the status commands of IEEE 488.2 beyond *CLS.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Answer = str | bytes | None
"""What a command says back: a line without its end, a block, or nothing."""
Parameter = Callable[[str], Any]
"""Reads one parameter, or raises ScpiError."""
Command = tuple["tuple[Parameter, ...] | Several", Callable[..., Answer]]
"""Parameters of a command, and what it does with them."""
_MOST_SEVERAL = 1000

ERRORS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -138: "Suffix not allowed",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
}
"""Numbers and texts of SCPI-99 volume 2, 21.8."""
_QUEUE = 16
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_LONGEST_ABOUT = 80  # characters of what is quoted back; SCPI-99 allows 255 for the whole text


class ScpiError(Exception):
    """What is wrong with a message, as a number out of ``ERRORS``. -1xx is its form, -2xx its effect."""

    def __init__(self, number: int, about: str = "") -> None:
        super().__init__(number, about)
        self.number = number
        self.about = about


def number(low: float, high: float) -> Parameter:
    """A decimal number from ``low`` to ``high``."""

    def read(text: str) -> float:
        if not _NUMBER.fullmatch(text):
            raise ScpiError(-138 if _NUMBER.match(text) else -104, text)
        if not low <= float(text) <= high:
            raise ScpiError(-222, text)
        return float(text)

    return read


def whole(low: int, high: int) -> Parameter:
    """A number rounded to an integer (IEEE 488.2, 10.2: NRf), from ``low`` to ``high``."""
    limited = number(low, high)
    return lambda text: round(limited(text))


def boolean(text: str) -> bool:
    """ON, OFF, or a number: 0 is off (SCPI-99 volume 1, 7.3)."""
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    return bool(whole(-(1 << 15), 1 << 15)(text))


def word(*words: str) -> Parameter:
    """One of ``words``, each given with its short form in capitals, as in POSitive. Read as that short form."""

    def read(text: str) -> str:
        for each in words:
            if text.upper() in (_short(each), each.upper()):
                return _short(each)
        raise ScpiError(-224, text)

    return read


@dataclass(frozen=True)
class Several:
    """Parameters of one kind, from one to ``most``."""

    parameter: Parameter
    most: int


def several(parameter: Parameter) -> Several:
    """A list of up to 1000 of ``parameter``."""
    return Several(parameter, _MOST_SEVERAL)


class ScpiInstrument:
    """Answers messages for one instrument."""

    def __init__(
        self,
        identity: str,
        reset: Callable[[], None],
        commands: Mapping[str, Command],
        clear: Callable[[], None] = lambda: None,
    ) -> None:
        """``commands``: header, short form in capitals, optional nodes in brackets, as in ``INPut[:STATe]``.

        ``clear`` is what *CLS clears beside the error queue.
        """
        self._queue: deque[ScpiError] = deque()
        self._clear = clear
        own: dict[str, Command] = {
            "*IDN?": ((), lambda: identity),
            "*RST": ((), reset),
            "*CLS": ((), self._clear_status),
            "*OPC?": ((), lambda: "1"),
            "SYSTem:ERRor[:NEXT]?": ((), self._next_error),
        }
        self._commands = [(_header(pattern), command) for pattern, command in (own | dict(commands)).items()]

    def handle(self, line: str) -> Answer:
        """Carry out one message without its line end and return the answers of its queries, or None."""
        answers: list[str | bytes] = []
        path = ""
        try:
            if not (line.isascii() and line.replace("\t", " ").isprintable()):
                raise ScpiError(-101)
            for unit in _split(line, ";") if line.strip() else ():
                path = self._unit(unit.strip(), path, answers)
        except ScpiError as error:
            self._report(error)
        if any(isinstance(answer, bytes) for answer in answers):
            return b";".join(answer if isinstance(answer, bytes) else answer.encode() for answer in answers)
        return ";".join(answer for answer in answers if isinstance(answer, str)) if answers else None

    def _unit(self, unit: str, path: str, answers: list[str | bytes]) -> str:
        """Carry out one unit and return the path for the next. An error of form ends the message, others do not."""
        if not unit:
            raise ScpiError(-102)
        header, _, rest = unit.replace("\t", " ").partition(" ")
        if not header.startswith("*"):
            header = header[1:] if header.startswith(":") else path + header
            path = header[: header.rfind(":") + 1]
        parameters, action = self._find(header)
        texts = [text.strip() for text in _split(rest, ",")] if rest.strip() else []
        if isinstance(parameters, Several):
            parameters = (parameters.parameter,) * max(1, min(parameters.most, len(texts)))
        if len(texts) != len(parameters):
            raise ScpiError(-109 if len(texts) < len(parameters) else -108, header)
        try:
            answer = action(*(parameter(text) for parameter, text in zip(parameters, texts, strict=True)))
        except ScpiError as error:
            if error.number > -200:
                raise
            self._report(error)
        else:
            if answer is not None:
                answers.append(answer)
        return path

    def _find(self, header: str) -> Command:
        for pattern, command in self._commands:
            if match := pattern.fullmatch(header):
                if any(suffix not in (None, "", "1") for suffix in match.groups()):
                    raise ScpiError(-114, header)
                return command
        raise ScpiError(-113, header)

    def _clear_status(self) -> None:
        self._queue.clear()
        self._clear()

    def _report(self, error: ScpiError) -> None:
        if len(self._queue) == _QUEUE:
            self._queue[-1] = ScpiError(-350)
        else:
            self._queue.append(error)

    def _next_error(self) -> str:
        error = self._queue.popleft() if self._queue else ScpiError(0)
        about = f";{error.about[:_LONGEST_ABOUT]}" if error.about else ""
        return f'{error.number},"{ERRORS[error.number]}{about.replace(chr(34), chr(39))}"'


def block(data: bytes) -> bytes:
    """An IEEE 488.2 definite-length arbitrary block (8.7.9)."""
    length = str(len(data))
    return f"#{len(length)}{length}".encode() + data


def _split(text: str, mark: str) -> list[str]:
    """Parts of ``text`` between marks outside quotes, and outside parentheses (channel lists, expressions)."""
    if "(" in text:
        return re.findall(rf"(?:\"[^\"]*\"|\([^()]*\)|[^{mark}])+", text) or [""]
    parts = [""]
    for index, quoted in enumerate(text.split('"')):
        pieces = [quoted] if index % 2 else quoted.split(mark)
        parts[-1] += ('"' if index else "") + pieces[0]
        parts.extend(pieces[1:])
    return parts


def _short(mnemonic: str) -> str:
    return re.sub("[a-z]", "", mnemonic)


def _header(pattern: str) -> re.Pattern[str]:
    def mnemonic(match: re.Match[str]) -> str:
        return f"(?:{match[0].upper()}|{_short(match[0])})(\\d*)"

    text = pattern.replace("*", r"\*").replace("?", r"\?").replace("[", "(?:").replace("]", ")?")
    return re.compile(re.sub("[A-Za-z]+", mnemonic, text), re.IGNORECASE | re.ASCII)
