from datetime import date, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.due import forecast
from fleet.due.explain import explain
from fleet.due.models import DueDate, DueEarlier, Service, ServiceDone
from fleet.people.actor import Actor
from fleet.readings.settle import settle
from fleet.usage.models import UsageState
from fleet.vehicles.models import Depot, Meter, VehicleType
from fleet.workorders import ending, issue, jobcard, listing, progress, read_again
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, ReCheckRule, WorkOrder
from fleet.workorders.recheck_admin import ReCheckForm
from fleet.workorders.rules import re_check_words
from fleet.workorders.unasked import cancel_unasked
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay
from tests.workorders.wheels import LAST_KM, WHEELS, Workshop, called, workshop

TODAY = NOW.date()


@kept
def shop(bay: Bay) -> Workshop:
    return workshop(bay)


@kept
def rule(shop: Workshop) -> ReCheckRule:
    return called(shop)


def test_a_finish_calls_for_what_must_be_looked_at_again_and_says_so(shop: Workshop) -> None:
    rule = shop.rule(from_km=40.0, after_min=30)
    (call,) = shop.changed().called
    assert (call.service, call.after_km, call.due_on) == (rule.service, 80, None)
    assert "after 40 to 80 km or after 30 min standing" in call.reason
    row = shop.due(rule)
    assert row is not None
    assert row.remaining_km == pytest.approx(80)


def test_the_card_of_a_look_again_names_what_to_look_at(shop: Workshop) -> None:
    """Its service has no procedure: the rule is of the one whose work is looked at again."""
    rule = shop.rule(from_km=40.0)
    other = shop.rule("plug", text="Plug dry", to_km=None, after_d=14, applies="sealant used")
    order = shop.started(rule.service).order
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    (again,) = job.re_checks
    assert (again.rule, again.text, again.points) == (rule.slug, rule.text, tuple(WHEELS))
    assert (again.safety, job.steps, job.note) == (True, (), "")
    ReCheckRule.objects.exclude(pk=other.pk).delete()
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    assert (job.re_checks, job.note) == ((), jobcard.NO_PROCEDURE)


def test_the_card_names_only_what_can_follow_from_the_work(shop: Workshop) -> None:
    procedure = shop.procedure
    shop.rule()
    shop.rule("plug", text="Plug dry", to_km=None, after_d=14, applies="sealant used")
    rules = list(procedure.re_check_rules.order_by("slug"))
    assert re_check_words(procedure, rules, "km") == (
        "Plug dry, where sealant was used: within 14 days; "
        "Wheel nuts tightened again: after at most 80 km"
    )
    procedure.wheels_removed = False
    assert (
        re_check_words(procedure, rules, "km") == "Plug dry, where sealant was used: within 14 days"
    )


@pytest.mark.parametrize(
    ("unit", "words"),
    [("km", "after 40 to 80 km (25 to 50 mi) or"), ("mi", "after 25 to 50 mi or")],
)
def test_a_distance_is_told_as_the_odometer_shows_it_and_beside_it_as_its_source_does(
    shop: Workshop, unit: str, words: str
) -> None:
    # 25 and 50 mi: a trade magazine, 3 May 2007; 1 mi = 1.609344 km
    rule = shop.rule(from_km=40.2336, to_km=80.4672, stated_unit="mi", after_min=30)
    Meter.objects.filter(vehicle=shop.bay.van).update(unit=unit)
    (call,) = shop.changed().called
    assert words in call.reason
    order = shop.again(rule).order
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    assert job.re_checks[0].when == words.removesuffix(" or") + " or after 30 min standing"
    order = shop.started().order
    (job,) = jobcard.card(order.pk, [order.depot]).jobs
    assert words in job.re_check


def test_days_count_from_the_local_day_of_the_jobs_end(shop: Workshop) -> None:
    Depot.objects.update(zone="Australia/Brisbane")  # UTC+10, no summer time
    rule = shop.rule(to_km=None, after_d=14, safety=False)
    # 2026-06-15 13:30 UTC is 23:30 there; 14 days on: by hand
    shop.changed(hours=4, minutes=30)
    row = shop.due(rule)
    assert row is not None
    assert row.calendar_on == date(2026, 6, 29)
    ended_on = DueEarlier.objects.get().called_on
    assert ended_on == date(2026, 6, 15)


def test_minutes_standing_end_on_the_local_day_they_end_on(shop: Workshop) -> None:
    Depot.objects.update(zone="Australia/Brisbane")  # UTC+10, no summer time
    shop.rule(to_km=None, after_min=45, safety=False)
    # 2026-06-15 13:30 UTC is 23:30 there, and 45 minutes on it is the day after
    (call,) = shop.changed(hours=4, minutes=30).called
    assert call.due_on == date(2026, 6, 16)


def test_the_distance_moves_with_a_reading_taken_again_and_is_one_call(shop: Workshop) -> None:
    rule = shop.rule()
    told = shop.changed(km=99_000)  # held: 75,700 km in no time
    row = shop.due(rule)
    assert told.verdict != "accepted"
    assert row is not None
    assert row.provisional
    assert row.remaining_km == pytest.approx(99_080 - LAST_KM)
    actor = shop.at(minutes=5)
    read_again.read_again(actor, told.order.pk, odometer=LAST_KM + 100)
    shop.refresh(actor.now)
    row = shop.due(rule)
    assert row is not None
    assert not row.provisional
    assert row.remaining_km == pytest.approx(80)
    assert DueEarlier.objects.count() == 1


def test_settling_a_held_reading_moves_the_target_without_a_second_call(shop: Workshop) -> None:
    rule = shop.rule()
    told = shop.changed(km=99_000)
    assert told.order.reading is not None
    settle(
        reading_id=told.order.reading.pk,
        action="accept suggestion",
        person=shop.bay.supervisor,
        reason="a slip",
        channel="test",
        value=LAST_KM,
    )
    shop.refresh(shop.at(minutes=5).now)
    row = shop.due(rule)
    assert row is not None
    assert row.remaining_km == pytest.approx(80)
    assert not row.provisional
    assert DueEarlier.objects.count() == 1


def test_a_job_part_done_calls_from_the_orders_reading(shop: Workshop) -> None:
    rule = shop.rule()
    later = shop.at(hours=2)
    job = shop.ended(shop.started(), shop.at(), "part done", reason="other")
    shop.finished(job, LAST_KM + 10, later)
    call, row = DueEarlier.objects.get(), shop.due(rule)
    assert call.anchor is None
    assert call.reading is not None
    assert row is not None
    assert row.remaining_km == pytest.approx(80)


def test_a_job_not_done_calls_for_nothing(shop: Workshop) -> None:
    shop.rule()
    job = shop.ended(shop.started(), shop.at(), "not done", reason="other")
    assert shop.finished(job).called == ()


def test_a_rule_for_sealant_calls_only_where_sealant_was_used(shop: Workshop) -> None:
    shop.rule("leak", to_km=None, after_d=7, safety=False, applies="sealant used")
    assert shop.changed().called == ()
    shop.procedure.fasteners.create(
        slug="cover", name="Cover", torque_nm=9, seal="sealant", source="invented for the tests"
    )
    assert shop.changed(days=1).called == ()  # named, but nothing was closed with it
    shop.hold(kind="close fill plug", fastener="cover", moving_hold=False)
    assert len(shop.changed(days=2).called) == 1


def test_without_usage_a_distance_alone_falls_on_the_next_working_day(
    shop: Workshop, rule: ReCheckRule
) -> None:
    UsageState.objects.all().delete()
    forecast.forecast(np.array([shop.bay.van.pk]), TODAY)
    row = shop.due(rule)
    assert row is not None
    assert row.calendar_on == date(2026, 6, 16)


def test_a_safety_rule_is_ordered_at_once_released_and_nobodys(
    shop: Workshop, rule: ReCheckRule
) -> None:
    order = Job.objects.get(service=rule.service).order
    assert (order.state, order.assigned_to) == (WorkOrder.State.RELEASED, None)
    assert order.planned_on == TODAY  # 80 km at 100 km a day: within the next working day
    assert [(event.what, event.person) for event in order.events.all()] == [
        ("draft", None),
        ("release", None),
    ]
    depots = {order.depot_id: order.depot.zone}
    assert order in listing.a_day(depots, NOW, shop.bay.mechanic)


def test_a_far_distance_is_planned_for_its_earliest_likely_working_day(shop: Workshop) -> None:
    rule = shop.rule(to_km=3_000.0)
    shop.changed()
    row, order = shop.due(rule), Job.objects.get(service=rule.service).order
    assert row is not None
    assert order.planned_on == row.bring_in_by_on
    assert order.planned_on is not None
    assert order.planned_on > TODAY + timedelta(days=7)


def test_it_is_ordered_once_however_often_it_is_looked_at(
    shop: Workshop, rule: ReCheckRule
) -> None:
    orders = WorkOrder.objects.count()
    shop.refresh()
    chain.nightly(TODAY)
    second = chain.nightly(TODAY, again=True).counts
    assert WorkOrder.objects.count() == orders
    assert (second["due dates"], second["re-checks ordered"], second["orders drafted"]) == (0, 0, 0)


def test_an_ordinary_rule_is_a_line_and_drafts_no_order(shop: Workshop) -> None:
    rule = shop.rule("leak", to_km=None, after_d=1, safety=False)
    shop.changed()
    assert shop.due(rule) is not None
    chain.nightly(TODAY + timedelta(days=2))
    assert not Job.objects.filter(service=rule.service).exists()


def test_a_line_joins_the_vehicles_next_order_by_hand_and_by_night(shop: Workshop) -> None:
    rule = shop.rule("leak", to_km=None, after_d=14, safety=False)
    shop.changed()
    other = Job.objects.filter(service=rule.service)
    order = issue.draft(
        shop.bay.actor(),
        OrderDraft(vehicle_id=shop.bay.van.pk, service_ids=[shop.bay.oil.pk], join_early=True),
    )
    assert other.get().order == order
    progress.cancel(shop.bay.actor(), order.pk, reason="not now")
    DueDate.objects.filter(service=shop.bay.oil).update(p10=TODAY, p50=TODAY)
    assert issue.draft_due(shop.bay.actor(), TODAY) == 1
    assert other.filter(state="open").exists()


def test_a_line_is_no_reason_to_keep_a_draft_that_nothing_else_asks_for(shop: Workshop) -> None:
    rule = shop.rule("leak", to_km=None, after_d=2, safety=False)
    shop.changed()
    night = Actor(person=None, channel="night", now=NOW + timedelta(hours=1))
    oil = DueDate.objects.filter(service=shop.bay.oil)
    later = oil.values_list("p10", "p50").get()
    oil.update(p10=TODAY, p50=TODAY)  # as a wrong book had it
    assert issue.draft_due(night, TODAY) == 1
    assert Job.objects.filter(service=rule.service, state="open").exists()
    vehicles = np.array([shop.bay.van.pk])
    assert cancel_unasked(night, vehicles, NOW, "read wrongly") == 0
    oil.update(p10=later[0], p50=later[1])
    assert cancel_unasked(night, vehicles, NOW, "read wrongly") == 1
    assert not Job.objects.filter(service=rule.service, state="open").exists()
    assert issue.draft_due(night, TODAY) == 0  # the line waits for the next order


def test_a_line_waits_for_its_distance_before_it_joins(shop: Workshop) -> None:
    rule = shop.rule("leak", from_km=40.0, to_km=80.0, safety=False)
    shop.changed()
    assert rule.service not in issue.joining([shop.bay.van.pk], TODAY)[shop.bay.van.pk]
    # by hand: from 40 km on, of 80, there are 40 left
    for left_km, joins in ((40.1, False), (40.0, True), (39.0, True)):
        DueDate.objects.filter(service=rule.service).update(remaining_km=left_km)
        found = issue.joining([shop.bay.van.pk], TODAY)[shop.bay.van.pk]
        assert (rule.service in found) is joins


def test_the_same_service_done_again_ends_the_older_call(shop: Workshop) -> None:
    shop.rule("leak", to_km=None, after_d=14, safety=False)
    shop.changed()
    shop.changed(days=1)
    assert DueEarlier.objects.filter(withdrawn_at=None).count() == 1


def test_a_correction_withdraws_calls_and_unstarted_orders_and_calls_anew(shop: Workshop) -> None:
    rule = shop.rule()
    told = shop.changed()
    ending.correct(shop.bay.actor(), told.order.pk, reason="the wrong wheels")
    shop.refresh()
    assert shop.due(rule) is None
    assert Job.objects.get(service=rule.service).order.state == WorkOrder.State.CANCELLED
    job = shop.ended(told.order.jobs.get(), shop.at(minutes=1))
    assert len(shop.finished(job, actor=shop.at(minutes=2)).called) == 1
    assert shop.due(rule) is not None
    assert DueEarlier.objects.filter(called_by__rule=rule).count() == 1


def test_a_withdrawn_call_wakes_the_night(shop: Workshop) -> None:
    shop.rule("leak", to_km=None, after_d=14, safety=False)
    shop.changed()
    chain.nightly(TODAY)
    DueEarlier.objects.update(withdrawn_at=NOW)
    assert chain.nightly(TODAY, again=True).counts["due dates"] == 1


def test_a_vehicle_off_the_road_gets_no_order_and_one_that_is_sold_no_due_date(
    shop: Workshop,
) -> None:
    rule = shop.rule()
    job = shop.ended(shop.started(), shop.at())
    shop.bay.van.status = "off road"
    shop.bay.van.save()
    shop.finished(job)
    assert shop.due(rule) is not None
    assert not Job.objects.filter(service=rule.service).exists()


def test_the_explanation_names_the_rule_and_the_distance(shop: Workshop) -> None:
    rule = shop.rule(from_km=40.0)
    shop.changed()
    lines = " ".join(explain(shop.bay.van, rule.service, NOW).lines)
    assert "Called for within 80 km" in lines
    assert "after 40 to 80 km" in lines


def test_a_type_without_wheel_positions_is_asked_for_one_record(shop: Workshop) -> None:
    VehicleType.objects.update(wheel_positions=[])
    rule = shop.rule()
    shop.changed()
    job = shop.again(rule, hours=1)
    assert shop.confirmed(job, "one", shop.at(hours=1), rule="wheels", point="each wheel").ended
    assert ServiceDone.objects.filter(service=rule.service).count() == 1


def test_two_rules_never_make_one_check_due(shop: Workshop) -> None:
    rule = shop.rule()

    def said(**changes: object) -> dict[str, list[str]]:
        typed = {
            "procedure": shop.procedure.pk,
            "slug": "nuts",
            "text": "Nuts tightened again",
            "to_km": "80",
            "minutes": "15",
            "stated_unit": "km",
            "record": "seen",
            "applies": "always",
            "service": rule.service_id,
            "source": INVENTED,
        }
        return dict(ReCheckForm(typed | changes).errors)

    assert said()["service"] == ["Another rule makes it due: give each rule its own check."]
    assert "limits of its own" in said(service=shop.bay.oil.pk)["service"][0]
    shop.rule("plug").delete()
    plug = Service.objects.get(slug="again-plug")
    assert said(service=plug.pk) == {}
    kinds = VehicleType.objects.values("powertrain", "expected_km_per_day", "top_km_per_day")
    plug.vehicle_type = VehicleType.objects.create(
        slug="lorry", name="Lorry", source=INVENTED, **kinds[0]
    )
    plug.save()
    assert said(service=plug.pk)["service"] == ["It is of another vehicle type than the procedure."]
