"""What the workshop days say of a visit is so: who has it, what is done, what it takes."""

from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from html import unescape

import pytest
from django.test import Client
from django.utils import timezone

from fleet.due.models import ServiceDone
from fleet.overview.models import WorkAhead
from fleet.people.models import Person
from fleet.vehicles.models import Closure
from fleet.visits import plan as plans
from fleet.visits.models import Absence, Mechanic, Plan, ServiceNeed, Visit
from fleet.workorders.models import Job, Procedure, WorkOrder
from tests.cast import Cast, cast, depots_day
from tests.dashboard.days import PAGE, at, follow, monday, visit_of
from tests.dashboard.rendered import page, send
from tests.dashboard.test_overview import text
from tests.kept import kept

pytestmark = pytest.mark.django_db
SignedIn = Callable[[Person], Client]
NOT_THERE = "assigned to Mika, who is not there"


@kept
def people() -> Cast:
    return cast()


def on_monday(people: Cast, days: Plan) -> None:
    """The drafted order has its day and its mechanic; planned with that."""
    WorkOrder.objects.update(planned_on=monday(), assigned_to=people.mechanic)
    plans.plan([days.depot_id], depots_day())


def card_of(shown: str, number: str) -> str:
    (card,) = [one for one in shown.split("<article") if f'href="/vehicles/{number}"' in one][:1]
    return unescape(card.split("</article>")[0])


def planned_page(chief: Client) -> str:
    return page(chief, f"{PAGE}&from={monday()}")


def test_an_order_of_somebody_who_is_not_there_is_a_conflict_in_words(
    people: Cast, chief: Client, days: Plan
) -> None:
    on_monday(people, days)
    assert NOT_THERE not in card_of(planned_page(chief), "V-101")
    Absence.objects.create(mechanic=Mechanic.objects.get(), from_on=monday(), until_on=monday())
    assert NOT_THERE in card_of(planned_page(chief), "V-101")
    assert NOT_THERE in page(chief, at("V-101"))
    sheets = planned_page(chief).split('class="sheet"', 1)[1]
    assert "Mika (not there)" in sheets


def test_where_no_mechanic_is_entered_nobody_is_missing(
    people: Cast, chief: Client, days: Plan
) -> None:
    Mechanic.objects.all().delete()
    on_monday(people, days)
    assert "who is not there" not in planned_page(chief)


def test_a_closed_day_says_what_to_do_with_its_orders(
    people: Cast, chief: Client, days: Plan
) -> None:
    on_monday(people, days)
    Closure.objects.create(depot=people.plain, on=monday())
    plans.plan([days.depot_id], depots_day())
    shown = planned_page(chief)
    assert "closed: move it to another day" in shown
    assert "Does not fit" in shown
    assert "who is not there" not in shown  # nobody is, on a closed day
    WorkOrder.objects.update(state="started")  # what has begun is not moved
    assert "move it to another day" not in planned_page(chief)


def test_what_was_recorded_since_is_no_proposal(people: Cast, chief: Client, days: Plan) -> None:
    assert "2 visits proposed" in planned_page(chief)
    service = visit_of("V-102").services.get().service
    ServiceDone.objects.create(
        vehicle=people.second_van, service=service, done_on=depots_day(), total_km=1,
        recorded_at=timezone.now(), evidence=ServiceDone.Evidence.BASELINE, source="invented",
    )  # fmt: skip
    shown = planned_page(chief)
    assert "1 of 2 visits proposed" in shown
    card = card_of(shown, "V-102")
    assert "done" in card
    assert "proposed" not in card


def test_every_job_of_its_order_is_shown(people: Cast, chief: Client, days: Plan) -> None:
    order = WorkOrder.objects.get()
    Job.objects.create(order=order, vehicle=people.van, title="Look at the hose", minutes=10)
    assert "Look at the hose" in card_of(planned_page(chief), "V-101")
    shown = page(chief, at("V-101"))
    assert "Look at the hose" in shown
    assert "done with it" in shown


def test_minutes_in_the_bay_and_of_work_are_both_said(chief: Client, days: Plan) -> None:
    # by hand: 30 for want of a procedure and 20 to set up, and 15 of a second person
    card = card_of(planned_page(chief), "V-101")
    assert "50 min in the bay, 50 min of work" in card
    Mechanic.objects.create(depot=days.depot, name="S. Grell", source="invented")
    service = visit_of("V-101").services.get().service
    ServiceNeed.objects.create(service=service, second_min=15, source="invented")
    plans.plan([days.depot_id], depots_day())
    card = card_of(planned_page(chief), "V-101")
    assert "50 min in the bay, 65 min of work" in card


def test_what_learnt_minutes_rest_on_is_said(people: Cast, chief: Client, days: Plan) -> None:
    service = visit_of("V-101").services.get().service
    assert service is not None
    assert "learnt" not in page(chief, at("V-101"))
    Procedure.objects.create(
        service=service, family="level plug", edition="1", source="invented", minutes=60
    )
    begun = datetime.combine(depots_day() - timedelta(days=3), time(8), UTC)
    for number, minutes in enumerate((80, 100, 90, 70, 90, 300)):
        order = WorkOrder.objects.create(
            number=f"past-{number}", vehicle=people.second_van, depot=days.depot,
            state=WorkOrder.State.SIGNED_OFF, started_at=begun,
            finished_at=begun + timedelta(minutes=minutes),
        )  # fmt: skip
        Job.objects.create(order=order, vehicle=people.second_van, service=service,
                           title="oil", state=Job.State.DONE)  # fmt: skip
    # by hand: median 90 of five, 300 set aside: (5·90 + 5·60) / 10
    said = "75, learnt from 5 jobs here (book: 60; 1 set aside, too far from the book)"
    assert said in page(chief, at("V-101"))
    Job.objects.filter(order__number="past-0").update(state=Job.State.NOT_DONE)
    said = "60, by the book; 1 set aside, too far from the book"
    assert said in page(chief, at("V-101"))


def test_a_card_leads_to_the_vehicle_and_says_what_leads_to_the_visit(
    people: Cast, chief: Client, days: Plan, signed_in: SignedIn
) -> None:
    card = card_of(planned_page(chief), "V-101")
    assert f'href="{at("V-101")}">move or explain' in card
    seen = card_of(page(signed_in(people.viewer), f"{PAGE}&from={monday()}"), "V-101")
    assert f'href="{at("V-101")}">explain' in seen


def test_that_nothing_is_cheaper_is_said_within_limits_and_not_after_changes_by_hand(
    chief: Client, days: Plan
) -> None:
    assert "within its limits, no plan costs less" in planned_page(chief)
    send(chief, page(chief, at("V-101")), 'value="lock"')
    shown = planned_page(chief)
    assert "no plan costs less" not in shown
    assert "changes by hand included" in shown


def test_a_service_on_the_day_it_wants_needs_no_reason(chief: Client, days: Plan) -> None:
    services = visit_of("V-101").services
    services.update(late_d=3.2, reason="vehicles to spare", wanted_on=visit_of("V-101").on)
    assert "no more vehicles can be spared" not in page(chief, PAGE)
    services.update(wanted_on=monday() - timedelta(days=3))
    assert "no more vehicles can be spared" in page(chief, PAGE)
    services.update(reason="vehicle away")
    assert "<td>on days nearer to that, most often the vehicle is away</td>" in page(chief, PAGE)


def test_a_visit_keeps_the_depot_and_is_unlocked_by_that_name(chief: Client, days: Plan) -> None:
    send(chief, page(chief, at("V-101")), 'value="lock"')
    shown = page(chief, at("V-101"))
    assert '<option value="plain" selected>' in shown
    assert "Unlock it" in shown
    assert "Open it" not in shown


def test_a_refused_day_names_what_it_lacks(people: Cast, chief: Client, days: Plan) -> None:
    service = visit_of("V-101").services.get().service
    ServiceNeed.objects.create(service=service, second_min=15, source="invented")
    shown = page(chief, f"{at('V-101')}?on={monday() + timedelta(days=1)}")
    assert "asks for a second person for 15 min, and only M. Fernholt is there" in shown


def test_hours_are_not_called_enough_while_visits_do_not_fit_their_days(
    people: Cast, days: Plan, chief: Client
) -> None:
    """4 h of work in a week of 20 h; what a visit lacks is told beside it."""
    none = {"var_min": 0, "low_min": 0, "high_min": 0, "mean": 0, "var": 0, "low": 0, "high": 0}
    week = {"begin_on": "2026-11-30", "end_on": "2026-12-07", "mean_min": 240}
    WorkAhead.objects.update_or_create(
        depot=people.plain,
        defaults={
            **{"as_of_on": depots_day(), "overdue": 0, "overdue_min": 0, "probably": 0},
            **{"probably_min": 0, "weeks": [{**none, **week, "capacity_min": 1_200}]},
        },
    )
    seen = text(page(chief, "/overview"))
    assert "hours enough in every week" in seen
    visit_of("V-101").delete()
    Visit.objects.filter(plan=days).update(unfit="Nobody is there.", on=depots_day())
    seen = text(page(chief, "/overview"))
    assert "not fit" in seen
    assert "Most falls due in week 49: 4 h" in seen
    assert "hours enough" not in seen


def test_visits_that_do_not_fit_are_told_by_depot_with_a_link_to_its_own_days(
    people: Cast, days: Plan, chief: Client
) -> None:
    """The page behind the link shows one depot; without its name it would be the first."""
    people.supervisor.depots.add(people.hill)
    theirs = Plan.objects.get(depot=people.hill)
    Visit.objects.filter(plan__in=[days, theirs]).update(unfit="Nobody is there.")
    first, last = depots_day(), depots_day() + timedelta(days=2)
    Visit.objects.filter(plan=days).update(on=last)
    Visit.objects.filter(plan=theirs).update(on=first)
    seen = page(chief, "/overview")
    told = text(seen)
    assert f"1 visit does not fit its day any more at Hill, on {first.day} {first:%b %Y}" in told
    assert f"2 visits do not fit their days any more at Plain, the first on {last.day} " in told
    assert seen.count('href="/workshop-days?depot=hill"') == 1
    assert seen.count('href="/workshop-days?depot=plain"') == 1
    alone = page(chief, "/overview?depot=plain")
    assert "2 visits do not fit their days any more, the first on" in text(alone)
    assert 'href="/workshop-days?depot=plain"' in alone


def test_a_plan_that_an_order_overtook_says_so_and_offers_to_plan_anew(
    people: Cast, days: Plan, chief: Client, signed_in: SignedIn
) -> None:
    had, on = visit_of("V-101").on, monday() + timedelta(days=1)
    assert "Out of date" not in planned_page(chief)
    WorkOrder.objects.update(planned_on=on, state=WorkOrder.State.RELEASED)
    Plan.objects.update(made_at=datetime(2026, 1, 9, 19, 39, tzinfo=UTC))
    shown = text(planned_page(chief))
    # 19:39 UTC in winter is 20:39 at the depot in Berlin
    assert "Out of date, as this plan was made 9 Jan 2026, 20:39: W-1 was set to " in shown
    assert f"W-1 was set to {on.day} {on:%b %Y} since, and the plan still has V-101 on" in shown
    assert "1 of 2 visits proposed, not published yet" in shown
    card = text(card_of(planned_page(chief), "V-101"))
    assert f"W-1 was set to {on:%a} {on.day} {on:%b %Y} since" in card
    assert "out of date" in card
    assert "proposed" not in card
    assert "set to" in text(page(chief, at("V-101")))
    until = monday() + timedelta(days=7)
    told = text(page(chief, f"/workshop-days/publish?depot=plain&until={until}"))
    assert f"W-1 is released for {on.day} {on:%b %Y}" in told
    whole = planned_page(chief)
    assert 'form="plan-anew"' in whole
    assert 'form="plan-anew"' not in planned_page(signed_in(people.viewer))
    assert '<form id="plan-anew" method="post" action="/workshop-days/plan"' in whole
    follow(chief, send(chief, whole, 'id="plan-anew"'))
    assert visit_of("V-101").on == on != had
    card = text(card_of(planned_page(chief), "V-101"))
    assert "released" in card
    assert "Out of date" not in planned_page(chief)
