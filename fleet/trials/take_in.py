"""Ratings and lab samples from a spreadsheet: every row is told what became of it.

The same sheet again changes nothing: a row's key is made of what it says.
"""

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import depots_of
from fleet.readings.cells import read_figure
from fleet.readings.moments import CellFault, Moment, day_first_of, read_moment
from fleet.readings.spreadsheet import Rows, SpreadsheetFault, read_spreadsheet
from fleet.trials.models import LabSample, Rating, Trial, TrialVehicle
from fleet.trials.rate import (
    Felt,
    Measured,
    Places,
    add_samples,
    asked_about,
    check_rating,
    check_sample,
    known_keys,
    places_of,
    rate,
)

MOST_ROWS = 20_000  # our choice
VEHICLE = ("fleet number", "vehicle", "van")
RATING_COLUMNS = {
    "vehicle": VEHICLE,
    "date": ("date", "rated on", "rated at", "day"),
    "value": ("rating", "grade", "1 to 5"),
    "temperature": ("temperature", "temperature c", "outside temperature"),
    "by": ("rated by", "by", "driver", "name"),
    "corrects": ("corrects", "correction"),
}
SAMPLE_COLUMNS = {
    "vehicle": VEHICLE,
    "date": ("date", "drawn on", "sampled on", "day"),
    "property": ("property", "test"),
    "value": ("value", "result"),
    "report": ("report", "report number", "paper"),
    "why": ("why it stands", "because"),
}
RATING_NEEDS = ("vehicle", "date", "value")
SAMPLE_NEEDS = ("vehicle", "date", "property", "value", "report")

Cells = dict[str, Any]
# how a row answers a question, by what it is about
ANSWERS = {
    "corrects": " Write yes in a column Corrects.",
    "why_it_stands": " It goes in a column Why it stands.",
}
HEADING_ROWS = 20  # among which the headings are looked for; our choice


@dataclass(frozen=True)
class RowTold:
    """What became of one row."""

    row: int  # as the spreadsheet numbers it
    outcome: str  # taken, repeated or refused
    message: str = ""


@dataclass(frozen=True)
class TakenIn:
    """What became of a sheet."""

    rows: tuple[RowTold, ...]

    @property
    def counts(self) -> dict[str, int]:
        """How many rows were taken, repeated, refused."""
        found = Counter(row.outcome for row in self.rows)
        return {name: found[name] for name in ("taken", "repeated", "refused")}


def take_in_ratings(actor: Actor, trial: Trial, path: Path) -> TakenIn:
    """Take in a sheet with a fleet number, a date and a rating in each row."""
    sheet = _Sheet(actor, trial, RATING_COLUMNS, RATING_NEEDS, Rating)
    return _take_in(sheet, path, _felt, rate)


def take_in_samples(actor: Actor, trial: Trial, path: Path) -> TakenIn:
    """Take in a sheet with a fleet number, a date, a property, a value and a report in each row."""
    sheet = _Sheet(actor, trial, SAMPLE_COLUMNS, SAMPLE_NEEDS, LabSample)
    return _take_in(sheet, path, _measured, add_samples)


@dataclass(frozen=True)
class _Sheet:
    actor: Actor
    trial: Trial
    columns: dict[str, tuple[str, ...]]
    needs: tuple[str, ...]
    model: type[Rating] | type[LabSample]


@dataclass(frozen=True)
class _Row:
    number: int
    cells: Cells
    key: str
    day_first: bool | None


def _take_in(
    sheet: _Sheet,
    path: Path,
    read: Callable[[_Sheet, _Row, Places], Any],
    record: Callable[[Actor, list[Any]], Sequence[Any]],
) -> TakenIn:
    rows = _rows(sheet, path)
    person = sheet.actor.person
    places = places_of(sheet.trial, None if person is None else depots_of(person))
    told: dict[int, RowTold] = {}
    ready: list[Any] = []
    known = known_keys(sheet.model, [row.key for row in rows])
    for row in rows:
        if row.key in known:
            told[row.number] = RowTold(row.number, "repeated")
            continue
        try:
            ready.append(read(sheet, row, places))
            told[row.number] = RowTold(row.number, "taken")
        except Fault as fault:
            told[row.number] = _refused(row, fault)
    if sheet.model is Rating:
        doubts = asked_about(sheet.actor, ready, set())
        ready = [one for one in ready if not isinstance(doubts.get(one.client_key), Fault)]
        for row in rows:
            if isinstance(doubt := doubts.get(row.key), Fault):
                told[row.number] = _refused(row, doubt)
    with transaction.atomic():
        record(sheet.actor, ready)
    return TakenIn(tuple(told.values()))


def _refused(row: "_Row", fault: Fault) -> RowTold:
    answer = ANSWERS.get(fault.about, "") if isinstance(fault, Question) else ""
    return RowTold(row.number, "refused", f"{fault}{answer}"[:300])


def _rows(sheet: _Sheet, path: Path) -> list[_Row]:
    """Rows below the first line with the headings, in the first sheet that has one."""
    for grid in read_spreadsheet(path).values():
        for at, heading in enumerate(grid[:HEADING_ROWS]):
            columns = _columns(sheet, heading)
            if all(name in columns for name in sheet.needs):
                return _below(sheet, grid, at + 1, columns)
    wanted = ", ".join(sheet.columns[name][0].capitalize() for name in sheet.needs)
    raise SpreadsheetFault(f"The file has no row of headings with {wanted}: name the columns so.")


def _columns(sheet: _Sheet, heading: Sequence[object]) -> dict[str, int]:
    plain = {
        " ".join(re.sub(r"[^a-z0-9]+", " ", str(cell).lower()).split()): at
        for at, cell in reversed(list(enumerate(heading)))
    }
    return {
        name: next(plain[word] for word in words if word in plain)
        for name, words in sheet.columns.items()
        if any(word in plain for word in words)
    }


def _below(sheet: _Sheet, grid: Rows, first: int, columns: dict[str, int]) -> list[_Row]:
    if len(grid) - first > MOST_ROWS:
        raise SpreadsheetFault(f"The sheet has more than {MOST_ROWS:,} rows: split it.")
    kept = [
        (at + 1, row)
        for at, row in enumerate(grid)
        if at >= first and any(cell != "" for cell in row)
    ]
    if not kept:
        raise SpreadsheetFault(
            "There is nothing below the headings: fill in rows and send it again."
        )
    day_first = day_first_of(row[columns["date"]] for _, row in kept)
    seen: Counter[str] = Counter()
    rows = []
    for number, row in kept:
        cells = {name: row[at] for name, at in columns.items()}
        said = f"{sheet.trial.slug}|" + "|".join(f"{cells.get(name, '')}" for name in sheet.columns)
        seen[said] += 1
        key = sha256(f"{said}|{seen[said]}".encode()).hexdigest()
        rows.append(_Row(number, cells, key, day_first))
    return rows


def _felt(sheet: _Sheet, row: _Row, places: Places) -> Felt:
    place = _place(sheet, row, places)
    temperature = row.cells.get("temperature", "")
    given = Felt(
        trial_vehicle=place,
        value=_grade(row.cells["value"]),
        rated_at=_instant(row, place),
        client_key=row.key,
        temperature_c=None if temperature == "" else _number(temperature, "temperature"),
        by=str(row.cells.get("by", "")).strip(),
        corrects=str(row.cells.get("corrects", "")).strip().casefold() == "yes",
    )
    check_rating(given, sheet.actor.now)
    return given


def _measured(sheet: _Sheet, row: _Row, places: Places) -> Measured:
    place = _place(sheet, row, places)
    named = str(row.cells["property"]).strip().casefold()
    properties = {
        word.casefold(): one
        for one in sheet.trial.properties.all()
        for word in (one.slug, one.name)
    }
    if named not in properties:
        listed = ", ".join(one.name for one in sheet.trial.properties.all()) or "none yet"
        raise Fault(f"There is no property “{named}” in {sheet.trial}. Named: {listed}.")
    given = Measured(
        trial_vehicle=place,
        property=properties[named],
        drawn_on=_instant(row, place).astimezone(ZoneInfo(place.vehicle.depot.zone)).date(),
        value=_number(row.cells["value"], "value"),
        report=str(row.cells["report"]).strip(),
        client_key=row.key,
        why_it_stands=str(row.cells.get("why", "")).strip(),
    )
    check_sample(given, sheet.actor.now)
    return given


def _place(sheet: _Sheet, row: _Row, places: Places) -> TrialVehicle:
    given = row.cells["vehicle"]
    number = f"{given:.0f}" if isinstance(given, float) and given.is_integer() else str(given)
    place = places.get(number.strip().upper())
    if place is None:
        raise Fault(f"No vehicle {number.strip()[:40]} of your depots is in {sheet.trial}.")
    return place


def _grade(cell: object) -> int:
    value = _number(cell, "rating")
    if value != int(value):
        raise Fault("A rating is a whole number from 1 (worst) to 5 (best).")
    return int(value)


def _number(cell: object, what: str) -> float:
    try:
        value, unit = read_figure(cell)
    except CellFault as fault:
        raise Fault(f"The {what} {fault}.") from None
    if unit is not None:
        raise Fault(f"The {what} has a unit of distance or time: write the number alone.")
    return value


def _instant(row: _Row, place: TrialVehicle) -> datetime:
    """When it was, by the depot's clock; a day alone is 12:00."""
    try:
        moment: Moment = read_moment(row.cells["date"], row.day_first)
    except CellFault as fault:
        raise Fault(f"The date {fault}.") from None
    zone = ZoneInfo(place.vehicle.depot.zone)
    if moment.offset_s is not None:
        return datetime.fromtimestamp(moment.wall_s - moment.offset_s, UTC)
    wall = datetime.fromtimestamp(moment.wall_s, UTC).replace(tzinfo=zone)
    return wall.astimezone(UTC)
