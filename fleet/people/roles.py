"""Who may do what, and where."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from enum import StrEnum
from typing import Any

from django.contrib.auth.models import AnonymousUser
from django.db.models import F, Model, Q, QuerySet

from fleet import reads
from fleet.people.models import Person, Role
from fleet.reads import Read, prepared


class Right(StrEnum):
    SEE = "see"
    ADD_READINGS = "add readings"
    SETTLE_READINGS = "settle readings"
    ENTER_HISTORY = "enter service history"
    SET_DUTY = "set duty"
    RUN_NIGHT = "run the night"
    SET_UP = "set up"
    MANAGE_PEOPLE = "manage people"
    REPORT_FINDING = "report findings"
    RECORD_WORK = "record work"
    RELEASE = "release work orders"
    SIGN_OFF = "sign off work"
    DEFER = "defer services"
    APPROVE_SUBSTITUTE = "approve substitutes"
    CLEAR_DO_NOT_USE = "clear do not use"
    KEEP_STOCK = "keep stock"
    RUN_TRIAL = "run field trials"
    RATE = "rate in field trials"
    APPROVE_INTERVAL = "approve a longer interval"
    ASK_WHAT_IF = "ask what if"


RIGHTS: dict[Role, frozenset[Right]] = {
    Role.SUPERVISOR: frozenset(Right),
    Role.CLERK: frozenset(
        {
            *(Right.SEE, Right.ADD_READINGS, Right.SETTLE_READINGS, Right.ENTER_HISTORY),
            *(Right.REPORT_FINDING, Right.RATE),
        }
    ),
    Role.MECHANIC: frozenset(
        {Right.SEE, Right.ADD_READINGS, Right.RECORD_WORK, Right.REPORT_FINDING, Right.RATE}
    ),
    Role.STORES: frozenset({Right.SEE, Right.REPORT_FINDING, Right.KEEP_STOCK}),
    Role.ENGINEER: frozenset(
        {Right.SEE, Right.REPORT_FINDING, Right.RUN_TRIAL, Right.RATE, Right.ASK_WHAT_IF}
    ),
    Role.VIEWER: frozenset({Right.SEE, Right.ASK_WHAT_IF}),
}


# what a deputy decides for the person they stand in for; nobody manages people by deputy
BY_DEPUTY = frozenset(
    {
        *(Right.SETTLE_READINGS, Right.SET_DUTY, Right.RELEASE, Right.SIGN_OFF, Right.DEFER),
        *(Right.APPROVE_SUBSTITUTE, Right.CLEAR_DO_NOT_USE),
    }
)


def may(person: Person | AnonymousUser, right: Right, depot: Model | int | None = None) -> bool:
    """Whether this person may, by role or as somebody's deputy today; with a depot (or its id),
    also whether it is theirs. A deputy acts at the depots that both have."""
    if not isinstance(person, Person) or not person.is_active:
        return False
    if person.is_superuser:
        return True
    depot_id = depot.pk if isinstance(depot, Model) else depot
    if right not in RIGHTS[Role(person.role)] and not _as_deputy(person, right, depot_id):
        return False
    return depot_id is None or _is_of(person, depot_id)


def _as_deputy(person: Person, right: Right, depot_id: int | None) -> bool:
    return right in BY_DEPUTY and any(
        right in RIGHTS[Role(other.role)] and (depot_id is None or _is_of(other, depot_id))
        for other in person.stands_in_for
    )


def own_depots(person: Person) -> list[Any]:
    """The depots listed for a person, looked up once for all that one request asks about them."""
    if "depots" not in getattr(person, "_prefetched_objects_cache", ()):
        reads.lay_beside(person, "depots", list(_own_depots(person.pk)))
    return list(person.depots.all())


def depots_of(person: Person | AnonymousUser) -> QuerySet[Any]:
    """The depots this person sees: those listed for them, and every one for a superuser."""
    if not isinstance(person, Person) or not person.is_active:
        return depots_listed(None).none()
    return depots_listed(None if person.is_superuser else person.pk)


def depots_listed(person_id: int | None) -> QuerySet[Any]:
    """The depots listed for a person; None: every one."""
    every: QuerySet[Any] = Person._meta.get_field("depots").related_model._default_manager.all()
    return every if person_id is None else every.filter(people=person_id)


_own_depots = prepared(depots_listed)


def whose_depots(person: Person) -> int | None:
    """The same for somebody who is signed in, as ``depots_listed`` takes it."""
    return None if person.is_superuser else person.pk


def mechanics_of(depot_ids: Iterable[int]) -> QuerySet[Person]:
    """Who does the work at some depots."""
    roles = [Role.MECHANIC, Role.SUPERVISOR]
    found = Person.objects.filter(depots__in=depot_ids, role__in=roles, is_active=True)
    return found.distinct().order_by("role", "username")


mechanics_at = prepared(mechanics_of)


@reads.reader
def all_who_may(right: Right, depot_ids: Collection[int]) -> Read[dict[int, tuple[Person, ...]]]:
    """Everybody listed at each of some depots who has a right there, by user name."""
    if not depot_ids:
        return {}
    there = Q(depots__in=depot_ids)
    known = Person.objects.filter(there | Q(deputy__depots__in=depot_ids), is_active=True)
    people, depots = known.distinct().order_by("username"), known.values("pk").order_by()
    every: QuerySet[Any] = Person._meta.get_field("depots").related_model._default_manager.all()
    own = every.filter(people__in=depots).annotate(person_id=F("people"))
    yield [people, own]
    absent: dict[int | None, list[Person]] = defaultdict(list)
    for one in people:
        reads.lay_beside(one, "depots", [row for row in own if row.person_id == one.pk])
        absent[one.deputy_id].append(one)
    for one in people:
        one.stands_in_for = [other for other in absent[one.pk] if other.is_away()]
    return {
        pk: tuple(one for one in people if _is_of(one, pk) and may(one, right, pk))
        for pk in depot_ids
    }


def _is_of(person: Person, depot_id: int) -> bool:
    return depot_id in {one.pk for one in own_depots(person)}


def who_may(right: Right, depot_id: int, **named: Any) -> Person | None:
    """The person so named, by id or user name, who has a right at a depot."""
    found = Person.objects.filter(is_active=True, **named).first()
    return found if found is not None and may(found, right, depot_id) else None


def managed_by(person: Person | AnonymousUser) -> QuerySet[Person]:
    """Whose role, depots, password and tokens this person may change, by page or administration.

    Others, all of whose depots are one's own, and nobody who reaches further than oneself: no
    superuser, and nobody with leave to set up for whoever has none. A person without a depot is
    a superuser's matter, for nobody else can tell where they belong.
    """
    if not isinstance(person, Person) or not may(person, Right.MANAGE_PEOPLE):
        return Person.objects.none()
    others = Person.objects.exclude(pk=person.pk)
    if person.is_superuser:
        return others
    own = depots_of(person)
    foreign = own.model._default_manager.exclude(pk__in=own)
    found = others.filter(depots__in=own, is_superuser=False).exclude(depots__in=foreign)
    return (found if person.is_staff else found.filter(is_staff=False)).distinct()


def seen_by(person: Person) -> QuerySet[Person]:
    """Everybody who shares a depot, by name, for who manages people."""
    if not may(person, Right.MANAGE_PEOPLE):
        return Person.objects.none()
    seen = Person.objects.all()
    if not person.is_superuser:
        seen = seen.filter(depots__in=depots_of(person))
    return seen.distinct().order_by("username")
