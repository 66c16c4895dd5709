"""What stands in frozen evidence, in words: for its page, its table and the API's."""

from collections.abc import Mapping
from typing import Any

from fleet.units import plain

Facts = Mapping[str, Any]  # as ``evidence`` froze them; earlier ones hold fewer kinds


def fluid_words(row: Facts) -> str:
    """E.g. "filled 4.73 L as typed: 5 US qt, Stock engine oil, batch B1"."""
    batch = f"batch {row['batch']}" if row["batch"] else ""
    parts = (f"{row['way']} {row['litres']:.4g} L{_typed(row)}", row["look"], row["product"], batch)
    return ", ".join([*(part for part in parts if part), *_stands(row)])


def torque_words(row: Facts) -> str:
    """E.g. "drain plug 39.3 N·m as typed: 29 lbf·ft, wrench BH-1"."""
    name = f"{row['fastener']}, {row['point']}" if row.get("point") else row["fastener"]
    wrench = f"wrench {row['wrench']}" if row["wrench"] else "no wrench noted"
    ended = " (its calibration had ended)" if row.get("calibration_ended") else ""
    return ", ".join(
        [f"{name} {row['torque_nm']:.4g} N·m{_typed(row)}", wrench + ended, *_stands(row)]
    )


def check_words(row: Facts) -> str:
    """E.g. "Freeze point -26 °C, pass"."""
    method = f", by {row['test_method']}" if row["test_method"] else ""
    said = f"{row['figure']} {plain(row['value'])} {row['unit']}, {row['outcome']}{method}"
    return ", ".join([said, *_stands(row)])


def level_words(row: Facts) -> str:
    """E.g. "Read the level: as it should be, at 38.5 °C"."""
    name = row["about"].rstrip(".") + (f", {row['point']}" if row["point"] else "")
    parts = ["as it should be" if row["as_it_should_be"] else "not as it should be"]
    if row["value"] is not None:
        parts.append(f"{row['value']:.4g} {row['unit']}")
    if row["temperature_c"] is not None:
        parts.append(f"at {plain(row['temperature_c'])} °C")
    return f"{name}: {', '.join([*parts, *_stands(row)])}"


def material_words(row: Facts) -> str:
    """E.g. "2 × clip, broken"."""
    much = f"{row['pieces']} ×" if row["pieces"] is not None else f"{row['litres']:g} L"
    return f"{much} {row['name']}{', broken' if row['broken'] else ''}"


def finding_words(row: Facts) -> str:
    """E.g. "seep (watch), Gearbox: damp at the pan"."""
    where = f", {row['where']}" if row["where"] else ""
    return f"{row['kind']} ({row['severity']}){where}: {row['text']}"


def _typed(row: Facts) -> str:
    return f" as typed: {row['typed']}" if row.get("typed") else ""


def _stands(row: Facts) -> list[str]:
    return [f"it stands, because {row['override']}"] if row.get("override") else []


KINDS = {
    "fluids": fluid_words,
    "torques": torque_words,
    "checks": check_words,
    "levels": level_words,
    "materials": material_words,
    "findings": finding_words,
}


def in_words(facts: Facts) -> dict[str, list[str]]:
    """Every record of a frozen row in words, by its kind; a kind that was not kept has none."""
    return {kind: [words(row) for row in facts.get(kind, ())] for kind, words in KINDS.items()}
