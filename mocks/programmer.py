"""The breaker's programming connector: it takes an image of the application and has the boot loader write it.

    IMAGE <base64>     OK, or REFUSED and why; the node is silent until the image is written
    STATE?             NONE, BUSY, DONE, or BROKEN where the supply went away meanwhile

The boot loader starts an image only if its checksum is right, and the one before it otherwise; the connector hears
nothing of that and says DONE all the same, as many a programming tool does. It refuses while the switch is closed.
Where the profile says that programming resets the set-points, they are written with their defaults before the image.

Not modelled: programming over LIN, an image that starts and then fails, a boot loader that is itself replaced.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable

from mocks.clock import EventClock
from mocks.firmware.tasks import Firmware
from mocks.image import Image, read_image
from mocks.node import Node

WRITE_NS = 2_000_000_000
"""Time that the boot loader takes for an image."""


class Programmer:
    """The connector of one unit.

    ``hold`` stops the controller; ``release`` starts it again and says whether it could: not without supply, nor where
    the supply came back meanwhile and has started it already.
    """

    def __init__(
        self,
        clock: EventClock,
        node: Node,
        firmware: Firmware,
        hold: Callable[[], None],
        release: Callable[[Callable[[], None]], bool],
    ) -> None:
        self._clock = clock
        self._node = node
        self._firmware = firmware
        self._hold = hold
        self._release = release
        self.state = "NONE"
        self.done_ns = 0

    def handle(self, line: str) -> str:
        """The answer to one line."""
        word, _, rest = line.partition(" ")
        if word == "STATE?":
            return self.state
        if word != "IMAGE":
            return f"REFUSED {word!r} means nothing here"
        try:
            image = read_image(base64.b64decode(rest, validate=True))
        except (binascii.Error, ValueError) as error:
            return f"REFUSED {error}"
        return self._take(image)

    def _take(self, image: Image) -> str:
        if image.product != self._node.product:
            return "REFUSED the image is another product's"
        if self.state == "BUSY" or not self._firmware.powered:
            return "REFUSED busy" if self.state == "BUSY" else "REFUSED no supply"
        if self._firmware.gate:
            return "REFUSED the switch is closed"
        self.state = "BUSY"
        self.done_ns = self._clock.now_ns() + WRITE_NS
        self._hold()
        self._node.programming()
        self._clock.at(self.done_ns, lambda: self._finish(image))
        return "OK"

    def _finish(self, image: Image) -> None:
        def adopt() -> None:
            if image.whole:
                self._node.adopt(image)

        self.state = "DONE" if self._release(adopt) else "BROKEN"
