"""Who a unit says that it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from protocol.nodeconfig import ProductId


@dataclass(frozen=True)
class Identity:
    """Product identification (LIN 2.1 §4.2.6.1) and identification records by name."""

    product: ProductId
    records: Mapping[str, str]

    @property
    def values(self) -> dict[str, str]:
        """Everything by name, as text: the records, and the product identification as ``product``."""
        product = f"supplier {self.product.supplier:#06x}, function {self.product.function:#06x}"
        return {"product": f"{product}, variant {self.product.variant:#04x}", **self.records}


def differing(before: Mapping[str, str], now: Mapping[str, str]) -> str | None:
    """What a unit says of itself ``now`` and did not say ``before``, in words; None where nothing differs."""
    names = [name for name in {**before, **now} if before.get(name) != now.get(name)]
    said = [f"{name} is {now.get(name, 'not there')!r}, was {before.get(name, 'not there')!r}" for name in names]
    return ", ".join(said) or None
