"""Since when a person is told what happened: since the visit before this one."""

from datetime import datetime, timedelta

from fleet.overview.models import LastSeen
from fleet.people.models import Person

ONE_VISIT = timedelta(hours=1)  # looking again within it is the same visit; our choice
NOTED = timedelta(minutes=5)  # how far what is kept may lag behind, to write less; our choice


def look(person: Person, now: datetime) -> datetime | None:
    """Note that a person looks now; give when their visit before this one ended (None: never).

    A visit goes on until nobody has looked for an hour, so that loading the page again, or coming
    back to it from another, loses nothing that was told.
    """
    row, new = LastSeen.objects.get_or_create(person=person, defaults={"seen_at": now})
    if new or now - row.seen_at < NOTED:
        return row.since_at
    changes = {"seen_at": now}
    if now - row.seen_at > ONE_VISIT:
        changes["since_at"] = row.since_at = row.seen_at
    # of two pages loaded at once, the first moves the visit on
    LastSeen.objects.filter(pk=row.pk, seen_at=row.seen_at).update(**changes)
    return row.since_at
