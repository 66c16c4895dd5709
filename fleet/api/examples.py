"""An example for every body and answer about work orders and depots, made from the schema itself.

Each property has the value that ``VALUES`` gives it by its name, else the first of its choices or
a plain value of its type; ``BODIES`` names what only fits together.
"""

import re
from collections.abc import Mapping
from typing import Any

FAMILY = ("work-orders", "findings", "depots")  # tags
JSON_TYPE, FORM_TYPE = "application/json", "multipart/form-data"
DAY, INSTANT = "2026-03-02", "2026-03-02T09:30:00Z"
Schema = Mapping[str, Any]

VALUES: dict[str, Any] = {
    "vehicle": "V-101", "registration": "INV 101", "vin": "", "depot": "plain",
    "vehicle_type": "Van", "number": "W-000013", "version": 7, "id": 13, "job": 13,
    "title": "Gearbox oil", "service": "gearbox-oil", "services": ["gearbox-oil"],
    "compartment": "gearbox", "compartment_name": "Gearbox", "minutes": 40, "spent_min": 25,
    "assigned_to": "mika", "person": "mika", "ended_by": "mika", "finished_by": "mika",
    "set_by": "mika", "username": "mika", "raising": "lift", "waiting_for": "",
    "restriction": "", "fastener": "drain-plug", "fastener_name": "Drain plug",
    "torque_nm": 39.3, "torque_max_nm": None, "reference_nm": 39.3, "torque_lbfft": 29.0,
    "torque_max_lbfft": None, "typed_text": "39.3", "wrench": "TW-3", "override_reason": "",
    "client_key": "w13-drain-1", "litres": 1.5, "product": "gear-oil-75w-80",
    "product_name": "Gear oil 75W-80", "batch": "B-17", "look": "dark", "name": "Drain plug",
    "figure": "boiling-point", "value": 187.0, "unit": "km", "odometer": 48_210.0,
    "engine_h": 1_250.0, "workshop_name": "An outside workshop", "invoice_number": "R-17",
    "cost_minor": 21_000, "pieces": 1, "text": "Seep at the drain plug", "caption": "Drain plug",
    "what": "release", "from_state": "drafted", "to_state": "released", "channel": "api",
    "reason_text": "", "withdrawn_by": None, "withdrawn_reason": "", "client": "phone",
    "question": "", "suggestion": None, "next": None, "follows": None, "cleared_at": None,
    "photo": "the bytes of a JPEG, PNG or WebP file", "code": "", "detail": "", "because": "",
    "rule": "kept at this depot", "accepts": ["API GL-4 75W-80"], "on_hand_l": 24.5,
    "steps": [], "order": "W-000013", "severity": "soon", "raised": None,
    "file": "the bytes of a CSV or XLSX file", "source": "invented for this example",
    "mean_daily_max_c": 15.6, "mean_daily_min_c": 3.2, "year": 2025, "days": 31,
}  # fmt: skip
BODIES: dict[str, dict[str, Any]] = {  # what only fits together, by operation
    "jobs_end": {
        "state": "part done",
        "reason": "part missing",
        "reason_text": "no filter on the shelf",
        "spent_min": 25,
    },
    "jobs_torque": {"fastener": "drain-plug", "wrench": "TW-3", "client_key": "w13-drain-1"},
    "work_orders_cancel": {"reason": "the vehicle was sold"},
    "work_orders_correct": {"reason": "finished on the wrong vehicle"},
    "climate_take_in": {"file": "the bytes of a CSV or XLSX file"},
    "jobs_settle": {"reason": "ordered; planned for next week"},
}


def add_examples(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Give each body and answer of the family its example; a hook of the generator."""
    shapes = result["components"]["schemas"]
    for path in result["paths"].values():
        for operation in path.values():
            if set(operation.get("tags", ())) & set(FAMILY):
                _of_operation(operation, shapes)
    return result


def _of_operation(operation: dict[str, Any], shapes: Schema) -> None:
    name = operation["operationId"]
    for kind, media in operation.get("requestBody", {}).get("content", {}).items():
        if kind in (JSON_TYPE, FORM_TYPE):
            media["example"] = BODIES.get(name) or example_of(media["schema"], shapes)
    for status, answer in operation["responses"].items():
        media = answer.get("content", {}).get(JSON_TYPE)
        if media is not None and status.startswith("2"):
            media["example"] = example_of(media["schema"], shapes)


def example_of(schema: Schema, shapes: Schema, name: str = "") -> Any:
    """A value that the schema accepts."""
    if "$ref" in schema:
        return example_of(shapes[schema["$ref"].rpartition("/")[2]], shapes, name)
    for way in ("allOf", "oneOf", "anyOf"):
        if way in schema:
            return example_of(schema[way][0], shapes, name)
    if "properties" in schema:
        found = {key: example_of(one, shapes, key) for key, one in schema["properties"].items()}
        return {key: value for key, value in found.items() if not _left_out(schema, key)}
    return _plain(schema, shapes, name)


def _left_out(schema: Schema, name: str) -> bool:
    return name == "performed_at" and name not in schema.get("required", ())


def _plain(schema: Schema, shapes: Schema, name: str) -> Any:
    kinds = schema.get("type", "string")
    kinds = [kinds] if isinstance(kinds, str) else kinds
    if "enum" in schema:
        return VALUES[name] if VALUES.get(name) in schema["enum"] else schema["enum"][0]
    if name in VALUES and _fits(VALUES[name], kinds) and _matches(VALUES[name], schema):
        return VALUES[name]
    if "array" in kinds:
        return [example_of(schema["items"], shapes, name)]
    formats = {"date": DAY, "date-time": INSTANT, "uri": "https://fleet.example/"}
    types = {"integer": 1, "number": 1.0, "boolean": False, "object": {}, "null": None}
    if "string" in kinds:
        return formats.get(schema.get("format", ""), name.replace("_", "-") or "text")
    return types[kinds[0]]


def _matches(value: Any, schema: Schema) -> bool:
    return not isinstance(value, str) or bool(re.search(schema.get("pattern", ""), value))


def _fits(value: Any, kinds: list[str]) -> bool:
    known: dict[str, type | tuple[type, ...]] = {
        "string": str,
        "integer": int,
        "number": (int, float),
        "array": list,
        "null": type(None),
    }
    if value is None:
        return "null" in kinds
    return any(kind in known and isinstance(value, known[kind]) for kind in kinds)
