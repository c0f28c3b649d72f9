"""The LIN wire in process: one line, so that everybody hears everything, the sender included."""

from __future__ import annotations

from collections.abc import Callable, Sequence

Listener = Callable[[Sequence[int], int], None]
"""Called with symbols (see protocol.decoder) and the instant at which the last of them ended."""


class Wire:
    """Carries symbols to every listener. Not modelled: two senders at once, and distortion on the way."""

    def __init__(self) -> None:
        self._listeners: list[Listener] = []

    def listen(self, listener: Listener) -> None:
        """Have ``listener`` hear all that is carried from now on, in the order of asking."""
        self._listeners.append(listener)

    def carry(self, symbols: Sequence[int], end_ns: int) -> None:
        """Let everyone hear ``symbols``, back to back; called at ``end_ns``, when the last one ends."""
        for listener in self._listeners:
            listener(symbols, end_ns)
