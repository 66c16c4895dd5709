"""A book cannot make a procedure unsafe: each fault is named with sheet, row and column.

The rules are those of tests/workorders/test_families.py, with their sources there.
"""

from typing import Any

import pytest

from fleet.workorders.models import Caution, Fastener, Procedure, Step, Tool
from fleet.workorders.validate import all_faults, services_without
from tests.workbook.small import SOURCE, Sheets, faults_of, load_small, small_workbook
from tests.workorders.gearbox_procedure import cautions, steps

pytestmark = pytest.mark.django_db
OF = {"Vehicle type": "van", "Service": "gearbox-oil"}
DRAIN_PLUG, FILL_PLUG = 0, 1


def gearbox_workbook() -> Sheets:
    """The small book with a sound level-plug procedure."""
    sheets = small_workbook()
    sheets["Cautions"] = [
        {
            "Caution": row.slug,
            "Text": row.text,
            "Before steps": "; ".join(row.step_kinds),
            "Under the vehicle": "yes" if row.under_vehicle else "",
            "Engine running": "yes" if row.engine_running else "",
            "Wheels removed": "yes" if row.wheels_removed else "",
            "Raised by": "; ".join(row.raising),
            "Families": "; ".join(row.families),
            "Powertrains": "; ".join(row.powertrains),
            "Salted roads": "yes" if row.salted_roads else "",
            "Used fluids": "; ".join(row.used_fluids),
            "Only while": "; ".join(row.only_while),
            "Demands": "; ".join(row.demands),
            "Comes again": row.returns,
            "Source": SOURCE,
        }
        for row in cautions()
    ]
    sheets["Procedures"][0] |= {"Family": "level plug", "Used fluid": "used oil"}
    sheets["Steps"] = [
        OF
        | {
            "Step": row.number,
            "Kind": str(row.kind),
            "Text": row.text,
            "Under the vehicle": "yes" if row.under_vehicle else "no",
            "Engine running": "yes" if row.engine_running else "no",
            "Fastener": row.fastener,
        }
        for row in steps()
    ]
    drain, washer = sheets["Fasteners"][0], sheets["Materials"][0]
    fill = {"Fastener": "fill-plug", "Name": "Fill plug", "Torque": 33}
    sheets["Fasteners"].append(drain | fill)
    sheets["Materials"].append(washer | {"Fastener": "fill-plug"})
    sheets["Tools"].append(OF | {"Tool": "Spirit level", "Kind": "spirit level"})
    return sheets


def only_fault(sheets: Sheets) -> str:
    (fault,) = faults_of(sheets)
    return fault


def row_of(sheets: Sheets, sheet: str, heading: str, cell: object) -> int:
    return next(at for at, row in enumerate(sheets[sheet], 2) if row[heading] == cell)


def test_a_sound_procedure_loads_and_is_kept_in_newton_metres() -> None:
    load_small(gearbox_workbook())
    stored = dict(Fastener.objects.values_list("slug", "torque_nm"))
    # worked example T-02: 29 and 33 lbf·ft are 39.31872 and 44.74199 N·m (1.3558179483314 each)
    assert stored == {
        "drain-plug": pytest.approx(39.31872, abs=5e-6),
        "fill-plug": pytest.approx(44.74199, abs=5e-6),
    }
    assert all_faults() == {}
    assert services_without() == []
    assert load_small(gearbox_workbook()).changes == 0


def test_the_drain_plug_opened_first_is_refused_at_its_step() -> None:
    sheets = gearbox_workbook()
    sheets["Steps"][1]["Step"], sheets["Steps"][2]["Step"] = 3, 2
    assert only_fault(sheets) == (
        "Steps, row 4, column 'Kind': van gearbox-oil: "
        "'open fill plug' must come before 'open drain plug': change the order."
    )


def test_a_missing_washer_is_refused_at_its_plug() -> None:
    sheets = gearbox_workbook()
    del sheets["Materials"][FILL_PLUG]
    assert only_fault(sheets) == (
        "Fasteners, row 3, column 'Seal': van gearbox-oil: "
        "the sealing washer of Fill plug is missing from the materials: add it."
    )


def test_a_plug_without_a_seal_is_refused_at_the_step_that_closes_it() -> None:
    sheets = gearbox_workbook()
    sheets["Fasteners"][DRAIN_PLUG]["Seal"] = "none"
    assert only_fault(sheets).startswith("Steps, row 7, column 'Kind': van gearbox-oil: Drain plug")


@pytest.mark.parametrize("slug", ["raised-on-stands", "key-out", "exhaust-gas", "hot-fluid"])
def test_a_book_without_a_required_caution_is_refused(slug: str) -> None:
    sheets = gearbox_workbook()
    sheets["Cautions"] = [row for row in sheets["Cautions"] if row["Caution"] != slug]
    fault = only_fault(sheets)
    assert fault.startswith("Steps, row ")
    assert f"the caution '{slug}' does not stand before step" in fault


def test_a_stored_caution_cannot_be_narrowed_away() -> None:
    load_small(gearbox_workbook())
    sheets: Sheets = {"Cautions": gearbox_workbook()["Cautions"]}
    at = row_of(sheets, "Cautions", "Caution", "hot-fluid")
    sheets["Cautions"][at - 2]["Before steps"] = "fill"
    assert only_fault(sheets).startswith(f"Cautions, row {at}, column 'Before steps': van gear")
    assert "drain" in Caution.objects.get(slug="hot-fluid").step_kinds


def test_a_book_that_makes_the_type_electric_asks_for_the_caution_on_high_voltage() -> None:
    sheets = gearbox_workbook()
    sheets["Cautions"] = [row for row in sheets["Cautions"] if row["Caution"] != "high-voltage"]
    load_small(sheets)
    types: list[dict[str, Any]] = [sheets["Vehicle types"][0] | {"Powertrain": "electric"}]
    fault = only_fault({"Vehicle types": types})
    assert fault.startswith("Procedures, column 'Family': van gearbox-oil: the caution 'high-volt")


def test_a_procedure_with_a_broken_row_is_not_blamed_for_what_that_row_lacks() -> None:
    sheets = gearbox_workbook()
    sheets["Steps"][4]["Kind"] = "stare"
    assert "'stare' is not one of" in only_fault(sheets)


def test_what_was_stored_unsafe_is_named() -> None:
    load_small(gearbox_workbook())
    Step.objects.filter(kind="inspect").delete()
    assert all_faults() == {"van gearbox-oil": ["there is no step 'inspect': add it"]}
    Procedure.objects.all().delete()
    assert services_without() == ["van gearbox-oil"]


@pytest.mark.parametrize(
    ("tool", "fault"),
    [
        ("Bit", "Fasteners, row 2, column 'Drive': van gearbox-oil: no tool turns Drain plug"),
        ("Breaker bar", "Fasteners, row 2, column 'Drive': van gearbox-oil: only a torque wrench"),
        ("Spirit level", "Steps, row 2, column 'Kind': van gearbox-oil: step 1 (level vehicle)"),
        (
            "Lamp",
            "Steps, row 11, column 'Kind': van gearbox-oil: step 10 (leak check) needs a lamp",
        ),
    ],
)
def test_a_book_whose_tools_do_not_fit_is_refused(tool: str, fault: str) -> None:
    sheets = gearbox_workbook()
    sheets["Tools"] = [row for row in sheets["Tools"] if row["Tool"] != tool]
    assert faults_of(sheets)[0].startswith(fault)


def test_stored_tools_that_do_not_fit_are_named() -> None:
    load_small(gearbox_workbook())
    Tool.objects.filter(kind="lamp").delete()
    (fault,) = all_faults()["van gearbox-oil"]
    assert fault == "step 10 (leak check) needs a lamp: add it to the tools"


def test_what_stood_unsafe_already_does_not_block_a_caution_that_mends_another() -> None:
    load_small(gearbox_workbook())
    Caution.objects.filter(slug__in=["falling-dirt", "cross-thread"]).delete()
    rows = gearbox_workbook()["Cautions"]
    one: Sheets = {"Cautions": [row for row in rows if row["Caution"] == "falling-dirt"]}
    assert faults_of(one) == []
    (left,) = all_faults()["van gearbox-oil"]
    assert "'cross-thread'" in left
    whole = gearbox_workbook()
    whole["Cautions"] = [row for row in rows if row["Caution"] != "cross-thread"]
    assert any("'cross-thread'" in text for text in faults_of(whole))
