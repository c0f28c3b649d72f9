"""Who in a bench file is reached by which resource."""

from __future__ import annotations

from harness.bench.bench_file import BenchFile
from harness.bench.resource import SIMULATED, canonical


def owners(model: BenchFile) -> dict[str, str]:
    """Canonical resource -> role, the LIN port as `lin`; without what lives in this process, and the watchdog's."""
    ports = [] if model.lin is None else [("lin", model.lin.port)]
    roles = [(role, str(getattr(section, "resource"))) for role, section in model.roles if section is not None]  # noqa: B009 (every role has one)
    found: dict[str, str] = {}
    for role, resource in (*ports, *roles):
        if resource != SIMULATED:
            found.setdefault(canonical(resource), role)
    return found
