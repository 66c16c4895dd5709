"""Rows into tables: many at once, with a history row for every change that is kept a history of."""

import json
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
from django.db.models import CharField, Model

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.vehicles.models import Alias, Meter, Vehicle, VehicleType
from fleet.workbook.columns import Key, Row, Sheet, fold
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.world import FETCH_ROWS, World

ADDED, CHANGED = "+", "~"  # as the history tables mark them


@dataclass(frozen=True, slots=True)
class Author:
    """Who loads the book, when, and what the history says of it."""

    now: datetime
    person_id: int | None
    reason: str


class Recorder:
    """Writes sheet after sheet, each finding the ids of those before."""

    def __init__(self, world: World, author: Author) -> None:
        self.world, self.author = world, author
        self.ids: dict[str, dict[Key, int]] = {
            name: {key: stored.id for key, stored in rows.items()}
            for name, rows in world.fleet.items()
        }

    def record(self, sheet: Sheet, added: list[Row], changed: list[tuple[int, Row]]) -> None:
        old_ids, new_rows = [pk for pk, _ in changed], [row for _, row in changed]
        if sheet.append_only:
            self._add(sheet, [*added, *new_rows], [*[None] * len(added), *old_ids])
        else:
            self._add(sheet, added, [])
            self._change(sheet, new_rows, old_ids)
        if sheet.name == "Vehicles":
            self._bring_parts([*added, *new_rows])
            self.ids["meters"] = _meter_ids()

    def _add(self, sheet: Sheet, rows: list[Row], superseded: list[int | None]) -> None:
        if not rows:
            return
        columns = self._columns(sheet, rows)
        self._add_unsaid(sheet.model, columns, len(rows))
        if "supersedes_id" in _attributes(sheet.model):
            columns["supersedes_id"] = _array(superseded)
        bulk.insert(sheet.model, columns)
        if not sheet.append_only:
            self.ids[sheet.name].update(_fresh_ids(sheet))
            ids = [self.ids[sheet.name][sheet.key_of(row)] for row in rows]
            self._keep_history(sheet.model, columns, ids, ADDED)

    def _change(self, sheet: Sheet, rows: list[Row], ids: list[int]) -> None:
        if not rows:
            return
        columns = self._columns(sheet, rows)
        bulk.update(sheet.model, columns | {"id": np.array(ids)})
        self._keep_history(sheet.model, _whole(sheet.model, columns, ids), ids, CHANGED)

    def _columns(self, sheet: Sheet, rows: Sequence[Row]) -> dict[str, Array]:
        kept = [sheet.as_stored(row) for row in rows]
        columns = {
            sheet.columns[index].name: _array([_kept(row[index]) for row in kept])
            for index in sheet.stored
        }
        for link in sheet.links:
            ids = self.ids[link.to]
            keys = (self.world.key(sheet, row, link) for row in rows)
            columns[link.attribute] = _array([None if key is None else ids[key] for key in keys])
        if "revision" in _attributes(sheet.model):  # the night looks again at what has a new one
            columns["revision"] = _array([time.time_ns()] * len(rows))
        return columns

    def _add_unsaid(self, model: type[Model], columns: dict[str, Array], count: int) -> None:
        """What a new row needs beside the book's columns: who, when, and the model's defaults."""
        by, now = self.author.person_id, _kept(self.author.now)
        author = {"person_id": by, "recorded_at": now, "entered_by_id": by, "entered_at": now}
        for field in model._meta.concrete_fields:
            name = field.attname
            if name in author:
                columns[name] = _array([author[name]] * count)
            elif name not in columns and (field.has_default() or _may_be_empty(field)):
                columns[name] = _array([_kept(field.get_default())] * count)

    def _keep_history(
        self, model: type[Model], columns: Mapping[str, Array], ids: list[int], sign: str
    ) -> None:
        history = getattr(model, "history", None)
        if history is None:
            return
        who = {
            "history_date": _kept(self.author.now),
            "history_type": sign,
            "history_change_reason": self.author.reason[:100],
            "history_user_id": self.author.person_id,
        }
        fixed = {name: _array([value] * len(ids)) for name, value in who.items()}
        bulk.insert(history.model, {**columns, "id": np.array(ids), **fixed})

    def _bring_parts(self, rows: list[Row]) -> None:
        """Meters and previous numbers of these vehicles."""
        ids = {fold(row[0]): self.ids["Vehicles"][(fold(row[0]),)] for row in rows}
        at = BY_NAME["Vehicles"].at
        _bring_meters({ids[fold(row[0])]: row[at["shows"]] for row in rows})
        _bring_aliases((ids[fold(row[0])], alias) for row in rows for alias in row[at["aliases"]])


def _bring_meters(unit_by_vehicle: Mapping[int, str]) -> None:
    """A km meter for each vehicle, and an hour meter where its type expects engine hours."""
    if not unit_by_vehicle:
        return
    counting = set(
        VehicleType.objects.filter(expected_h_per_day__isnull=False).values_list("id", flat=True)
    )
    types = dict(Vehicle.objects.values_list("id", "vehicle_type_id"))
    km = [(pk, Meter.Kind.KM.value, unit) for pk, unit in unit_by_vehicle.items()]
    hours = [(pk, Meter.Kind.HOURS.value, "h") for pk in unit_by_vehicle if types[pk] in counting]
    vehicle_ids, kinds, units = zip(*km, *hours, strict=True)
    columns = {"vehicle_id": _array(vehicle_ids), "kind": _array(kinds), "unit": _array(units)}
    bulk.upsert(Meter, columns, key=["vehicle_id", "kind"])


def _bring_aliases(wanted: Iterable[tuple[int, str]]) -> None:
    known = {fold(number) for number in Alias.objects.values_list("fleet_number", flat=True)}
    new = [(pk, number) for pk, number in wanted if fold(number) not in known]
    if new:
        vehicle_ids, numbers = zip(*new, strict=True)
        bulk.insert(Alias, {"vehicle_id": _array(vehicle_ids), "fleet_number": _array(numbers)})


def _meter_ids() -> dict[Key, int]:
    meters = Meter.objects.values_list("vehicle__fleet_number", "kind", "id")
    return {(fold(number), fold(kind)): pk for number, kind, pk in meters.iterator()}


def _fresh_ids(sheet: Sheet) -> dict[Key, int]:
    """Ids of all rows by key, those just added included."""
    columns = [sheet.columns[index] for index in sheet.key_at]
    query = sheet.model._default_manager.values_list("pk", *[column.source for column in columns])
    blank = [column.kind.empty for column in columns]
    return {
        tuple(
            fold(empty if value is None else value)
            for value, empty in zip(values, blank, strict=True)
        ): pk
        for pk, *values in query.iterator(chunk_size=FETCH_ROWS)
    }


def _whole(
    model: type[Model], columns: Mapping[str, Array], ids: Sequence[int]
) -> dict[str, Array]:
    """These columns of rows, and those beside them as they are stored."""
    if not hasattr(model, "history"):
        return dict(columns)
    rows = model._default_manager.in_bulk(ids)
    beside = _attributes(model) - {*columns, "id"}
    stored = {name: [_kept(getattr(rows[pk], name)) for pk in ids] for name in sorted(beside)}
    return {**columns, **{name: _array(values) for name, values in stored.items()}}


def _attributes(model: type[Model]) -> set[str]:
    return {field.attname for field in model._meta.concrete_fields}


def _array(values: Sequence[Any]) -> Array:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def _may_be_empty(field: Any) -> bool:
    """Whether a text may be left out: it is stored as '' then, never as NULL."""
    return isinstance(field, CharField) and field.blank and not field.null


def _kept(value: Any) -> Any:
    """A value as the database takes it."""
    if isinstance(value, tuple | list):
        return json.dumps(value)
    if isinstance(value, datetime):
        moment = value.astimezone(UTC)
        return f"{moment:%Y-%m-%d %H:%M:%S}{'+00:00' if bulk.on_postgres() else ''}"
    return value.isoformat() if isinstance(value, date) else value
