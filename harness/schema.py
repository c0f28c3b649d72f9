"""JSON Schemas of the files and of a result line, for editors and for other programs.

They say what a file looks like; what fits together (names, units, limits) is said by `breakerbench check`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pydantic import BaseModel


def plan_schema() -> dict[str, Any]:
    """JSON Schema of a test plan."""
    from harness.plan.expand import SECTIONS
    from harness.plan.plan import PlanFile
    from harness.plan.steps import STEP_KINDS

    schema = _of(PlanFile)
    bare = [kind for kind, model in STEP_KINDS.items() if not any(f.is_required() for f in model.model_fields.values())]
    for kind in bare:
        entry = schema["$defs"][f"{kind}_entry"]["properties"]
        entry[kind] = {"anyOf": [entry[kind], {"type": "null"}]}  # `- close:`
    schema["$defs"] = {name: _or_parameter(model) for name, model in schema["$defs"].items()}
    schema["$defs"] |= {"for_each_entry": _FOR_EACH, "include_entry": _INCLUDE}
    entries = [*({"$ref": f"#/$defs/{kind}_entry"} for kind in STEP_KINDS), {"enum": bare}]  # `- close`
    entries += [{"$ref": "#/$defs/for_each_entry"}, {"$ref": "#/$defs/include_entry"}]
    schema["$defs"]["steps"] = {"type": "array", "items": {"oneOf": entries}}
    for section in SECTIONS:
        schema["properties"][section] = {"$ref": "#/$defs/steps"}
    schema["$defs"]["steps"]["minItems"] = 1
    return schema


_PARAMETER = {"type": "string", "pattern": r"^\$[a-z][a-z0-9_]*$"}
_NAME = {"type": "string", "pattern": "^[a-z][a-z0-9_]*$"}
_FOR_EACH = {
    "type": "object",
    "additionalProperties": False,
    "required": ["for_each"],
    "properties": {
        "for_each": {
            "type": "object",
            "additionalProperties": False,
            "required": ["over", "steps"],
            "properties": {
                "over": {
                    "type": "object",
                    "minProperties": 1,
                    "additionalProperties": {"anyOf": [{"type": "array", "minItems": 1}, _PARAMETER]},
                },
                "steps": {"$ref": "#/$defs/steps"},
            },
        }
    },
}
_INCLUDE = {
    "type": "object",
    "additionalProperties": False,
    "required": ["include"],
    "properties": {
        "include": {
            "type": "object",
            "additionalProperties": False,
            "required": ["fragment"],
            "properties": {"fragment": {"anyOf": [_NAME, _PARAMETER]}, "with": {"type": "object"}, "name": _NAME},
        }
    },
}


def _or_parameter(schema: Any) -> Any:
    """``schema`` with `$name` taken for every value of its own."""
    if isinstance(schema, list):
        return [_or_parameter(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    if {"enum", "const"} & schema.keys() or schema.get("type") in ("string", "integer", "number", "boolean"):
        return {"anyOf": [schema, _PARAMETER]}
    parts = {key: _or_parameter(value) for key, value in schema.items() if key != "properties"}
    if "properties" in schema:
        parts["properties"] = {name: _or_parameter(value) for name, value in schema["properties"].items()}
    return parts


def device_schema() -> dict[str, Any]:
    """JSON Schema of a device profile."""
    from harness.files.profile_model import Profile

    return _of(Profile)


def bench_schema() -> dict[str, Any]:
    """JSON Schema of a bench file."""
    from harness.bench.spec import BenchFile

    return _of(BenchFile)


def result_schema() -> dict[str, Any]:
    """JSON Schema of a result, as --json prints it."""
    from harness.record.export import result_schema as schema

    return schema()


def _of(model: type[BaseModel]) -> dict[str, Any]:
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema(mode="validation")}


SCHEMAS: dict[str, Callable[[], dict[str, Any]]] = {
    "plan": plan_schema,
    "device": device_schema,
    "bench": bench_schema,
    "result": result_schema,
}
"""Kind -> its schema. Models are imported when a schema is asked for."""
