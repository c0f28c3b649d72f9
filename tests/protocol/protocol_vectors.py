"""Reads the check values of tests/vectors."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

VECTORS = Path(__file__).parent.parent / "vectors"


def load(name: str) -> dict[str, Any]:
    return yaml.safe_load((VECTORS / name).read_text(encoding="utf-8"))


def fields(entry: dict[str, Any]) -> dict[str, Any]:
    """Fields of a vector, hex texts as bytes."""
    return {name: bytes.fromhex(value) if isinstance(value, str) else value for name, value in entry.items()}
