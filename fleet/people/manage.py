"""People come, change and leave: one function each, for command line, page and administration."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from secrets import token_urlsafe
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.faults import Fault
from fleet.people.models import FluidUnit, Person, Role, TemperatureUnit, TorqueUnit


class PersonFault(Fault):
    """A person who cannot be added or changed as asked."""


@dataclass(frozen=True, slots=True)
class Changes:
    """What is to be different; None leaves it as it is."""

    role: str | None = None
    depots: Sequence[Any] | None = None  # all of them: they replace those before
    full_name: str | None = None
    password: str | None = None
    active: bool | None = None
    may_set_up: bool | None = None  # reaches the administration pages, if the role allows


def add(name: str, changes: Changes) -> Person:
    """Add a person who signs in by this name."""
    if changes.role is None:
        raise PersonFault("A person needs a role.")
    if Person.objects.filter(username__iexact=name).exists():
        raise PersonFault(f"There is a person {name} already: choose another name.")
    person = Person(username=name)
    person.set_unusable_password()
    return _save(person, changes)


def change(person: Person, changes: Changes) -> Person:
    """Change a person; their signed-in pages end when the password changes."""
    return _save(person, changes)


def name_deputy(
    person: Person, deputy: Person | None, from_on: date | None, until_on: date | None
) -> Person:
    """Let another person decide in somebody's place for some days; None ends it.

    Raises
    ------
    PersonFault
        Not a person who shares a depot, or days that do not make a span.
    """
    if deputy is None:
        from_on = until_on = None
    elif from_on is None or until_on is None or until_on < from_on:
        raise PersonFault("A deputy needs a first and a last day, the first one first.")
    elif deputy.pk == person.pk or not deputy.is_active:
        raise PersonFault("Choose another person who may sign in as the deputy.")
    elif not deputy.depots.filter(pk__in=person.depots.values("pk")).exists():
        raise PersonFault(f"{deputy} shares no depot with {person}, so could decide nothing there.")
    person.deputy, person.deputy_from_on, person.deputy_until_on = deputy, from_on, until_on
    person.save()  # the history keeps who it was before
    return person


def read_in(person: Person, *, fluid_unit: str, temperature_unit: str, torque_unit: str) -> Person:
    """Let a person read sums of fluid, temperatures and torques in other units.

    Raises
    ------
    PersonFault
        A unit that is not offered.
    """
    if fluid_unit not in FluidUnit.values:
        raise PersonFault(f"Sums of fluid are read in {' or '.join(FluidUnit.values)}.")
    if temperature_unit not in TemperatureUnit.values:
        raise PersonFault(f"Temperatures are read in {' or '.join(TemperatureUnit.values)}.")
    if torque_unit not in TorqueUnit.values:
        raise PersonFault(f"Torques are read in {' or '.join(TorqueUnit.values)}.")
    chosen = (fluid_unit, temperature_unit, torque_unit)
    if (person.fluid_unit, person.temperature_unit, person.torque_unit) != chosen:
        person.fluid_unit, person.temperature_unit, person.torque_unit = chosen
        person.save(update_fields=["fluid_unit", "temperature_unit", "torque_unit"])
    return person


def named(name: str) -> Person:
    """The person who signs in by this name, in any case."""
    found = Person.objects.filter(username__iexact=name).first()
    if found is None:
        raise PersonFault(f"There is no person {name}: sumpwise person list shows who there is.")
    return found


def new_password() -> str:
    """A password to be written down once and changed soon; 96 random bits."""
    return token_urlsafe(12)


def _save(person: Person, changes: Changes) -> Person:
    _apply(person, changes)
    try:
        person.full_clean()
    except ValidationError as error:
        raise PersonFault(" ".join(error.messages)) from error
    with transaction.atomic():
        person.save()
        if changes.depots is not None:
            person.depots.set(changes.depots)
    return person


def _apply(person: Person, changes: Changes) -> None:
    if changes.role is not None:
        person.role = _role(changes.role)
    if changes.full_name is not None:
        person.first_name, _, person.last_name = changes.full_name.strip().partition(" ")
    if changes.password is not None:
        _set_password(person, changes.password)
    if changes.active is not None:
        person.is_active = changes.active
    if changes.may_set_up is not None:
        person.is_staff = changes.may_set_up


def _role(text: str) -> Role:
    try:
        return Role(text)
    except ValueError:
        raise PersonFault(f"There is no role {text}: choose from {', '.join(Role)}.") from None


def _set_password(person: Person, password: str) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise PersonFault(" ".join(error.messages)) from error
    person.set_password(password)


def without_deputy(people: Iterable[Person], depot_ids: Iterable[int]) -> list[int]:
    """Depots where at most one person decides today: no second supervisor, and nobody who stands
    in for the one there is."""
    deciding: dict[int, set[int]] = {pk: set() for pk in depot_ids}
    for person in people:
        if person.role == Role.SUPERVISOR and person.is_active:
            acting = {person.pk} | ({person.deputy_id} if _stands_in(person) else set())
            for depot in person.depots.all():
                deciding.get(depot.pk, set()).update(pk for pk in acting if pk is not None)
    return [pk for pk, who in deciding.items() if len(who) < 2]


def _stands_in(person: Person) -> bool:
    return person.deputy is not None and person.deputy.is_active and person.is_away()
