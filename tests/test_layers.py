"""The import arrows of the design, read from the source: who may import whom, and nothing else."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ANY = {"cautions", "clock", "quantity"}
ALLOWED: dict[str, set[str]] = {
    "protocol": {"protocol"},
    "mocks": {"mocks", "protocol"},
    "harness.cautions": set(),
    "harness.clock": set(),
    "harness.quantity": set(),
    "harness.files": {"harness.files", "protocol"},
    "harness.trip": {"harness.trip", "protocol"},
    "harness.plan": {"harness.plan", "harness.files", "protocol"},
    "harness.bus": {"harness.bus", "protocol"},
    "harness.record": {"harness.record"},
    "harness.bench": {
        *("harness.bench", "harness.files", "harness.trip", "harness.plan", "harness.bus", "harness.record"),
        "protocol",
    },
    "harness.inspection": {"harness.inspection", "harness.bench", "harness.bus", "protocol"},
    "harness.check": {"harness.check", "harness.files", "harness.trip", "harness.plan", "harness.bench", "protocol"},
    "harness.report": {"harness.report", "harness.record", "harness.trip", "harness.files", "protocol"},
    "harness.schema": {"harness.files", "harness.plan", "harness.bench", "harness.record"},
    "harness.run": {
        *("harness.run", "harness.files", "harness.trip", "harness.plan", "harness.bus", "harness.record"),
        *("harness.bench", "protocol"),
    },
    "harness.cli": {"harness", "protocol"},
    "harness.__main__": {"harness.cli"},
    "harness.pytest_plugin": {"harness", "protocol"},
    "harness.pytest_session": {"harness", "protocol"},
}
DOOR = "harness.bench.simulated"
"""The one module of the harness that may import mocks, inside a function or for type checking."""


def modules() -> list[tuple[str, Path]]:
    paths = sorted(path for package in ("protocol", "mocks", "harness") for path in (ROOT / package).rglob("*.py"))
    return [(".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"), path) for path in paths]


def imports(path: Path) -> list[tuple[int, str]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            found.append((node.lineno, node.module or ""))
    return found


def inside(module: str, places: set[str]) -> bool:
    return any(module == place or module.startswith(f"{place}.") for place in places)


def room(module: str) -> str | None:
    return max((place for place in ALLOWED if inside(module, {place})), key=len, default=None)


@pytest.mark.parametrize(("module", "path"), modules(), ids=[name for name, _ in modules()])
def test_a_module_imports_only_what_its_layer_may(module: str, path: Path) -> None:
    if module == "harness":
        return
    place = room(module)
    assert place is not None, f"{module} stands in no layer"
    allowed = ALLOWED[place] | ({f"harness.{name}" for name in ANY} if place.startswith("harness") else set())
    if module == DOOR:
        allowed = allowed | {"mocks"}
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for line, name in imports(path)
        if inside(name, {"protocol", "mocks", "harness", "tests", "testplans"}) and not inside(name, allowed)
    ]

    assert wrong == []


def test_the_door_to_the_mocks_is_lazy() -> None:
    path = ROOT / (DOOR.replace(".", "/") + ".py")
    at_import = [
        node
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.Import | ast.ImportFrom) and "mocks" in ast.unparse(node)
    ]

    assert at_import == []


def test_oracle_and_mock_share_nothing_but_protocol() -> None:
    trip = {name for module, path in modules() if inside(module, {"harness.trip"}) for _, name in imports(path)}
    mocks = {name for module, path in modules() if inside(module, {"mocks"}) for _, name in imports(path)}
    own = {"protocol", "harness", "mocks"}

    assert {name for name in trip & mocks if inside(name, own)} <= {
        "protocol.device",
        "protocol.protection",
    }
