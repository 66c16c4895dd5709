"""Grade tables as data: limits from secondary copies of SAE J300, SAE J306 and ISO 3448.

Tried: taking the top of a hot grade as included, or the bottom as not, makes the first tests fail.
"""

import csv
from pathlib import Path

import pytest

from fleet.calc.grades import Limit, misfits, parts_of

TABLES = Path(__file__).resolve().parents[2] / "fixtures" / "grades.csv"
J300, J306, VG = "SAE J300", "SAE J306", "ISO 3448"


def limits() -> list[Limit]:
    with TABLES.open(encoding="utf-8", newline="") as file:
        return [
            Limit(
                row["Table"],
                row["Edition"],
                row["Grade"],
                row["Property"],
                float(row["Least"]) if row["Least"] else None,
                float(row["Most"]) if row["Most"] else None,
                row["Least included"] == "yes",
                row["Most included"] == "yes",
                row["Unit"],
                float(row["At [°C]"]),
                tuple(row["With"].split()),
            )
            for row in csv.DictReader(file)
        ]


LIMITS = limits()


def fitting(table: str, name: str, value: float, rows: list[Limit]) -> set[str]:
    """The hot grades of a table whose label a value would not contradict."""
    hot = {row.grade for row in rows if row.table == table and not row.grade.endswith("W")}
    return {grade for grade in hot if not misfits(grade, {name: value}, rows)}


@pytest.mark.parametrize(
    ("kv100_mm2_s", "grades"),
    # SAE J300 (January 2015), secondary copy: from the lower limit to below the upper one
    [
        *((9.29, {"20"}), (9.30, {"30"}), (12.49, {"30"}), (12.50, {"40"}), (26.1, set())),
        (7.0, {"12", "16", "20"}),  # the viscosity at 100 °C alone does not decide
    ],
)
def test_engine_grades_at_100_degrees(kv100_mm2_s: float, grades: set[str]) -> None:
    assert fitting(J300, "kv100", kv100_mm2_s, LIMITS) == grades


@pytest.mark.parametrize(
    ("kv100_mm2_s", "grade"),
    # SAE J306 (February 2019), secondary copy; 19.5 was a 90 in the table before 2005
    [(13.49, "85"), (13.5, "90"), (18.5, "110"), (24.0, "140"), (41.0, "250"), (19.5, "110")],
)
def test_gear_grades_at_100_degrees(kv100_mm2_s: float, grade: str) -> None:
    assert fitting(J306, "kv100", kv100_mm2_s, LIMITS) == {grade}


@pytest.mark.parametrize(
    ("kv40_mm2_s", "classes"),
    # ISO 3448: midpoint ± 10 %, exact; 39.0 lies in the gap between two classes
    [
        *((28.8, ("VG 32",)), (35.2, ("VG 32",)), (41.4, ("VG 46",)), (50.6, ("VG 46",))),
        *((198.0, ("VG 220",)), (242.0, ("VG 220",)), (39.0, ())),
    ],
)
def test_industrial_classes_at_40_degrees(kv40_mm2_s: float, classes: tuple[str, ...]) -> None:
    assert fitting(VG, "kv40", kv40_mm2_s, LIMITS) == set(classes)


def test_the_newest_edition_counts() -> None:
    # 5.6 was the lower limit of SAE 20 in tables of 1999; 6.9 since 2013
    old = Limit(J300, "1999-12", "20", "kv100", 5.6, 9.3, True, False, "mm²/s", 100)
    assert "20" not in fitting(J300, "kv100", 6.0, [*LIMITS, old])
    assert misfits("20", {"kv100": 6.0}, [*LIMITS, old])


@pytest.mark.parametrize(
    ("grade", "hths_mpa_s", "fits"),
    # SAE J300: 3.5 beside 0W, 5W and 10W; 3.7 beside 15W and up, and alone
    [
        *(("5W-40", 3.5, True), ("5W-40", 3.4, False), ("15W-40", 3.5, False)),
        *(("15W-40", 3.7, True), ("40", 3.6, False), ("SAE 40", 3.7, True)),
    ],
)
def test_a_40_is_asked_for_more_beside_a_thick_cold_grade(
    grade: str, hths_mpa_s: float, fits: bool
) -> None:
    assert (misfits(grade, {"hths": hths_mpa_s}, LIMITS) == []) is fits


def test_both_parts_of_a_label_are_held_to_the_sheet() -> None:
    # SAE J306: 75W-90 asks for 13.5 to below 18.5 mm²/s at 100 °C
    assert misfits("75W-90", {"kv100": 15.2}, LIMITS) == []
    (found,) = misfits("75W-90", {"kv100": 12.9}, LIMITS)
    assert found.text == (
        "12.9 mm²/s does not fit grade 90: from 13.5 below 18.5 mm²/s at 100 °C "
        "(SAE J306, edition 2019-02). A data sheet prints typical values"
    )
    assert [row.name for row in misfits("5W-30", {"ccs": 6700, "kv100": 10}, LIMITS)] == ["ccs"]


def test_gear_and_engine_grades_are_never_compared() -> None:
    assert misfits("75W-30", {"kv100": 99}, LIMITS) == []  # of no single table
    assert misfits("90", {"kv100": 14}, LIMITS) == []  # 14 would be a 40 of the engine table


@pytest.mark.parametrize("grade", ["", "DOT 4", "G12", "5W-30-2"])
def test_what_is_no_viscosity_grade_has_no_limits(grade: str) -> None:
    assert parts_of(grade) == ()
    assert misfits(grade, {"kv100": 1.0}, LIMITS) == []


@pytest.mark.parametrize(
    ("grade", "parts"),
    [
        *(("SAE 5W-30", ("5W", "30")), ("75w90", ("75W", "90")), ("80W", ("80W",))),
        *(("SAE 140", ("140",)), ("iso vg 46", ("VG 46",)), ("VG46", ("VG 46",))),
    ],
)
def test_labels_are_read_as_they_are_printed(grade: str, parts: tuple[str, ...]) -> None:
    assert parts_of(grade) == parts
