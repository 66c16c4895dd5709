from datetime import timedelta

import pytest

from fleet.due.models import CheckFigure, DueEarlier, ServiceDone
from fleet.faults import Fault, Question, Refused
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Source
from fleet.usage.models import UsageState
from fleet.workorders import fluids, torques, withdraw
from fleet.workorders.ending import AtFinish
from fleet.workorders.fluids import Pouring
from fleet.workorders.models import ConfirmRecord, DoNotUse, Finding, Job, ReCheckRule, Step
from fleet.workorders.points import missing_points
from fleet.workorders.subjects import Subject, unit_of
from fleet.workorders.torques import Tightened
from tests.kept import kept
from tests.scene import INVENTED, NOW
from tests.workorders.conftest import Bay
from tests.workorders.wheels import LAST_KM, WHEELS, Workshop, called, workshop


@kept
def shop(bay: Bay) -> Workshop:
    return workshop(bay)


@kept
def rule(shop: Workshop) -> ReCheckRule:
    return called(shop)


def driven(shop: Workshop, km: float, **later: float) -> None:
    """A reading some distance after the last one."""
    meter = shop.bay.van.meters.get()
    at = (NOW + timedelta(**later)).replace(microsecond=0)
    entry = Entry(shop.bay.van.pk, meter.pk, at, True, LAST_KM + km, "km")
    enter([entry], Source.SHEET)
    shop.refresh(at)


def confirm_wheels(shop: Workshop, job: Job, wheels: list[str], **later: float) -> list[bool]:
    return [
        shop.confirmed(job, f"{wheel}-{later}", shop.at(**later), rule="wheels", point=wheel).ended
        for wheel in wheels
    ]


# --- a record for every point --------------------------------------------------------------
def test_three_wheels_of_four_leave_it_due_and_the_fourth_is_named(
    shop: Workshop, rule: ReCheckRule
) -> None:
    job = shop.again(rule, hours=1)
    three = [*WHEELS[:3], WHEELS[0]]  # one of them twice
    for at, wheel in enumerate(three):
        shop.confirmed(
            *(job, f"wheel-{at}", shop.at(hours=1)),
            rule="wheels", point=wheel, override_reason="it was done once more" if at == 3 else "",
        )  # fmt: skip
    assert [point.point for point in missing_points(job)] == ["rear right"]
    shop.finished(shop.ended(job, shop.at(hours=2)), LAST_KM + 50, shop.at(hours=2))
    assert shop.due(rule) is not None
    assert not ServiceDone.objects.filter(service=rule.service).exists()


def test_the_fourth_wheel_ends_the_call_and_all_five_records_stay(
    shop: Workshop, rule: ReCheckRule
) -> None:
    job = shop.again(rule, hours=1)
    confirm_wheels(shop, job, WHEELS[:3], hours=1)
    shop.confirmed(
        *(job, "first-wheel-again", shop.at(hours=2)),
        rule="wheels", point=WHEELS[0], override_reason="it was done once more",
    )  # fmt: skip
    assert confirm_wheels(shop, job, WHEELS[3:], hours=3) == [True]
    shop.refresh(shop.at(hours=3).now)
    assert shop.due(rule) is None
    assert missing_points(job) == []
    assert ConfirmRecord.objects.count() == 5
    done = ServiceDone.objects.get(service=rule.service)
    assert done.done_at == NOW + timedelta(hours=3)


def test_the_rest_may_be_recorded_on_a_later_order(shop: Workshop, rule: ReCheckRule) -> None:
    first = shop.again(rule, hours=1)
    confirm_wheels(shop, first, WHEELS[:3], hours=1)
    shop.finished(shop.ended(first, shop.at(hours=2)), LAST_KM + 50, shop.at(hours=2))
    second = shop.again(rule, hours=3)
    assert second != first
    assert [point.point for point in missing_points(second)] == ["rear right"]
    assert confirm_wheels(shop, second, WHEELS[3:], hours=3) == [True]


def test_a_finish_after_the_last_point_keeps_one_service_done_with_its_reading(
    shop: Workshop,
) -> None:
    rule = shop.rule()
    shop.changed()
    job = shop.again(rule, hours=1)
    confirm_wheels(shop, job, WHEELS, hours=1)
    shop.finished(shop.ended(job, shop.at(hours=2)), LAST_KM + 50, shop.at(hours=2))
    (done,) = ServiceDone.objects.filter(service=rule.service, superseded_by=None)
    assert (done.total_km, done.done_at) == (LAST_KM + 50, NOW + timedelta(hours=1))
    job.refresh_from_db()
    assert job.done == done


def test_records_from_before_the_call_do_not_end_it(shop: Workshop, rule: ReCheckRule) -> None:
    job = shop.again(rule, hours=1)
    assert confirm_wheels(shop, job, WHEELS, hours=-1) == [False] * 4
    assert len(missing_points(job)) == 4


def test_a_record_sent_twice_is_one_and_answers_the_same(shop: Workshop) -> None:
    shop.rule(points=[])
    shop.changed()
    job = shop.again(shop.procedure.re_check_rules.get(), hours=1)
    first = shop.confirmed(job, "same-key", shop.at(hours=1), rule="wheels")
    second = shop.confirmed(job, "same-key", shop.at(hours=1), rule="wheels")
    assert (first.record, first.ended) == (second.record, second.ended) == (first.record, True)
    with pytest.raises(Refused):
        shop.confirmed(job, "same-key", shop.at(hours=1), rule="wheels", value=3)


def test_a_record_taken_back_brings_the_call_back(shop: Workshop, rule: ReCheckRule) -> None:
    job = shop.again(rule, hours=1)
    confirm_wheels(shop, job, WHEELS, hours=1)
    record = ConfirmRecord.objects.get(point="rear left")
    withdraw.withdraw(shop.at(hours=2), job.order_id, record, reason="the wrong wheel")
    shop.refresh(shop.at(hours=2).now)
    assert shop.due(rule) is not None
    assert [point.point for point in missing_points(job)] == ["rear left"]
    job.refresh_from_db()
    assert job.done is None


@pytest.mark.parametrize(
    ("told", "about"),
    [
        ({"rule": "wheels", "point": "spare wheel"}, "point"),
        ({"rule": "wheels", "point": ""}, "point"),
        ({"rule": "nothing", "point": "front left"}, "rule"),
        ({"step": 9}, "step"),
        ({"rule": "wheels", "point": "front left", "seen": None}, "seen"),
        ({"rule": "wheels", "step": 1}, ""),
        ({}, ""),
    ],
)
def test_what_names_no_point_is_refused_with_what_to_do(
    shop: Workshop, told: dict[str, object], about: str
) -> None:
    rule = shop.rule()
    shop.changed()
    with pytest.raises(Fault) as refused:
        shop.confirmed(shop.again(rule, hours=1), "no-point", shop.at(hours=1), **told)
    assert refused.value.about == about


# --- too early -----------------------------------------------------------------------------
def test_too_early_asks_keeps_the_record_with_a_reason_and_the_call_stands(shop: Workshop) -> None:
    rule = shop.rule(from_km=40.0, points=[])
    shop.changed()
    driven(shop, 12, hours=1)
    job = shop.again(rule, hours=1)
    with pytest.raises(Question, match="about 12 km"):
        shop.confirmed(job, "early-1", shop.at(hours=1), rule="wheels")
    told = {"rule": "wheels", "override_reason": "the driver leaves"}
    early = shop.confirmed(job, "early-2", shop.at(hours=1), **told)
    assert (early.record.too_early, early.ended) == (True, False)
    driven(shop, 41, hours=2)
    assert shop.confirmed(job, "late", shop.at(hours=2), rule="wheels").ended


@pytest.mark.parametrize(("minutes", "asks"), [(29, True), (30, False)])
def test_minutes_standing_are_enough_where_the_source_says_so(
    shop: Workshop, minutes: int, asks: bool
) -> None:
    # 29 CFR 1910.252(a)(2)(iii)(B): at least a half hour
    rule = shop.rule(from_km=40.0, after_min=30, points=[])
    shop.changed()
    job = shop.again(rule, minutes=minutes)
    if asks:
        with pytest.raises(Question):
            shop.confirmed(job, "half-an-hour", shop.at(minutes=minutes), rule="wheels")
    else:
        assert shop.confirmed(job, "half-an-hour", shop.at(minutes=minutes), rule="wheels").ended


def test_what_was_driven_since_the_last_reading_is_reckoned_at_the_pace_of_late(
    shop: Workshop,
) -> None:
    rule = shop.rule(from_km=100.0, points=[])
    shop.changed()
    # by hand: 50 km a day in the long run, and half as much more of late: 75 km in a day
    UsageState.objects.filter(meter__vehicle=shop.bay.van).update(
        rate_km_per_day=50.0, mu=1.0, u=0.5, last_at_d=NOW.timestamp() / 86_400
    )
    job = shop.again(rule, days=1)
    with pytest.raises(Question, match="about 75 km"):
        shop.confirmed(job, "a-day-on", shop.at(days=1), rule="wheels")


# --- not as it should be -------------------------------------------------------------------
def test_a_nut_that_moved_is_a_finding_and_the_rule_is_called_anew(
    shop: Workshop, rule: ReCheckRule
) -> None:
    job = shop.again(rule, hours=1)
    told = {"rule": "wheels", "point": WHEELS[0], "seen": False}
    moved = shop.confirmed(job, "moved", shop.at(hours=1), **told)
    assert moved.raised is not None
    assert moved.raised.severity == Finding.Severity.SOON
    assert confirm_wheels(shop, job, WHEELS[1:], hours=2)[-1]
    shop.finished(shop.ended(job, shop.at(hours=3)), LAST_KM + 50, shop.at(hours=3))
    row, call = shop.due(rule), DueEarlier.objects.get(called_by__finding=moved.raised)
    assert row is not None
    assert row.remaining_km == pytest.approx(80)
    assert call.called_at == NOW + timedelta(hours=2)
    assert Job.objects.filter(service=rule.service, state="open").exists()


@pytest.mark.parametrize(("torque_nm", "well"), [(108, True), (132, True), (107, False)])
def test_a_torque_outside_its_tolerance_is_not_as_it_should_be(
    shop: Workshop, torque_nm: float, well: bool
) -> None:
    shop.procedure.fasteners.create(  # 120 N·m, 10 % our choice: 108 to 132 by hand
        slug="nuts", name="Nuts", torque_nm=120, seal="none", source=INVENTED
    )
    rule = shop.rule(record="fastener", fastener="nuts", points=[])
    shop.changed()
    told = {"rule": "wheels", "value": torque_nm, "seen": None}
    made = shop.confirmed(shop.again(rule, hours=1), "torque", shop.at(hours=1), **told)
    assert (made.record.seen, made.record.unit) == (well, "N·m")
    assert (made.raised is None) == well


def test_a_value_is_held_against_the_figure_of_the_re_check(shop: Workshop) -> None:
    rule = shop.rule(record="figure", figure="gap", points=[])
    CheckFigure.objects.create(
        service=rule.service, slug="gap", name="Gap", unit="mm", pass_to=2, source=INVENTED
    )
    shop.changed()
    told = {"rule": "wheels", "value": 3.0, "seen": None}
    made = shop.confirmed(shop.again(rule, hours=1), "a-value", shop.at(hours=1), **told)
    assert (made.record.seen, made.record.unit) == (False, "mm")
    nothing_read = Subject("gap", [], figure=CheckFigure(unit="mm"))
    assert (unit_of(nothing_read, None), unit_of(nothing_read, 0.0)) == ("", "mm")


# --- moving holds --------------------------------------------------------------------------
@pytest.mark.parametrize("fit", ["yes", "with restriction"])
def test_a_vehicle_without_a_firm_pedal_is_not_finished_as_fit(shop: Workshop, fit: str) -> None:
    shop.hold()
    job = shop.ended(shop.started(), shop.at(), "part done", reason="other")
    with pytest.raises(Refused, match=r"Pedal firm\."):
        shop.finished(job, fit=fit) if fit == "yes" else _restricted(shop, job)
    assert not DoNotUse.objects.exists()


def _restricted(shop: Workshop, job: Job) -> None:
    from fleet.workorders import ending

    ending.finish(
        shop.at(),
        job.order_id,
        AtFinish(odometer=LAST_KM, fit_for_use="with restriction", restriction="slow"),
    )


def test_it_is_finished_as_unfit_and_marked_do_not_use(shop: Workshop) -> None:
    shop.hold()
    shop.finished(shop.ended(shop.started(), shop.at()), fit="no")
    assert "Pedal firm." in DoNotUse.objects.get().reason


def test_the_newest_word_about_the_pedal_counts(shop: Workshop) -> None:
    shop.hold()
    job = shop.started()
    shop.confirmed(job, "soft", shop.at(), step=1, seen=False)
    assert not Finding.objects.exists()
    assert missing_points(job)
    shop.confirmed(job, "firm", shop.at(minutes=5), step=1)
    shop.finished(shop.ended(job, shop.at(minutes=6)), actor=shop.at(minutes=6))
    assert not DoNotUse.objects.exists()


def test_wheels_are_held_until_each_is_tightened(shop: Workshop) -> None:
    shop.procedure.fasteners.create(
        slug="nuts", name="Wheel nuts", torque_nm=120, seal="none", source=INVENTED
    )
    shop.hold(kind="refit", text="Wheels on.", fastener="nuts", points=["each wheel"])
    job = shop.started()
    for wheel in WHEELS[:3]:
        key = f"nuts-{wheel}"
        torques.torque(shop.at(), job.pk, Tightened(fastener="nuts", point=wheel, client_key=key))
    assert [point.words for point in missing_points(job)] == ["Wheels on: rear right"]
    torques.torque(
        shop.at(), job.pk, Tightened(fastener="nuts", point=WHEELS[3], client_key="nuts-rear")
    )
    assert missing_points(job) == []


def test_a_job_not_done_holds_nothing(shop: Workshop) -> None:
    shop.hold()
    shop.finished(shop.ended(shop.started(), shop.at(), "not done", reason="other"))


# --- cure time and level at temperature ----------------------------------------------------
@pytest.mark.parametrize(("seconds", "asks"), [(3_599, True), (3_600, False)])
def test_filling_before_a_seal_has_cured_asks(shop: Workshop, seconds: int, asks: bool) -> None:
    Step.objects.create(
        procedure=shop.procedure, number=2, kind="refit", text="Cover on with sealant.", wait_min=60
    )
    job = shop.started()
    shop.confirmed(job, "sealed", shop.at(), step=2)
    poured = {"way": "filled", "litres": 1.5, "client_key": "filled-1"}
    if asks:
        with pytest.raises(Question, match="59 of 60 min"):
            fluids.fluid(shop.at(seconds=seconds), job.pk, Pouring(**poured))
    else:
        fluids.fluid(shop.at(seconds=seconds), job.pk, Pouring(**poured))


def test_a_level_at_temperature_wants_its_temperature(shop: Workshop) -> None:
    shop.procedure.family = "level at temperature"
    shop.procedure.save()
    CheckFigure.objects.create(
        service=shop.bay.oil,
        slug="oil-temperature",
        name="Oil temperature",
        unit="°C",
        pass_from=35,
        pass_to=45,
        source=INVENTED,
    )
    shop.hold(number=3, kind="read level", figure="oil-temperature", moving_hold=False)
    job = shop.started()
    with pytest.raises(Question, match="temperature"):
        shop.confirmed(job, "level-1", shop.at(), step=3)
    assert shop.confirmed(job, "level-2", shop.at(), step=3, temperature_c=40.0).record.seen
    assert not shop.confirmed(job, "level-3", shop.at(), step=3, temperature_c=60.0).record.seen


def test_a_record_about_a_sentence_is_told_without_its_stop() -> None:
    said = {"about": "Fasten the plug, new washer in.", "seen": True}
    assert str(ConfirmRecord(**said)) == "Fasten the plug, new washer in: yes"
    assert str(ConfirmRecord(**said, point="each wheel")) == "each wheel: yes"
