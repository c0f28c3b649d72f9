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
