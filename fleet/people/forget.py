"""A person's name, address and keys replaced on request; whatever they did stays as it was done.

Rows that point to the person stay and show the name put in place. Whoever keeps names as text
listens to ``replaced``.
"""

from secrets import token_hex

from django.contrib.admin.models import LogEntry
from django.contrib.contenttypes.models import ContentType
from django.db import transaction
from django.dispatch import Signal
from simple_history.utils import update_change_reason

from fleet.people.actor import Actor
from fleet.people.manage import PersonFault
from fleet.people.models import Person, SignInLink, Token
from fleet.people.roles import managed_by

WHY = "name and address replaced on request"
replaced = Signal()  # with ``person`` as they are called now, and the ``names`` of before


def forget(actor: Actor, person: Person) -> str:
    """Replace what tells who a person is, end every way in, and give the name in place of theirs.

    Raises
    ------
    PersonFault
        Oneself, somebody another person manages, or a person already forgotten.
    """
    if actor.person is not None and not managed_by(actor.person).filter(pk=person.pk).exists():
        raise PersonFault(f"{person} is not yours to change: ask a person who manages them.")
    name = f"person-{person.pk}"
    if person.username == name:
        raise PersonFault(f"{name} has no other name any more.")
    names = {one for one in (person.username, person.get_full_name()) if one}
    with transaction.atomic():
        _replace(person, name)
        _end_ways_in(person, name)
        Person.history.filter(id=person.pk).update(
            username=name, first_name="", last_name="", email=""
        )
        LogEntry.objects.filter(
            content_type=ContentType.objects.get_for_model(Person), object_id=str(person.pk)
        ).update(object_repr=name)
        replaced.send(Person, person=person, names=names)
    return name


def _replace(person: Person, name: str) -> None:
    person.username = name
    person.first_name = person.last_name = person.email = ""
    person.is_active = person.is_staff = person.is_superuser = False
    person.deputy = person.deputy_from_on = person.deputy_until_on = None
    person.set_unusable_password()  # which also ends what is signed in
    person.save()
    update_change_reason(person, WHY)
    for other in Person.objects.filter(deputy=person):
        other.deputy = other.deputy_from_on = other.deputy_until_on = None
        other.save()


def _end_ways_in(person: Person, name: str) -> None:
    SignInLink.objects.filter(person=person).delete()
    for token in Token.objects.filter(person=person):
        token.label, token.digest = f"token of {name}", token_hex(32)  # fits no secret
        token.expires_at = min(token.expires_at, person.history.latest().history_date)
        token.save(update_fields=["label", "digest", "expires_at"])
