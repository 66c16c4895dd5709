"""Withdraw a load: what it changed is as before, what it added goes, where nothing came since.

Rows are held against the fleet as the book holds them, so every sheet goes by the same rule. What
somebody changed since, what other rows rest on, and records of work stay, and are named. What it
would do is seen by doing it and taking that back, so that no second rule has to agree with it.
"""

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Model, ProtectedError, RestrictedError

from fleet import bulk
from fleet.due.models import DueDate, DueMove, DueStamp
from fleet.duty.models import DutyAssessment
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.today import NO_DEPOT, day, today_at
from fleet.usage.models import ClassRate, KmAt, UsageState
from fleet.vehicles.models import Alias, Depot, Meter, Vehicle
from fleet.workbook.columns import Key, Row, Sheet
from fleet.workbook.models import Load, LoadedRow
from fleet.workbook.record import Author, Recorder
from fleet.workbook.sheets import SHEETS
from fleet.workbook.use import decide_again, use_changed
from fleet.workbook.workshop_sheets import MECHANICS, MECHANICS_AWAY
from fleet.workbook.world import Stored, World, fleet_rows, whole_fleet
from fleet.workorders import unasked

WRITTEN_AT_ONCE = 2_000
FOLLOWED_WITHIN = timedelta(days=30)  # by the night of every depot; our choice
FOLLOWS_AT_NIGHT = (
    "Due dates follow in the next night, and orders drafted since the load that nothing asks for "
    "any more are cancelled then, unless somebody touched them."
)
REMOVED = "removed"
NAMING = (MECHANICS, MECHANICS_AWAY)  # whose rows name people
# what the program itself made of a row: it goes with it
FOLLOWS: set[type[Model]] = {
    *(Alias, Meter, UsageState, KmAt, ClassRate, DutyAssessment, DueDate, DueMove, DueStamp),
}


@dataclass(frozen=True, slots=True)
class Withdrawn:
    restored: int
    removed: int
    stays: Sequence[tuple[str, int, str, str]]  # sheet, row of the book, its key, why
    goes: Sequence[tuple[str, int, str, str]] = ()  # the same: what becomes of the row

    @property
    def mark(self) -> str:
        """Tells whether it is still what somebody has seen."""
        return f"{self.restored}.{self.removed}.{len(self.stays)}"


def in_words(found: Withdrawn) -> str:
    """What became of a load's rows, in a sentence or two."""
    said = f"Withdrawn. Rows as they were before: {found.restored}; rows removed: {found.removed}"
    if not found.stays:
        return f"{said}; nothing of it stays. {FOLLOWS_AT_NIGHT}"
    return f"{said}; rows that stay, each with its reason: {len(found.stays)}. {FOLLOWS_AT_NIGHT}"


# --- what a load did -----------------------------------------------------------------------
def keep(load: Load, sheet: Sheet, rows: Iterable[tuple[int, Stored | None, Row]]) -> None:
    """Keep rows of one sheet that a load wrote: number in the book, what stood before, the row."""
    LoadedRow.objects.bulk_create(
        (
            LoadedRow(
                load=load,
                sheet=sheet.name,
                number=number,
                row_id=before.id if before else None,
                before=as_json(before.row) if before else None,
                after=as_json(row),
            )
            for number, before, row in rows
        ),
        batch_size=WRITTEN_AT_ONCE,
    )


def as_json(value: Any) -> Any:
    """A row, or a value in one, as JSON that ``from_json`` gives back alike."""
    if isinstance(value, tuple | list):
        return [as_json(one) for one in value]
    if isinstance(value, datetime):
        return {"at": value.isoformat()}
    return {"on": value.isoformat()} if isinstance(value, date) else value


def from_json(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(map(from_json, value))
    if isinstance(value, dict):
        ((kind, text),) = value.items()
        return (datetime if kind == "at" else date).fromisoformat(text)
    return value


def rename(person: Person, names: Collection[str]) -> None:
    """Put a person's name of today in the place of those of before, wherever loads keep them."""
    spelt = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, names))})(?!\w)")

    def called(value: Any) -> Any:
        if isinstance(value, list):
            return [called(one) for one in value]
        return spelt.sub(str(person), value) if isinstance(value, str) else value

    for row in LoadedRow.objects.filter(sheet__in=[sheet.name for sheet in NAMING]):
        row.before, row.after = called(row.before), called(row.after)
        row.save(update_fields=["before", "after"])
    for load in Load.objects.exclude(stays=[]):
        load.stays = called(load.stays)
        load.save(update_fields=["stays"])


# --- taking it back ------------------------------------------------------------------------
def withdraw(
    load: Load, *, person: Person | None, reason: str, now: datetime, seen: str = ""
) -> Withdrawn:
    """Take a load back as far as nothing came since; what stays is kept with it, and why.

    Parameters
    ----------
    seen
        Mark of what somebody was shown that it would do; empty: nobody looked.

    Raises
    ------
    Fault
        There is no reason.
    Refused
        It was withdrawn already, each of its rows stays, or it would do something else by now than
        was seen.
    """
    if not reason.strip():
        raise Fault("Say why it is withdrawn: the reason is kept with it.", about="reason")
    why = reason.strip()[:300]
    with transaction.atomic():
        taken = _taken(load, person, why, now)
        found, load = taken.withdrawn(), taken.load
        if not found.goes:
            raise Refused(
                f"Nothing of this load can be withdrawn: each of its rows stays "
                f"({len(found.stays)}). It stands as before."
            )
        if seen and seen != found.mark:
            raise Refused("What it would do has changed since you looked: look at it once more.")
        load.withdrawn_at, load.withdrawn_by, load.withdrawn_why = now, person, why
        load.stays = found.stays
        load.save()
    decide_again(taken.use_changed(now), now)
    return found


def foreseen(load: Load, *, now: datetime) -> Withdrawn:
    """What taking a load back would do; nothing is kept of it.

    Raises
    ------
    Refused
        It was withdrawn already.
    """
    with transaction.atomic():
        found = _taken(load, None, "looked at", now).withdrawn()
        transaction.set_rollback(True)
    return found


def follow(actor: Actor, depot_ids: Collection[int], before: datetime) -> int:
    """Cancel the drafts that rested on loads withdrawn before an instant, at depots whose due dates
    have followed since; how many."""
    cancelled, since = 0, before - FOLLOWED_WITHIN
    if not bulk.has(Load, "withdrawn_at > %s", [bulk.instant(since)]):  # on nearly every night
        return 0
    recent = Load.objects.filter(withdrawn_at__lt=before, withdrawn_at__gt=since)
    for load in recent.order_by("pk"):
        left = sorted(set(depot_ids) - set(load.followed))
        if not left:
            continue
        here = Vehicle.objects.filter(depot__in=left).order_by("pk")
        why = f"The load of {load.name[:80]} was withdrawn: {load.withdrawn_why}"[:300]
        drafts = unasked.cancel_unasked(
            actor, np.array(here.values_list("pk", flat=True)), load.loaded_at, why
        )
        load.followed, load.drafts = [*load.followed, *left], load.drafts + drafts
        load.save(update_fields=["followed", "drafts"])
        cancelled += drafts
    return cancelled


def _taken(load: Load, person: Person | None, why: str, now: datetime) -> "_Taking":
    load = Load.objects.select_for_update().get(pk=load.pk)
    if load.withdrawn_at is not None:
        raise Refused("This load was withdrawn already.")
    author = Author(now, person.pk if person else None, f"load {load.pk} withdrawn: {why}"[:100])
    found = _Taking(load, author)
    for sheet in reversed(SHEETS):
        found.remove_added(sheet)
    for sheet in SHEETS:
        found.restore_changed(sheet)
    return found


def _in_order(stays: tuple[str, int, str, str]) -> tuple[int, int]:
    return [sheet.name for sheet in SHEETS].index(stays[0]), stays[1]


class _Taking:
    """A load while it is taken back, sheet by sheet."""

    def __init__(self, load: Load, author: Author) -> None:
        self.load, self.author = load, author
        self.goes: list[tuple[str, int, str, str]] = []
        self.stays: list[tuple[str, int, str, str]] = []
        self.written: list[tuple[Sheet, list[Row]]] = []
        self.was = World({}, whole_fleet(), author.now.astimezone(UTC).date())

    def withdrawn(self) -> Withdrawn:
        removed = sum(what == REMOVED for *_, what in self.goes)
        return Withdrawn(
            restored=len(self.goes) - removed,
            removed=removed,
            stays=sorted(self.stays, key=_in_order),
            goes=sorted(self.goes, key=_in_order),
        )

    def use_changed(self, now: datetime) -> dict[int, date]:
        return use_changed(self.was, self.written, now.astimezone(UTC).date())

    def remove_added(self, sheet: Sheet) -> None:
        rows = self._rows(sheet, added=True)
        if not rows:
            return
        stored = self.was.fleet[sheet.name]
        found = [(one, stored.get(sheet.key_of(from_json(one.after)))) for one in rows]
        gone = {now.id: one for one, now in found if self._as_loaded(sheet, one, now) and now}
        for pk, what in _rest_on(sheet.model, list(gone)).items():
            self._stays(sheet, gone.pop(pk), f"{what} rests on it")
        for row in sheet.model._default_manager.filter(pk__in=gone):
            # read by the history of the row, which keeps who took it away
            vars(row).update(
                _change_reason=self.author.reason, _history_user_id=self.author.person_id
            )
            one = gone[row.pk]
            try:
                with transaction.atomic():
                    row.delete()
                self.goes.append(_told(sheet, one, REMOVED))
            except (ProtectedError, RestrictedError):
                self._stays(sheet, one, "other rows rest on it")

    def restore_changed(self, sheet: Sheet) -> None:
        rows = self._rows(sheet, added=False)
        if not rows:
            return
        by_id = {one.id: one for one in fleet_rows(sheet).values()}
        changed = {one.row_id: one for one in rows if one.row_id is not None}
        kept = {
            pk: one for pk, one in changed.items() if self._as_loaded(sheet, one, by_id.get(pk))
        }
        back = [(pk, from_json(one.before)) for pk, one in kept.items()]
        world = World({}, whole_fleet(), self.was.today)
        world.rows[sheet.name].update((sheet.key_of(row), row) for _, row in back)
        if missing := {pk for pk, row in back if not _leads_somewhere(world, sheet, row)}:
            for pk in sorted(missing):
                self._stays(sheet, kept[pk], "what it was linked to is there no more")
            back = [(pk, row) for pk, row in back if pk not in missing]
        Recorder(world, self.author).record(sheet, [], back)
        self.written.append((sheet, [row for _, row in back]))
        self.goes += [_told(sheet, kept[pk], "as before the load") for pk, _ in back]

    def _rows(self, sheet: Sheet, *, added: bool) -> list[LoadedRow]:
        rows = list(self.load.rows.filter(sheet=sheet.name, before__isnull=added))
        if sheet.append_only:
            for one in rows:
                self._stays(sheet, one, "it is a record of work: correct it at its vehicle")
            return []
        return rows

    def _as_loaded(self, sheet: Sheet, one: LoadedRow, now: Stored | None) -> bool:
        """Whether a row still stands as it was loaded; else it is noted why it stays."""
        if now is not None and as_json(now.row) == one.after:
            return True
        if now is None:
            self._stays(sheet, one, "it is there no more, or under another name")
        else:
            self._stays(sheet, one, f"it was changed {_since(sheet.model, now.id, self.load)}")
        return False

    def _stays(self, sheet: Sheet, one: LoadedRow, why: str) -> None:
        self.stays.append(_told(sheet, one, why))


def _told(sheet: Sheet, one: LoadedRow, what: str) -> tuple[str, int, str, str]:
    return sheet.name, one.number, sheet.shown_key(from_json(one.after)), what


def _leads_somewhere(world: World, sheet: Sheet, row: Row) -> bool:
    """Whether every row that a row names is there."""
    keys: list[tuple[str, Key | None]] = [
        (link.to, world.key(sheet, row, link)) for link in sheet.links
    ]
    return all(key is None or to == "meters" or key in world.rows[to] for to, key in keys)


def _rest_on(model: type[Model], ids: Sequence[int]) -> dict[int, str]:
    """What rests on rows beyond what the program made of them: a name by id."""
    found: dict[int, str] = {}
    for relation in model._meta.related_objects:
        other = relation.related_model
        if other in FOLLOWS or hasattr(other, "history_type"):
            continue
        column = relation.field.name
        rows = other._base_manager.filter(**{f"{column}__in": ids}).order_by()
        name = str(other._meta.verbose_name)
        found |= dict.fromkeys(rows.values_list(column, flat=True).distinct(), f"a {name}")
    return found


def _since(model: type[Model], pk: int, load: Load) -> str:
    """When, and where it is known by whom, a row was changed after a load."""
    history = getattr(model, "history", None)
    if history is None:
        return "since"
    later = history.filter(id=pk, history_date__gt=load.loaded_at).order_by("history_date")
    newest = later.select_related("history_user").last()
    if newest is None:
        return "since"
    who = f" by {newest.history_user}" if newest.history_user else ""
    depot = Depot.objects.first()
    return f"on {day(today_at(depot.zone if depot else NO_DEPOT, newest.history_date))}{who}"
