"""Published workshop days of a depot, or of one vehicle, as a calendar that programs subscribe to
(RFC 5545).

Each order with a day is one event of a whole day, known by the same UID for ever; its SEQUENCE
rises with each change of the order. The address holds a secret, of which only a digest is kept.
"""

import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from secrets import token_urlsafe

from django.db import transaction
from django.db.models import Max, Prefetch, Q, QuerySet

from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Read, Rows, prepared, reader
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.events import note
from fleet.visits.models import CalendarFeed
from fleet.workorders.models import Job, WorkOrder

State = WorkOrder.State
BACK_D = 30  # days that are past and still told; our choice
MOST_OCTETS = 75  # of a line, without its end: RFC 5545, 3.1
STATUS = {State.DRAFTED: "TENTATIVE", State.CANCELLED: "CANCELLED"}  # others: CONFIRMED


def open_feed(
    actor: Actor, depot: Depot, vehicle: Vehicle | None = None
) -> tuple[CalendarFeed, str]:
    """Make an address for the calendar of a depot, or of one vehicle of it; its secret is not kept
    and cannot be shown again.

    Raises
    ------
    Forbidden
        The person may not release orders there.
    """
    actor.must(Right.RELEASE, depot)
    secret = token_urlsafe(32)
    with transaction.atomic():
        feed = CalendarFeed.objects.create(
            depot=depot,
            vehicle=vehicle,
            digest=_digest(secret),
            made_by=actor.person,
            made_at=actor.at,
        )
        note(actor, depot, "calendar made", vehicle_id=vehicle.pk if vehicle else None)
    return feed, secret


def revoke(actor: Actor, feed: CalendarFeed) -> bool:
    """End an address for good; False when it was ended before."""
    actor.must(Right.RELEASE, feed.vehicle.depot_id if feed.vehicle else feed.depot_id)
    standing = CalendarFeed.objects.filter(pk=feed.pk, revoked_at=None)
    with transaction.atomic():
        ended = standing.update(revoked_at=actor.at) == 1
        if ended:
            note(actor, feed.depot_id, "calendar ended", vehicle_id=feed.vehicle_id)
    return ended


@reader
def feeds(depot: Depot, vehicle: Vehicle | None = None) -> Read[list[CalendarFeed]]:
    """Addresses of a depot, or of a vehicle, that are open, newest first."""
    rows = _of_vehicle(vehicle.pk) if vehicle else _of_depot(depot.pk)
    yield [rows]
    return list(rows)


@prepared
def _of_vehicle(vehicle_id: int) -> Rows:
    return _open().filter(vehicle=vehicle_id)


@prepared
def _of_depot(depot_id: int) -> Rows:
    return _open().filter(depot=depot_id, vehicle=None)


def _open() -> QuerySet[CalendarFeed]:
    rows = CalendarFeed.objects.filter(revoked_at=None)
    return rows.select_related("made_by").order_by("-pk")


def feeds_at(depots: Depots) -> QuerySet[CalendarFeed]:
    """Addresses of depots, and of vehicles that are there now."""
    rows = CalendarFeed.objects.filter(
        Q(vehicle=None, depot__in=depots) | Q(vehicle__depot__in=depots)
    )
    return rows.select_related("depot", "vehicle__depot")


def find(secret: str) -> CalendarFeed | None:
    """The open address with this secret; its digest is looked up, so time tells nothing of it."""
    rows = CalendarFeed.objects.filter(digest=_digest(secret), revoked_at=None)
    return rows.select_related("depot", "vehicle").first()


def _digest(secret: str) -> str:
    return sha256(secret.encode()).hexdigest()


def calendar(depot: Depot, today: date, vehicle: Vehicle | None = None) -> str:
    """The calendar of a depot, or of a vehicle at any depot: orders with a day, from some days
    back on."""
    of = {"vehicle": vehicle} if vehicle else {"depot": depot}
    jobs = Job.objects.exclude(state=Job.State.DROPPED).order_by("pk")
    orders = (
        WorkOrder.objects.filter(
            **of,
            where=WorkOrder.Where.OWN,
            planned_on__gte=today - timedelta(days=BACK_D),
        )
        .select_related("vehicle", "depot", "assigned_to")
        .prefetch_related(Prefetch("jobs", queryset=jobs, to_attr="told"))
        .annotate(changed_at=Max("events__recorded_at"))
        .order_by("planned_on", "pk")
    )
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Sumpwise//Workshop days//EN"]
    for order in orders:
        lines += _event(order, order.depot)
    lines.append("END:VCALENDAR")
    return "".join(f"{part}\r\n" for line in lines for part in folded(line))


def _event(order: WorkOrder, depot: Depot) -> Iterator[str]:
    on, told = order.planned_on, getattr(order, "told", [])
    if on is None:
        return
    what = ", ".join(job.title for job in told) or "nothing left to do"
    minutes = sum(job.minutes for job in told)
    by = f", {order.assigned_to}" if order.assigned_to else ""
    yield "BEGIN:VEVENT"
    yield f"UID:{_uid(order, depot)}"
    yield f"DTSTAMP:{_instant(getattr(order, 'changed_at', None) or order.created_at)}"
    yield f"SEQUENCE:{order.version - 1}"
    yield f"DTSTART;VALUE=DATE:{on:%Y%m%d}"
    yield f"DTEND;VALUE=DATE:{on + timedelta(days=1):%Y%m%d}"
    yield f"SUMMARY:{escaped(f'{order.vehicle.fleet_number}: {what}')}"
    yield f"DESCRIPTION:{escaped(f'{order.number}, {order.state}, {minutes} min by the book{by}')}"
    yield f"LOCATION:{escaped(depot.name)}"
    yield f"STATUS:{STATUS.get(State(order.state), 'CONFIRMED')}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _uid(order: WorkOrder, depot: Depot) -> uuid.UUID:
    """The same for ever, and of no other installation: when it was drafted is in it."""
    return uuid.uuid5(uuid.NAMESPACE_OID, f"{depot.slug} {order.pk} {order.created_at.isoformat()}")


def _instant(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def escaped(text: str) -> str:
    """A value of type TEXT: RFC 5545, 3.3.11.

    Examples
    --------
    >>> escaped("a; b, c")
    'a\\\\; b\\\\, c'
    """
    plain = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return plain.replace("\r\n", "\\n").replace("\n", "\\n").replace("\r", "\\n")


def folded(line: str) -> Iterator[str]:
    """A line in parts of at most 75 octets, no character cut; each but the first after a space."""
    part, size = "", 0
    for character in line:
        octets = len(character.encode())
        if size + octets > MOST_OCTETS:
            yield part
            part, size = " ", 1
        part, size = part + character, size + octets
    yield part
