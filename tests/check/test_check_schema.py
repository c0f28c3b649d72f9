"""JSON Schemas: they name what the models take, and are made without loading everything."""

from __future__ import annotations

import re
import subprocess
import sys
from typing import Any

import jsonschema
import pytest

from harness.files.marks import compose
from harness.files.profile import shipped_plans
from harness.plan.plan import find_plans
from harness.plan.steps import STEP_KINDS
from harness.schema import SCHEMAS


def closed_objects(schema: Any) -> list[Any]:
    """Every object in the schema that lists its properties."""
    if isinstance(schema, list):
        return [found for item in schema for found in closed_objects(item)]
    if not isinstance(schema, dict):
        return []
    own = [schema] if "properties" in schema else []
    return own + [found for item in schema.values() for found in closed_objects(item)]


@pytest.mark.parametrize("kind", SCHEMAS)
def test_schema_refuses_unknown_keys_everywhere(kind: str) -> None:
    schema = SCHEMAS[kind]()

    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    objects = closed_objects(schema)
    assert objects
    assert all(item["additionalProperties"] is False for item in objects)


@pytest.mark.parametrize("kind", ["plan", "device", "bench"])
def test_files_have_a_format_and_a_name(kind: str) -> None:
    assert {"format", "name", "title"} <= set(SCHEMAS[kind]()["required"])


def test_plan_schema_has_every_step_and_the_bare_ones() -> None:
    schema = SCHEMAS["plan"]()
    entries = schema["$defs"]["steps"]["items"]["oneOf"]
    names = {ref["$ref"].removeprefix("#/$defs/") for ref in entries if "$ref" in ref}
    bare = next(entry["enum"] for entry in entries if "enum" in entry)

    assert names == {f"{kind}_entry" for kind in (*STEP_KINDS, "for_each", "include")}
    assert {"close", "open", "identify", "read_set_points", "clear_codes"} <= set(bare)
    assert not {"wait", "expect_trip", "power_cycle"} & set(bare)
    assert schema["$defs"]["Wait"]["required"] == ["duration"]


def test_pattern_of_a_time_takes_what_the_grammar_takes() -> None:
    own, parameter = SCHEMAS["plan"]()["$defs"]["Wait"]["properties"]["duration"]["anyOf"]
    pattern = own["pattern"]

    assert re.search(pattern, "1.5 ms")
    assert not re.search(pattern, "1.5 A")
    assert re.search(parameter["pattern"], "$duration")


def test_shipped_plans_fit_the_schema() -> None:
    validator = jsonschema.Draft202012Validator(SCHEMAS["plan"]())
    plans = find_plans([shipped_plans() / "low_voltage", shipped_plans() / "high_voltage"])

    for path in plans:
        assert [error.message for error in validator.iter_errors(_typed(compose(path).data()))] == []


def _typed(data: Any) -> Any:
    """What an editor makes of the file: numbers and truth values are no texts there."""
    if isinstance(data, dict):
        return {key: _typed(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_typed(item) for item in data]
    if data in ("true", "false"):
        return data == "true"
    return int(data) if isinstance(data, str) and data.isdigit() else data


def test_bench_schema_uses_the_keys_of_the_file() -> None:
    assert set(SCHEMAS["bench"]()["$defs"]["LinSection"]["properties"]) == {"port", "break"}


def test_importing_the_module_loads_no_models() -> None:
    code = "import sys, harness.schema; print([name for name in ('pydantic', 'yaml', 'numpy') if name in sys.modules])"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)

    assert answer.stdout.strip() == "[]"
