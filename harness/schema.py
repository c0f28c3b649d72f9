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
    from harness.plan.plan import PlanFile
    from harness.plan.steps import STEP_KINDS

    schema = _of(PlanFile)
    bare = [kind for kind, model in STEP_KINDS.items() if not any(f.is_required() for f in model.model_fields.values())]
    for section in ("steps", "clean_up"):
        schema["properties"][section]["items"]["oneOf"].append({"enum": bare})  # `- close`
    for kind in bare:
        entry = schema["$defs"][f"{kind}_entry"]["properties"]
        entry[kind] = {"anyOf": [entry[kind], {"type": "null"}]}  # `- close:`
    schema["properties"]["steps"]["minItems"] = 1
    return schema


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
