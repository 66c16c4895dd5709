"""A re-check takes the minutes of its rule: on its job and card, in the plan and the weeks ahead.

The gearbox service of these tests takes 40 minutes by its procedure, and its re-check none of them.
"""

import pytest
from django.test import Client
from django.urls import reverse

from fleet import chain
from fleet.calc.labour import Labour
from fleet.due.models import DueDate
from fleet.overview.weeks import minutes_of_services
from fleet.people.models import Person
from fleet.visits.labour import labour, without_minutes
from fleet.visits.models import ServiceNeed
from fleet.visits.workshop_data import need_rows
from fleet.workorders import issue, jobcard, progress
from fleet.workorders.due_soon import due_soon
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, Procedure, ReCheckRule
from tests.dashboard.forms import forms_of
from tests.kept import kept
from tests.scene import INVENTED
from tests.workorders.conftest import Bay
from tests.workorders.test_rechecks import TODAY
from tests.workorders.wheels import Workshop, workshop


@kept
def shop(bay: Bay) -> Workshop:
    return workshop(bay)


def planned_min(rule: ReCheckRule) -> list[int]:
    """What the plan, the weeks ahead and the services that ask for more take for its check."""
    pk, depot = rule.service_id, rule.service.vehicle_type.vehicles.first().depot
    ServiceNeed.objects.update_or_create(service=rule.service, defaults={"source": INVENTED})
    weeks = minutes_of_services()[pk]
    (need,) = need_rows()
    return [labour(depot, [pk], TODAY)[pk].minutes, weeks, need.book_min]


def test_it_is_planned_with_the_minutes_of_its_rule(shop: Workshop) -> None:
    rule, depot = shop.rule(minutes=25), shop.bay.van.depot
    assert planned_min(rule) == [25, 25, 25]
    assert labour(depot, [rule.service_id], TODAY)[rule.service_id] == Labour(25, 25)
    assert without_minutes(depot, {rule.service_id: "Again"}) == ()


def test_a_rule_that_says_none_takes_a_quarter_of_an_hour(shop: Workshop) -> None:
    """Common practice, no source."""
    assert planned_min(shop.rule()) == [15, 15, 15]


@pytest.mark.parametrize(("of_procedure", "taken"), [(40, 40), (0, 25)])
def test_a_procedure_of_its_own_goes_first_where_it_says_any(
    shop: Workshop, of_procedure: int, taken: int
) -> None:
    rule = shop.rule(minutes=25)
    Procedure.objects.create(
        service=rule.service, family="check", edition="1", source=INVENTED, minutes=of_procedure
    )
    assert planned_min(rule) == [taken] * 3


def test_its_order_and_its_card_have_them(shop: Workshop) -> None:
    rule = shop.rule(minutes=25)
    shop.changed()
    chain.nightly(TODAY)
    job = Job.objects.get(service=rule.service)
    assert job.minutes == 25
    ReCheckRule.objects.update(minutes=20)
    (card,) = jobcard.card_of(job.order, [job.order.depot]).jobs
    assert card.minutes == 20


def test_a_line_has_them_by_hand_and_by_night(shop: Workshop) -> None:
    rule = shop.rule("leak", to_km=None, after_d=14, safety=False, minutes=25)
    shop.changed()
    jobs = Job.objects.filter(service=rule.service)
    order = issue.draft(
        shop.bay.actor(),
        OrderDraft(vehicle_id=shop.bay.van.pk, service_ids=[shop.bay.oil.pk], join_early=True),
    )
    assert jobs.get().minutes == 25
    progress.cancel(shop.bay.actor(), order.pk, reason="not now")
    DueDate.objects.filter(service=shop.bay.oil).update(p10=TODAY, p50=TODAY)
    assert issue.draft_due(shop.bay.actor(), TODAY) == 1
    assert jobs.get(state="open").minutes == 25
    assert Job.objects.get(service=shop.bay.oil, state="open").minutes == 40


def test_what_the_night_drafts_has_them(shop: Workshop) -> None:
    rule = shop.rule(minutes=25)
    shop.changed()
    found = {row.service_id: row.minutes for row in due_soon(TODAY, "d.vehicle_id > %s", [0])}
    assert found[rule.service_id] == 25


def test_they_are_set_where_the_rule_is(shop: Workshop) -> None:
    rule, client = shop.rule(), Client()
    client.force_login(Person.objects.create_superuser("chief"))
    where = reverse("admin:workorders_recheckrule_change", args=[rule.pk])
    (form,) = [one for one in forms_of(client.get(where).content.decode()) if "slug" in one.sent]
    chosen = {one.name: one.sent for one in form.selects}
    assert form.sent["minutes"] == ["15"]
    typed = {**form.sent, **chosen, "minutes": "35", "text": rule.text, "source": rule.source}
    assert client.post(where, typed).status_code == 302
    rule.refresh_from_db()
    assert rule.minutes == 35
    assert client.post(where, {**typed, "minutes": "0"}).status_code == 200
