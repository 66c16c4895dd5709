"""A person's name, address and keys replaced: nothing that tells who they were is left."""

from datetime import date, timedelta

import pytest
from django.apps import apps
from django.contrib.admin.models import LogEntry
from django.contrib.contenttypes.models import ContentType
from django.db.models import CharField, JSONField, TextField
from django.test import Client
from django.utils import timezone

from config import cli
from fleet.people import manage, tokens
from fleet.people.actor import Actor
from fleet.people.forget import forget
from fleet.people.manage import PersonFault
from fleet.people.models import Person, SignInLink, Token
from fleet.visits.models import Mechanic, Plan, Visit
from fleet.workbook.models import Load, LoadedRow
from fleet.workorders.models import Evidence, Job, WorkOrder
from tests.cast import Cast

FIRST, LAST, EMAIL = "Mikaela", "Quillfeather", "mikaela@example.org"


@pytest.fixture
def gone(people: Cast) -> Person:
    """A mechanic with a token, a link, a deputy's part, planned visits and frozen evidence."""
    person = people.mechanic
    person.first_name, person.last_name, person.email = FIRST, LAST, EMAIL
    person.set_password("seven old vans")
    person.save()
    tokens.issue(person=person, label=f"{FIRST}'s phone", scopes=["readings:write"], days=30)
    SignInLink.objects.create(person=person, digest="a", expires_at=timezone.now())
    today = date(2026, 6, 1)
    manage.name_deputy(people.supervisor, person, today, today + timedelta(days=9))
    LogEntry.objects.create(
        user=people.supervisor,
        content_type=ContentType.objects.get_for_model(Person),
        object_id=str(person.pk),
        object_repr=str(person),
        action_flag=2,
    )
    depot = people.plain
    Mechanic.objects.create(depot=depot, name=str(person), person=person, source="invented")
    money = {"cost_minor": 0, "linear_minor": 0, "bound_minor": 0, "seed": 1}
    plan = Plan.objects.create(depot=depot, as_of_on=today, days=5, **money)
    Visit.objects.create(plan=plan, vehicle=people.van, on=today, mechanic=str(person), minutes=30)
    order = WorkOrder.objects.create(number="W-1", vehicle=people.van, depot=depot)
    job = Job.objects.create(order=order, vehicle=people.van, title="Levels", ended_by=person)
    facts = {"done_by": str(person), "odometer": 10_700.0}
    Evidence.objects.create(job=job, frozen_at=timezone.now(), facts=facts)
    stays = [["Vehicles", 2, "V-1", f"it was changed by {person}"]]
    load = Load.objects.create(name="fleet.xlsx", loaded_at=timezone.now(), stays=stays)
    row = [depot.slug, str(person), 480, "invented"]
    LoadedRow.objects.create(load=load, sheet="Mechanics", number=2, after=row)
    return person


def by(person: Person | None) -> Actor:
    return Actor(person, "page", timezone.now())


def texts_that_hold(*words: str) -> list[str]:
    """Columns of the whole database, history too, in which one of the words stands."""
    found = []
    for model in apps.get_models():
        for field in model._meta.concrete_fields:
            if not isinstance(field, CharField | TextField | JSONField):
                continue
            for value in model._base_manager.values_list(field.attname, flat=True):
                if any(word.lower() in str(value).lower() for word in words):
                    found.append(f"{model._meta.label}.{field.name}")
    return sorted(set(found))


def test_nothing_tells_who_it_was(people: Cast, gone: Person) -> None:
    name = gone.username
    assert "people.HistoricalPerson.first_name" in texts_that_hold(FIRST)
    now = forget(by(people.supervisor), gone)
    assert now == f"person-{gone.pk}"
    assert texts_that_hold(FIRST, LAST, EMAIL) == []
    assert name not in Person.objects.values_list("username", flat=True)
    assert name not in Person.history.values_list("username", flat=True)


def test_every_way_in_is_closed(people: Cast, gone: Person, client: Client) -> None:
    kept = Token.objects.get(person=gone).digest
    client.force_login(gone)
    assert client.get("/readings").status_code == 200
    forget(by(people.supervisor), gone)
    assert client.get("/readings").status_code == 302
    person = Person.objects.get(pk=gone.pk)
    assert (person.is_active, person.has_usable_password()) == (False, False)
    token = Token.objects.get(person=gone)
    assert token.digest != kept
    assert token.expires_at <= timezone.now()
    assert not SignInLink.objects.filter(person=gone).exists()
    assert Person.objects.get(pk=people.supervisor.pk).deputy is None


def test_what_a_load_keeps_names_them_as_they_are_called_now(people: Cast, gone: Person) -> None:
    now = forget(by(people.supervisor), gone)
    row = LoadedRow.objects.get(before__isnull=True)  # as of every row that a load added
    assert (row.before, row.after) == (None, [people.plain.slug, now, 480, "invented"])
    assert Load.objects.get().stays == [["Vehicles", 2, "V-1", f"it was changed by {now}"]]


def test_what_they_did_stays_under_the_new_name(people: Cast, gone: Person) -> None:
    histories = Person.history.filter(id=gone.pk).count()
    now = forget(by(None), gone)
    evidence = Evidence.objects.get()
    assert evidence.facts == {"done_by": now, "odometer": 10_700.0}
    assert str(evidence.job.ended_by) == now
    assert (Mechanic.objects.get().name, Visit.objects.get().mechanic) == (now, now)
    assert Person.history.filter(id=gone.pk).count() == histories + 1


def test_whom_one_does_not_manage_stays(people: Cast, gone: Person) -> None:
    for who in (people.clerk, people.outsider, gone):
        with pytest.raises(PersonFault, match="is not yours to change"):
            forget(by(who), gone)
    with pytest.raises(PersonFault, match="is not yours to change"):
        forget(by(people.supervisor), people.supervisor)
    forget(by(None), gone)
    with pytest.raises(PersonFault, match="has no other name"):
        forget(by(None), Person.objects.get(pk=gone.pk))


def test_the_page_asks_for_the_name_once_more(people: Cast, gone: Person, client: Client) -> None:
    client.force_login(people.supervisor)
    where, name = f"/people-and-tokens/people/{gone.pk}/forget", gone.username
    assert f'action="{where}"' in client.get("/people-and-tokens").content.decode()
    said = client.post(where, {"name": "somebody"}).content.decode()
    assert f"Type {name} to say that it is them" in said
    assert Person.objects.get(pk=gone.pk).username == name
    said = client.post(where, {"name": name}, follow=True).content.decode()
    assert f"is called person-{gone.pk} everywhere now" in said
    client.force_login(people.clerk)
    assert client.post(where, {"name": "x"}).status_code == 403


def test_by_command_only_when_it_is_meant(
    people: Cast, gone: Person, capsys: pytest.CaptureFixture[str]
) -> None:
    name = gone.username
    assert cli.main(["person", "forget", name]) == 2
    assert Person.objects.filter(username=name).exists()
    assert cli.main(["person", "forget", "--for-good", name]) == 0
    assert f"{name} is called person-{gone.pk} everywhere now" in capsys.readouterr().out
