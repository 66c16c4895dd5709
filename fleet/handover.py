"""One depot for whoever takes it over: its rows as tables that any program reads.

Every table of the database is decided here, and a new one is until then refused by a test: rows
*of the depot* are found by the way from a table to it, *shared* ones describe vehicle types,
services, procedures and materials and go along whole, and *left out* are ways in, secrets and what
belongs to the company as a whole. Rows that a kept row names (a person, another depot, an upload,
a vehicle that went elsewhere) stand in the tables of their own, so that no key leads nowhere. What
a blinded trial keeps secret stays so until it is over: the rows go out, the product is left empty,
and where a text of such a vehicle names it, ``BLINDED`` stands instead.
"""

import json
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache, reduce
from operator import or_
from typing import Any

from django.apps import apps
from django.db.models import CharField, Field, ForeignKey, JSONField, Model, Q, QuerySet, TextField

from fleet.copies import CHUNK_ROWS, Row, tables
from fleet.people.models import Person
from fleet.trials.blind import Place, blinded, names_kept_secret
from fleet.vehicles.models import Vehicle
from fleet.workorders.models import Job

SHARED = frozenset(
    {
        *("vehicles.VehicleType", "vehicles.Compartment"),
        *("stores.Specification", "stores.Product", "stores.ProductClaim", "stores.AcceptedFluid"),
        *("stores.GradeLimit", "stores.Item", "stores.Pack"),
        *("usage.ClassRate", "usage.SeasonIndex", "duty.Criterion"),
        *("due.GuardFactor", "due.BacktestResult", "due.Service", "due.Limit", "due.CheckFigure"),
        *("workorders.Procedure", "workorders.Step", "workorders.Caution", "workorders.Fastener"),
        *("workorders.Material", "workorders.ReCheckRule", "workorders.Tool"),
        *("visits.ServiceNeed", "consumables.PerKmUse"),
    }
)
# what was said of shared rows before, under their keys
SHARED_EARLIER = frozenset(
    {
        *("vehicles.HistoricalVehicleType", "vehicles.HistoricalCompartment"),
        *("stores.HistoricalProduct", "stores.HistoricalItem", "stores.HistoricalPack"),
        *("duty.HistoricalCriterion", "due.HistoricalService", "due.HistoricalLimit"),
        *("workorders.HistoricalProcedure", "workorders.HistoricalCaution"),
        *("workorders.HistoricalFastener", "workorders.HistoricalReCheckRule"),
        *("visits.HistoricalServiceNeed", "consumables.HistoricalPerKmUse"),
    }
)
# only as far as a kept row names them
NAMED = frozenset({"people.Person", "readings.Upload"})
LEFT_OUT = {
    "ways in, and rights": frozenset(
        {
            *("people.Token", "people.HistoricalPerson", "people.SavedView"),
            *("people.Person_groups", "people.Person_user_permissions", "vehicles.Depot_tokens"),
            *("auth.Permission", "auth.Group", "auth.Group_permissions", "visits.CalendarFeed"),
        }
    ),
    "field trials, which compare vehicles of several depots and may be blinded": frozenset(
        {
            *("trials.Trial", "trials.TrialGroup", "trials.TrialVehicle", "trials.Unblinded"),
            *("trials.ExcludedPeriod", "trials.TrialEvent", "trials.TrialResult"),
            *("trials.LongerInterval_limits", "trials.LongerInterval", "trials.Rating"),
            *("trials.LabProperty", "trials.LabSample"),
        }
    ),
    "what the company asked, sent and ran as a whole": frozenset(
        {
            *("runs.Run", "runs.RepeatKey", "readings.UploadWithdrawal", "overview.LastSeen"),
            *("workbook.SentBook", "workbook.Load", "workbook.LoadedRow"),
            *("whatif.WhatIf", "whatif.WhatIf_depots"),
            *("admin.LogEntry", "contenttypes.ContentType", "migrations.Migration"),
        }
    ),
}
DECIDED = SHARED | SHARED_EARLIER | NAMED | frozenset().union(*LEFT_OUT.values())
# what a row hangs on, by the name of its column: the first of these groups that it has
OWNERS = (
    ("depot", "vehicle", "order", "finding", "plan", "mechanic", "call"),
    ("job",),
    ("meter",),
    ("reading", "first"),
)
OF_NOBODY = {"workorders.Substitute": Q(job=None)}  # such rows stand for a whole vehicle type
# what names the product of a compartment, by vehicle and compartment: held back of what a blinded
# trial still keeps secret, since whoever takes the depot over may rate
HELD_BACK = {
    "workorders.FluidRecord": (
        *("job__vehicle", "compartment"),
        ("product_id", "batch", "question", "override_reason"),
    ),
    "workorders.Substitute": (
        *("job__vehicle", "compartment"),
        ("product_id", "reason", "source"),
    ),
    "workorders.Evidence": ("job__vehicle", "job__service__compartment", ("facts",)),
    "due.Fill": ("vehicle", "compartment", ("product_id", "mixed_with", "source")),
    "due.TopUp": ("vehicle", "compartment", ("product_id", "source")),
    "due.ChosenFluid": (
        *("vehicle", "compartment"),
        ("product_id", "because", "source", "ended_reason"),
    ),
}
# which order a product went into
MOVES, OF_ORDER = "stores.StockMove", ("order_number", "reason", "key")
BLINDED = "[a product of a blinded trial]"  # where a text named it
OF_PEOPLE = ("id", "username", "first_name", "last_name")  # who did something, and no more


@dataclass(frozen=True)
class Table:
    """What is told of one table: its columns, and rows of one alias under them."""

    name: str  # as stores_item
    columns: tuple[str, ...]
    rows: Iterator[Row]
    blinded: Counter[str]  # by column, once the rows are read: texts that named what is secret


@dataclass(frozen=True)
class Kept:
    """Rows of a table: those of a condition, and those that other rows name."""

    of_depot: "QuerySet[Model]"
    named: frozenset[object] = frozenset()

    def rows(self, columns: tuple[str, ...]) -> Iterator[Row]:
        yield from self.of_depot.order_by("pk").values_list(*columns).iterator(CHUNK_ROWS)
        everything = self.of_depot.model._base_manager.using(self.of_depot.db)
        wanted = sorted(self.named, key=str)
        for begin in range(0, len(wanted), CHUNK_ROWS):
            some = everything.filter(pk__in=wanted[begin : begin + CHUNK_ROWS])
            yield from some.order_by("pk").values_list(*columns)


def of_depot(depot_id: int, alias: str, now: datetime) -> Iterator[Table]:
    """The tables of a depot, one after the other, each with at least one row.

    Parameters
    ----------
    alias
        The database that is read; nobody else writes into it meanwhile.
    now
        As of when trials are over, or keep their secret.
    """
    kept = _kept(depot_id, alias)
    secret = secrets_of(depot_id, now)
    names = names_kept_secret({vehicle_id for vehicle_id, _ in secret}, now)
    for model, its in kept.items():
        columns, blinded_texts = _columns(model), Counter[str]()
        rows = _held_back(model, columns, its.rows(columns), secret, alias)
        rows = _without_names(model, columns, rows, names, alias, blinded_texts)
        first = next(rows, None)
        if first is not None:
            yield Table(model._meta.db_table, columns, _with(first, rows), blinded_texts)


def secrets_of(depot_id: int, now: datetime) -> set[Place]:
    """Compartments of which a blinded trial keeps the product secret: of its vehicles, and of those
    that it worked on."""
    own = Vehicle.objects.filter(Q(depot=depot_id) | Q(jobs__order__depot=depot_id))
    return blinded(own.values_list("pk", flat=True).distinct(), now)


def _held_back(
    model: type[Model], columns: Row, rows: Iterator[Row], secret: set[Place], alias: str
) -> Iterator[Row]:
    """Rows with empty cells where they would name the product that is secret."""
    hidden, blank = _hidden(model, secret, alias)
    at = [place for place, name in enumerate(columns) if name in blank]
    key = columns.index(model._meta.pk.attname)
    for row in rows:
        if row[key] in hidden:
            yield tuple(None if place in at else cell for place, cell in enumerate(row))
        else:
            yield row


def _hidden(
    model: type[Model], secret: set[Place], alias: str
) -> tuple[set[object], tuple[str, ...]]:
    """Which rows of a table name a product that is secret, and in which columns."""
    rows, label = model._base_manager.using(alias), model._meta.label
    if not secret or label not in {*HELD_BACK, MOVES}:
        return set(), ()
    if label == MOVES:
        jobs = _at(Job.objects.using(alias), "vehicle", "service__compartment", secret)
        found = rows.filter(order_number__in=jobs.values("order__number"))
        return set(found.values_list("pk", flat=True)), OF_ORDER
    vehicle, compartment, blank = HELD_BACK[label]
    found = _at(rows, vehicle, compartment, secret)
    return set(found.values_list("pk", flat=True)), blank


def _without_names(
    model: type[Model],
    columns: Row,
    rows: Iterator[Row],
    names: dict[int, set[str]],
    alias: str,
    told: Counter[str],
) -> Iterator[Row]:
    """Rows whose texts do not name the products that are secret in the vehicle they are about."""
    texts = [columns.index(one.attname) for one in _texts(model) if one.attname in columns]
    about = _about(model, names, alias) if texts else {}
    key = columns.index(model._meta.pk.attname)
    for row in rows:
        blind = about.get(row[key])
        if blind is None:
            yield row
            continue
        cells = [blind(cell) if at in texts else cell for at, cell in enumerate(row)]
        told.update(columns[at] for at in texts if cells[at] != row[at])
        yield tuple(cells)


def _about(
    model: type[Model], names: dict[int, set[str]], alias: str
) -> dict[object, Callable[[Any], Any]]:
    """How to blind the texts of each row that is about a vehicle with a secret."""
    blind = {vehicle_id: blinding(some) for vehicle_id, some in names.items()}
    found: dict[object, Callable[[Any], Any]] = {}
    for way in ways_to_vehicle(model) if names else ():
        rows = model._base_manager.using(alias).filter(**{f"{way}__in": names})
        found.update((pk, blind[vehicle_id]) for pk, vehicle_id in rows.values_list("pk", way))
    return found


def blinding(names: Iterable[str]) -> Callable[[Any], Any]:
    """How to put ``BLINDED`` for each of some names in a cell: a text, or lists and texts in it."""
    longest_first = sorted(names, key=len, reverse=True)
    named = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)", re.I)

    def blind(cell: Any) -> Any:
        if isinstance(cell, dict | list):
            return json.loads(named.sub(BLINDED, json.dumps(cell, ensure_ascii=False)))
        return named.sub(BLINDED, cell) if isinstance(cell, str) else cell

    return blind


def _texts(model: type[Model]) -> "list[Field]":  # type: ignore[type-arg]
    """Columns that hold words: of people, or put together by the program."""
    kinds = (CharField, TextField, JSONField)
    return [
        one for one in model._meta.concrete_fields if isinstance(one, kinds) and not one.choices
    ]


def _at(
    rows: "QuerySet[Any]", vehicle: str, compartment: str, places: set[Place]
) -> "QuerySet[Any]":
    wanted = (Q(**{vehicle: one, compartment: other}) for one, other in places)
    return rows.filter(reduce(or_, wanted))


def keys_of(table: str) -> list[tuple[str, str]]:
    """Columns of a table that hold keys of another that goes out too, each with its name."""
    model = next(one for one in tables() if one._meta.db_table == table)
    left = frozenset().union(*LEFT_OUT.values())
    others = [(field.attname, field.related_model) for field in _foreign(model)]
    return [
        (column, other._meta.db_table)
        for column, other in others
        if other and other._meta.label not in left and column in _columns(model)
    ]


def files_of(depot_id: int, alias: str) -> list[str]:
    """The photos and papers that its rows name, as paths below the folder of files."""
    found: set[str] = set()
    for label, column in (("workorders.Photo", "path"), ("workorders.WorkOrder", "document")):
        its = _kept(depot_id, alias)[apps.get_model(label)]
        found.update(str(path) for (path,) in its.rows((column,)) if path)
    return sorted(found)


def _with(first: Row, rest: Iterator[Row]) -> Iterator[Row]:
    yield first
    yield from rest


def _columns(model: type[Model]) -> tuple[str, ...]:
    if model is Person:
        return OF_PEOPLE
    return tuple(field.attname for field in model._meta.concrete_fields)


def _kept(depot_id: int, alias: str) -> dict[type[Model], Kept]:
    """What is kept of each table, with the rows that kept rows name."""
    kept: dict[type[Model], Kept] = {}
    for model in tables():
        rows = model._base_manager.using(alias)
        if model._meta.label in SHARED | SHARED_EARLIER:
            kept[model] = Kept(rows.all())
        elif ways(model):
            kept[model] = Kept(rows.filter(_belongs(model, depot_id)))
        elif model._meta.label in NAMED:
            kept[model] = Kept(rows.none())
    fresh = {model: its.of_depot for model, its in kept.items()}
    while fresh:
        missing = _missing(kept, fresh)
        for model, ids in missing.items():
            kept[model] = Kept(kept[model].of_depot, kept[model].named | ids)
        fresh = {
            model: model._base_manager.using(alias).filter(pk__in=ids)
            for model, ids in missing.items()
        }
    return kept


def _missing(
    kept: dict[type[Model], Kept], fresh: "dict[type[Model], QuerySet[Model]]"
) -> dict[type[Model], frozenset[object]]:
    """Keys that fresh rows name and that are not kept yet, by table."""
    found: dict[type[Model], set[object]] = {}
    for model, rows in fresh.items():
        for field in _foreign(model):
            other = field.related_model
            if other not in kept:
                continue
            its = kept[other]
            here = rows.exclude(**{f"{field.attname}__in": its.of_depot.values("pk")})
            names = here.order_by().values_list(field.attname, flat=True).distinct()
            # an earlier row may name one that is gone since
            there = other._base_manager.using(rows.db).filter(pk__in=set(names) - {None})
            found.setdefault(other, set()).update(
                set(there.values_list("pk", flat=True)) - its.named
            )
    return {model: frozenset(ids) for model, ids in found.items() if ids}


def _belongs(model: type[Model], depot_id: int) -> Q:
    wanted = OF_NOBODY.get(model._meta.label, Q())
    for way in ways(model):
        wanted |= Q(**{way: depot_id})
    return wanted


@cache
def ways(model: type[Model]) -> tuple[str, ...]:
    """By which look-ups a row belongs to a depot: its own, else that of what it hangs on.

    What was worked on a vehicle goes with the vehicle and stays with who worked on it.
    """
    label = model._meta.label
    if label in {"vehicles.Depot", "vehicles.HistoricalDepot"}:
        return ("id",)
    if label in DECIDED:
        return ()
    names = {field.name: field.related_model for field in _foreign(model)}
    owners = next(filter(None, ([n for n in some if n in names] for some in OWNERS)), [])
    return tuple(
        name if way == "id" else f"{name}__{way}" for name in owners for way in ways(names[name])
    )


@cache
def ways_to_vehicle(model: type[Model]) -> tuple[str, ...]:
    """By which look-ups a row that goes out is about a vehicle, ending in its id."""
    if model is Vehicle:
        return ("id",)
    if model._meta.label in DECIDED:
        return ()
    names = {field.name: field.related_model for field in _foreign(model)}
    owners = next(filter(None, ([n for n in some if n in names] for some in OWNERS)), [])
    return tuple(f"{name}__{way}" for name in owners for way in ways_to_vehicle(names[name]))


def _foreign(model: type[Model]) -> "list[Field]":  # type: ignore[type-arg]
    return [field for field in model._meta.concrete_fields if isinstance(field, ForeignKey)]
