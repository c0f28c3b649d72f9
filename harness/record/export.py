"""A result as plain JSON values: one line of ``--json``, and the schema that describes it."""

from __future__ import annotations

import math
from typing import Any

from harness.record.result import Coverage, Measurement, Result, Verdict

_S = 1_000_000_000


def result_values(result: Result, mark: str | None) -> dict[str, Any]:
    """A result without its waveforms; times in seconds of bench time, bytes as hexadecimal text.

    ``mark`` says where the breaker is a simulated one; None on a real bench.
    """
    return {
        "type": "result",
        "mark": mark,
        "id": result.id,
        "plan": result.plan,
        "step": result.step,
        "kind": result.kind,
        "section": result.section,
        "where": result.where,
        "verdict": result.verdict.value,
        "reasons": list(result.reasons),
        "function": result.function,
        "coverage": result.coverage.value,
        "measurements": [_measurement_values(measurement) for measurement in result.measurements],
        "start_s": result.start_ns / _S,
        "end_s": result.end_ns / _S,
        "exchanges": [
            {
                "at_s": exchange.at_ns / _S,
                "request": exchange.request.hex(" "),
                "answer": None if exchange.answer is None else exchange.answer.hex(" "),
                "note": exchange.note,
            }
            for exchange in result.exchanges
        ],
        "facts": dict(result.facts or {}),
        "device": result.device,
        "stimulus": None if result.stimulus is None else vars(result.stimulus),
        "set_points": None if result.set_points is None else dict(result.set_points),
    }


def _measurement_values(measurement: Measurement) -> dict[str, Any]:
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in vars(measurement).items()
    }


def result_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of one result line."""
    number = {"type": ["number", "null"]}
    text = {"type": "string"}
    texts = {"type": "array", "items": text}
    measurement = dict.fromkeys(("value", "low", "high", "nominal", "uncertainty", "repeatability"), number) | {
        "name": text,
        "unit": text,
    }
    exchange = {"at_s": {"type": "number"}, "request": text, "answer": {"type": ["string", "null"]}, "note": text}
    applied = {"quantity": text, "value": number, "unit": text, "voltage": number, "start": text}
    properties: dict[str, Any] = {
        "type": {"const": "result"},
        "mark": {"type": ["string", "null"]},
        **dict.fromkeys(("id", "plan", "step", "kind", "where"), text),
        "section": {"enum": ["steps", "clean_up"]},
        "verdict": {"enum": [verdict.value for verdict in Verdict]},
        "reasons": texts,
        "function": {"type": ["string", "null"]},
        "coverage": {"enum": [coverage.value for coverage in Coverage]},
        "measurements": {"type": "array", "items": _closed(measurement)},
        "start_s": {"type": "number"},
        "end_s": {"type": "number"},
        "exchanges": {"type": "array", "items": _closed(exchange)},
        "facts": {"type": "object"},
        "device": text,
        "stimulus": {"anyOf": [{"type": "null"}, _closed(applied)]},
        "set_points": {"type": ["object", "null"], "additionalProperties": {"type": "number"}},
    }
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Result", **_closed(properties)}


def _closed(properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }
