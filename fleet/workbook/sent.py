"""A workbook sent by page: kept, checked, and loaded by the same verbs as from a command."""

import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import IO

from django.conf import settings
from django.db import transaction
from django.db.models import QuerySet

from fleet.faults import Fault, Stale
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may
from fleet.vehicles.models import Depot
from fleet.workbook import told
from fleet.workbook.load import check, load
from fleet.workbook.models import SentBook
from fleet.workbook.notes import BookRefused
from fleet.workbook.use import decide_again

MOST_BYTES = 64 << 20  # of a file as sent; our choice, as for sheets of readings
STEP_BYTES = 1 << 20
State = SentBook.State
Progress = Callable[[float], None]


def may_load(person: Person, depots: QuerySet[Depot] | None = None) -> bool:
    """A workbook speaks of the whole fleet: it wants leave to set up, at every depot; ``depots``
    are those that a call reaches (default: the person's)."""
    reached: QuerySet[Depot] = depots_of(person) if depots is None else depots
    beyond = Depot.objects.exclude(pk__in=reached.values("pk"))
    return may(person, Right.SET_UP) and not beyond.exists()


def path_of(sent: SentBook) -> Path:
    """Where the file is kept."""
    return Path(settings.DATA_DIR) / "workbooks" / str(sent.pk)


def receive(file: IO[bytes], name: str, person: Person | None) -> SentBook:
    """Keep a file, to be checked.

    Raises
    ------
    Fault
        The file is too large.
    """
    with transaction.atomic():
        sent = SentBook.objects.create(name=name[:200], size_bytes=0, person=person)
        path = path_of(sent)
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            sent.size_bytes = _write(path, file)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        sent.save(update_fields=["size_bytes"])
    return sent


def _write(path: Path, file: IO[bytes]) -> int:
    size = 0
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as kept:
        while step := file.read(STEP_BYTES):
            size += len(step)
            if size > MOST_BYTES:
                raise Fault(f"The file is larger than {MOST_BYTES >> 20} MB: leave out empty rows.")
            kept.write(step)
    return size


def want_loaded(sent: SentBook) -> None:
    """Have a checked book loaded; it is checked once more, as the fleet may have changed."""
    _move(sent, (State.CHECKED,), State.WANTED, "This workbook has been taken up already.")


def check_again(sent: SentBook) -> None:
    """Have a book checked once more, e.g. after what it lacked was entered."""
    was = (State.CHECKED, State.REFUSED)
    _move(sent, was, State.RECEIVED, "This workbook is loaded, or just being checked.")


def _move(sent: SentBook, was: tuple[str, ...], to: str, stale: str) -> None:
    rows = SentBook.objects.filter(pk=sent.pk, state__in=was)
    if not rows.update(state=to, share=0.0, at=""):
        raise Stale(stale)
    sent.refresh_from_db()


def go_on(sent_id: int, now: datetime, progress: Progress = lambda share: None) -> SentBook:
    """Bring a book to where it waits for a person: checked, loaded or refused."""
    sent = SentBook.objects.get(pk=sent_id)

    def tell(share: float, at: str) -> None:
        SentBook.objects.filter(pk=sent.pk).update(share=share, at=at[:80])
        progress(share)

    if not sent.moving:
        return sent
    try:
        if sent.state == State.RECEIVED:
            found = check(path_of(sent), now=now, name=sent.name, progress=tell)
            sent.told = told.of_loaded(found)
            sent.state = State.CHECKED
        else:
            sent.told = _load(sent, now, tell)
            sent.state, sent.loaded_at = State.LOADED, now
    except BookRefused as refused:
        sent.state, sent.told = State.REFUSED, told.of_refused(refused)
    sent.share, sent.at = 1.0, ""
    sent.save(update_fields=["state", "told", "share", "at", "loaded_at"])
    return sent


def _load(sent: SentBook, now: datetime, tell: Callable[[float, str], None]) -> dict[str, object]:
    before = set(Depot.objects.values_list("pk", flat=True))
    loaded = load(
        path_of(sent),
        now=now,
        person_id=sent.person_id,
        reason=f"fleet workbook {sent.name}"[:100],
        name=sent.name,
        progress=tell,
    )
    decide_again(loaded.use_changed, now)
    if sent.person is not None:  # who had every depot has those that came, too
        sent.person.depots.add(*Depot.objects.exclude(pk__in=before))
    return told.of_loaded(loaded)
