"""What the rows of a book must mean together, beyond each cell by itself."""

from collections.abc import Iterator
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError

from fleet.calc.grades import misfits
from fleet.duty.measures import MEASURES
from fleet.stores.doubt import PackSaid, pack_doubt, unit_is_kept
from fleet.stores.grades import FIGURES, figures_of
from fleet.vehicles import vin
from fleet.vehicles.public_holidays import known_place
from fleet.workbook.columns import Row, fold
from fleet.workbook.noted import Record, Rule
from fleet.workbook.notes import Notes
from fleet.workbook.read import Table
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.workshop_rules import (
    ends_not_before_it_begins,
    fixed_day_is_kept,
    has_one_day,
    recall_has_its_number,
)
from fleet.workbook.world import World, is_zone


def check_meaning(world: World, notes: Notes) -> None:
    for name, rules in RULES.items():
        for record in _records(world.tables[name], notes):
            for rule in rules:
                rule(world, record)


def _records(table: Table, notes: Notes) -> Iterator[Record]:
    for row, number in zip(table.rows, table.numbers, strict=True):
        yield Record(table, row, number, notes)


# --- depots, climate -------------------------------------------------------------------------
def zone_is_known(world: World, row: Record) -> None:
    if not is_zone(row["zone"]):
        row.fault("zone", f"'{row['zone']}' is no IANA time zone; write e.g. Europe/Lisbon")


def holidays_are_known(world: World, row: Record) -> None:
    try:
        known_place(row["holidays_in"] or "PT")
    except ValidationError as error:
        row.fault("holidays_in", error.messages[0].rstrip("."))


def warmest_is_above_coldest(world: World, row: Record) -> None:
    warm, cold = row["mean_daily_max_c"], row["mean_daily_min_c"]
    if warm < cold:
        message = f"{warm:g} °C is below the minimum of {cold:g} °C; exchange the two"
        row.fault("mean_daily_max_c", message)


# --- services and limits ---------------------------------------------------------------------
def limit_has_a_figure(world: World, row: Record) -> None:
    figures = ("limit_km", "limit_months", "limit_h", "yearly_month", "yearly_day")
    if all(row[name] is None for name in figures):
        row.fault("limit_km", "the row has no limit; give km, months, hours or a day of the year")


def yearly_day_exists(world: World, row: Record) -> None:
    day, month = row["yearly_day"], row["yearly_month"]
    if (day is None) != (month is None):
        row.fault("yearly_day", "a day of the year needs both day and month; give both or none")
    elif day is not None and day > (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[month - 1]:
        row.fault("yearly_day", f"day {day} is not in month {month} of every year; write another")


def severe_is_not_longer(world: World, row: Record) -> None:
    if row["duty_class"] != "severe":
        return
    sheet = row.sheet
    key = sheet.key_of(row.row)
    normal = world.rows["Limits"].get((*key[:2], fold("normal"), *key[3:]))
    for name in ("limit_km", "limit_months", "limit_h"):
        usual = None if normal is None else normal[sheet.at[name]]
        if usual is not None and row[name] is not None and row[name] > usual:
            row.warn(name, f"the severe interval {row[name]:g} is longer than the normal {usual:g}")


def hours_are_counted(world: World, row: Record) -> None:
    expected = world.value(row.sheet, row.row, "vehicle_type.expected_h_per_day")
    if row["limit_h"] is not None and expected is None:
        message = "has no expected engine hours in sheet Vehicle types: the limit cannot bind"
        row.warn("limit_h", f"{row['vehicle_type']} {message}")


def measures_are_known(world: World, row: Record) -> None:
    for measure in {measure for group in row["conditions"] for measure, _, _ in group}:
        if measure not in MEASURES:
            row.fault("conditions", f"'{measure}' is not one of: {', '.join(MEASURES)}")


# --- fluids ----------------------------------------------------------------------------------
def product_suits_the_fill(world: World, row: Record) -> None:
    vehicle_type = world.value(row.sheet, row.row, "vehicle.vehicle_type")
    if row["product"] and vehicle_type is not None:
        _suits(world, row, vehicle_type, row["compartment"])


def product_suits_the_limit(world: World, row: Record) -> None:
    service = world.rows["Services"].get((fold(row["vehicle_type"]), fold(row["service"])))
    if row["product"] and service is not None:
        compartment = service[BY_NAME["Services"].at["compartment"]]
        _suits(world, row, row["vehicle_type"], compartment)


def _suits(world: World, row: Record, vehicle_type: str, compartment: str) -> None:
    unsuited = _unsuited(world, row["product"], vehicle_type, compartment)
    if unsuited:
        row.warn("product", unsuited)


def _unsuited(world: World, slug: str, vehicle_type: str, compartment: str) -> str:
    """Why a product does not suit a compartment; empty where it does, or nobody can tell."""
    accepted = world.accepted().get((fold(vehicle_type), fold(compartment)), {})
    suiting = world.claimed().get(fold(slug), set()) & accepted.keys()
    product = world.rows["Products"].get((fold(slug),))
    if not accepted or product is None:
        return ""
    grade = fold(product[BY_NAME["Products"].at["grade"]])
    if any(grade in accepted[name] or "" in accepted[name] for name in suiting):
        return ""
    wanted = ", ".join(sorted(accepted)).lower()
    said = f"'{slug}' claims nothing that the {compartment} accepts ({wanted})"
    return f"{said}, or has another grade"


def item_is_accepted(world: World, row: Record) -> None:
    """What a compartment does not accept is never planned."""
    item = world.rows["Items"].get((fold(row["item"]),)) if row["item"] else None
    service = world.rows["Services"].get((fold(row["vehicle_type"]), fold(row["service"])))
    product = item[BY_NAME["Items"].at["product"]] if item else ""
    if product and service is not None:
        compartment = service[BY_NAME["Services"].at["compartment"]]
        unsuited = _unsuited(world, product, row["vehicle_type"], compartment)
        if unsuited:
            row.fault("item", f"{unsuited}; choose another item")


def product_is_named(world: World, row: Record) -> None:
    if (row["origin"] == "product") != bool(row["product"]):
        row.fault("product", "a fill with a product names it, any other names none; correct one")


# --- procedures ------------------------------------------------------------------------------
def quantity_or_pieces(world: World, row: Record) -> None:
    if (row["quantity_ml"] is None) == (row["pieces"] is None):
        row.fault("pieces", "give a quantity of a fluid, or pieces of anything else; not both")
    elif row["container_ml"] is not None and row["quantity_ml"] is None:
        row.fault("container_ml", "only a fluid comes in containers; leave it empty")


def figure_has_a_limit(world: World, row: Record) -> None:
    if all(row[name] is None for name in ("pass_from", "pass_to")):
        row.fault("pass_from", "without a limit every value would pass; give one or both")
    elif row["follows_frost"] and row["pass_to"] is None:
        row.fault(
            "pass_to", "a figure that follows the frost needs it for unknown climates; give it"
        )
    for low, high in (("pass_from", "pass_to"), ("watch_from", "watch_to")):
        if row[low] is not None and row[high] is not None and row[low] > row[high]:
            row.fault(low, f"{row[low]:g} is above {row[high]:g}; exchange the two")


def re_check_says_when(world: World, row: Record) -> None:
    if all(row[name] is None for name in ("to_km", "after_d", "after_min")):
        row.fault("after_d", "say when: at the latest by km, days or minutes")
    if row["from_km"] is not None and row["to_km"] is not None and row["from_km"] > row["to_km"]:
        row.fault("from_km", "it is later than at the latest; exchange the two")


def watch_is_wider_than_pass(world: World, row: Record) -> None:
    """On a side where values may be watched they pass only further inside."""
    low, high = (row["watch_from"], row["pass_from"]), (row["pass_to"], row["watch_to"])
    for name, (less, more) in (("watch_from", low), ("watch_to", high)):
        if row[name] is not None and None not in (less, more) and less > more:
            row.fault(name, f"{row[name]:g} lies inside what passes; write it further out")


# --- vehicles --------------------------------------------------------------------------------
def new_vehicle_has_a_start(world: World, row: Record) -> None:
    if row["joined_as"] == "new" and row["in_service_on"] is None:
        row.fault("in_service_on", "it joined new, so its first day of use is needed; write it")


def use_began_before_joining(world: World, row: Record) -> None:
    start: date | None = row["in_service_on"]
    if row["joined_as"] == "used" and start is not None and start > row["joined_on"]:
        message = f"{start} is after it joined used ({row['joined_on']}); write an earlier day"
        row.fault("in_service_on", message)


def odometer_never_fell(world: World, row: Record) -> None:
    start, joining = row["in_service_km"], row["meter_at_joining_km"]
    if start is not None and joining is not None and joining < start:
        message = f"{joining:,.0f} km is less than the {start:,.0f} km in service; correct one"
        row.fault("meter_at_joining_km", message)


def vin_looks_right(world: World, row: Record) -> None:
    doubt = vin.warning(row["vin"])
    if doubt is not None:
        row.warn("vin", doubt.rstrip("."))


def meter_exists(world: World, row: Record) -> None:
    expected = world.value(row.sheet, row.row, "vehicle.vehicle_type.expected_h_per_day")
    if row["meter"] == "hours" and expected is None and not world.has_hours(row["vehicle"]):
        row.fault("meter", "the vehicle has no hour meter; give its type expected engine hours")


# --- history and use -------------------------------------------------------------------------
def done_after_the_start(world: World, row: Record) -> None:
    start = world.value(row.sheet, row.row, "vehicle.in_service_on")
    if start is not None and row["done_on"] < start:
        row.warn("done_on", f"{row['done_on']} is before the vehicle was in service ({start})")


def parts_are_within_the_whole(world: World, row: Record) -> None:
    for part, whole in (
        ("trips_under_8_km", "trips_under_16_km"),
        ("trips_under_8_km", "trips"),
        ("trips_under_16_km", "trips"),
        ("idle_h", "engine_h"),
    ):
        if row[part] is not None and row[whole] is not None and row[part] > row[whole]:
            of = f"{row[whole]:g} in '{row.sheet.column(whole).heading}'"
            row.fault(part, f"{row[part]:g} is more than {of}; correct one")


# --- products --------------------------------------------------------------------------------
def data_sheet_fits_the_grade(world: World, row: Record) -> None:
    figures = figures_of({column: row[column] for column in FIGURES.values()})
    for found in misfits(row["grade"], figures, world.grade_limits()) if figures else ():
        row.warn(FIGURES[found.name], found.text)


# --- stores ----------------------------------------------------------------------------------
def hygroscopic_is_drawn_whole(world: World, row: Record) -> None:
    if row["hygroscopic"] and row["draw"] != "whole packs per job":
        row.fault("draw", "a hygroscopic fluid is drawn in whole packs per job; write that")


def product_is_a_fluid(world: World, row: Record) -> None:
    if row["product"] and (row["kind"], row["unit"]) != ("fluid", "mL"):
        row.fault("product", "only a fluid kept in mL has a product; leave it empty")


def price_has_a_source(world: World, row: Record) -> None:
    if row["price_minor"] is not None and not row["price_source"]:
        row.fault("price_source", "say where the price is from")


# --- stores ----------------------------------------------------------------------------------
def unit_stays_once_stock_moved(world: World, row: Record) -> None:
    stored = world.fleet["Items"].get(row.sheet.key_of(row.row))
    if stored is None:
        return
    before = stored.row[row.sheet.at["unit"]]
    if before != row["unit"] and (text := unit_is_kept(stored.id, before)):
        row.fault("unit", text)


def one_pack_is_preferred(world: World, row: Record) -> None:
    at, own = row.sheet.at, row.sheet.key_of(row.row)
    others = [other for key, other in _packs_of(world, row) if key != own]
    if row["preferred"] and any(other[at["preferred"]] for other in others):
        row.fault("preferred", "another pack of the item is preferred too; say yes at one of them")


def pack_is_believed(world: World, row: Record) -> None:
    item = world.rows["Items"].get((fold(row["item"]),)) if row["item"] else None
    stored = world.fleet["Packs"].get(row.sheet.key_of(row.row))
    if item is None or row["why_it_stands"] or row["quantity"] is None:
        return
    unit, own = item[BY_NAME["Items"].at["unit"]], row.sheet.key_of(row.row)
    others = [_pack(row, unit, other) for key, other in _packs_of(world, row) if key != own]
    before = _pack(row, unit, stored.row) if stored is not None else None
    if text := pack_doubt(_pack(row, unit, row.row), others, before):
        say = row.warn if stored is not None and stored.row == row.row else row.fault
        say("quantity", f"{text} Correct it, or say why it stands")


def _packs_of(world: World, row: Record) -> Iterator[tuple[Any, Row]]:
    item = fold(row["item"])
    for key, other in world.rows["Packs"].items():
        if key[0] == item:
            yield key, other


def _pack(row: Record, unit: str, pack: Row) -> PackSaid:
    return PackSaid(unit, pack[row.sheet.at["quantity"]], pack[row.sheet.at["price_minor"]])


RULES: dict[str, tuple[Rule, ...]] = {
    "Depots": (zone_is_known, holidays_are_known),
    "Climate": (warmest_is_above_coldest,),
    "Limits": (
        limit_has_a_figure,
        yearly_day_exists,
        severe_is_not_longer,
        hours_are_counted,
        product_suits_the_limit,
    ),
    "Products": (data_sheet_fits_the_grade,),
    "Items": (hygroscopic_is_drawn_whole, product_is_a_fluid, unit_stays_once_stock_moved),
    "Packs": (price_has_a_source, one_pack_is_preferred, pack_is_believed),
    "Materials": (quantity_or_pieces, item_is_accepted),
    "Check figures": (figure_has_a_limit, watch_is_wider_than_pass),
    "Re-checks": (re_check_says_when,),
    "Duty criteria": (measures_are_known,),
    "Vehicles": (
        new_vehicle_has_a_start,
        use_began_before_joining,
        odometer_never_fell,
        vin_looks_right,
    ),
    "Meter changes": (meter_exists,),
    "Service history": (done_after_the_start,),
    "Fills": (product_is_named, product_suits_the_fill),
    "Usage sheets": (parts_are_within_the_whole,),
    "Mechanics away": (ends_not_before_it_begins,),
    "Blocked days": (ends_not_before_it_begins,),
    "Vehicles away": (ends_not_before_it_begins,),
    "Other work": (has_one_day, recall_has_its_number, fixed_day_is_kept),
}
