"""Findings and vehicles that must not be used, as a client reports and settles them."""

from datetime import timedelta

import pytest
from django.http import HttpResponse
from django.utils import timezone

from fleet.due.models import DueEarlier, Service
from fleet.people.models import Person
from fleet.workorders.models import DoNotUse, Finding
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast
from tests.dashboard.workshop import procedure
from tests.scene import INVENTED

FINDINGS, MARKS = address("findings"), address("do-not-use")
LEAK = {
    **{"vehicle": "V-101", "compartment": "engine", "kind": "leak", "severity": "soon"},
    **{"text": "drips at the plug", "client_key": "leak-one"},
}


def report(call: Caller, who: Person, **given: object) -> HttpResponse:
    return call(who).post(FINDINGS, LEAK | given, format="json")


def after(call: Caller, who: Person, finding: int, what: str, given: object) -> HttpResponse:
    where = address(f"findings/<int:finding_id>/{what}", finding_id=finding)
    return call(who).post(where, given, format="json")


def mark(call: Caller, who: Person) -> int:
    given = {"vehicle": "V-101", "reason": "brake pedal soft"}
    answer = call(who).post(MARKS, given, format="json")
    assert answer.status_code == 201, answer.json()
    return int(answer.json()["id"])


def clear(call: Caller, who: Person, mark_id: int) -> HttpResponse:
    where = address("do-not-use/<int:mark_id>/clear", mark_id=mark_id)
    return call(who).post(where, {"reason": "bled and tried"}, format="json")


def test_a_finding_is_listed_as_it_was_reported(people: Cast, call: Caller) -> None:
    assert report(call, people.mechanic).status_code == 201
    (row,) = call(people.viewer).get(FINDINGS, {"state": "open"}).json()["rows"]
    assert {name: row[name] for name in LEAK} == LEAK
    assert (row["person"], row["closed_at"]) == ("mika", None)


def test_a_finding_sent_twice_is_there_once(people: Cast, call: Caller) -> None:
    first, again = (report(call, people.mechanic).json()["id"] for _ in range(2))
    assert first == again
    assert Finding.objects.count() == 1


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"kind": "smell"}, "#/kind"),
        ({"compartment": "wing"}, "#/compartment"),
        ({"text": ""}, "#/text"),
        ({"client_key": "short"}, "#/client_key"),
    ],
)
def test_what_cannot_be_used_is_named(
    people: Cast, call: Caller, given: dict[str, object], pointer: str
) -> None:
    answer = report(call, people.mechanic, **given)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, pointer)
    assert answer["Content-Type"] == "application/problem+json"  # RFC 9457, section 3
    assert not Finding.objects.exists()


def test_a_finding_is_closed_once_and_leaves_the_open_ones(people: Cast, call: Caller) -> None:
    pk = report(call, people.mechanic).json()["id"]
    closed = after(call, people.mechanic, pk, "close", {"reason": "plug tightened"})
    assert (closed.status_code, closed.json()["closed_by"]) == (200, "mika")
    assert call(people.viewer).get(FINDINGS, {"state": "open"}).json()["rows"] == []
    again = after(call, people.mechanic, pk, "close", {"reason": "plug tightened"})
    assert again.status_code == 409


def test_a_leak_is_followed_up_with_a_re_check_after_14_days(people: Cast, call: Caller) -> None:
    pk = report(call, people.mechanic).json()["id"]
    answer = after(call, people.supervisor, pk, "follow-up", {"what": "Reseal", "minutes": 60})
    assert answer.status_code == 201
    assert (answer.json()["state"], answer.json()["vehicle"]) == ("drafted", "V-101")
    (called,) = DueEarlier.objects.all()
    assert called.service.slug == "engine-leak-re-check"
    assert called.due_on - called.called_on == timedelta(days=14)  # our choice, as documented


def test_a_follow_up_names_its_sealant_and_the_re_check_falls_due(
    running: Cast, call: Caller
) -> None:
    """A plug resealed without sealant seeps; worked example, common practice, no source."""
    made = procedure(Service.objects.get(slug="engine-oil"))
    made.materials.create(kind="seal", name="Thread sealant", quantity_ml=2, source=INVENTED)
    pk = report(call, running.mechanic, kind="missing sealant").json()["id"]
    given = {"what": "Reseal the plug", "services": ["engine-oil"]}
    order = after(call, running.supervisor, pk, "follow-up", given).json()
    card = call(running.mechanic).get(address(f"work-orders/{order['number']}/card")).json()
    names = [row["name"] for job in card["jobs"] for row in job["materials"]]
    assert "Thread sealant" in names
    rows = call(running.viewer).get(address("due-dates"), {"vehicle": "V-101"}).json()["rows"]
    assert "engine-leak-re-check" in {row["service"] for row in rows}


def test_a_closed_finding_is_not_followed_up(people: Cast, call: Caller) -> None:
    pk = report(call, people.mechanic).json()["id"]
    after(call, people.mechanic, pk, "close", {"reason": "was rain water"})
    answer = after(call, people.supervisor, pk, "follow-up", {"what": "Reseal"})
    assert answer.status_code == 409
    assert not DueEarlier.objects.exists()


def test_another_depot_sees_none_of_it(people: Cast, call: Caller) -> None:
    pk = report(call, people.mechanic).json()["id"]
    assert call(people.outsider).get(FINDINGS).json()["rows"] == []
    assert report(call, people.outsider).status_code == 404
    assert after(call, people.outsider, pk, "close", {"reason": "gone"}).status_code == 404


def test_what_must_be_put_right_before_use_marks_the_vehicle(people: Cast, call: Caller) -> None:
    report(call, people.mechanic, severity="before use")
    (row,) = call(people.viewer).get(MARKS, {"vehicle": "v-101"}).json()["rows"]
    assert (row["set_by"], row["cleared_at"]) == ("mika", None)


def test_anyone_who_sees_a_vehicle_may_keep_it_from_use(people: Cast, call: Caller) -> None:
    mark(call, people.viewer)
    assert DoNotUse.objects.get().set_by == people.viewer


def test_only_another_authorised_person_clears_the_mark(people: Cast, call: Caller) -> None:
    own = mark(call, people.supervisor)
    assert clear(call, people.supervisor, own).status_code == 403
    assert clear(call, people.viewer, own).status_code == 403
    assert clear(call, people.outsider, own).status_code == 404
    assert DoNotUse.objects.get().cleared_at is None
    other = mark(call, people.viewer)
    answer = clear(call, people.supervisor, other)
    assert (answer.status_code, answer.json()["cleared_by"]) == (200, "sura")
    rows = call(people.viewer).get(MARKS).json()["rows"]
    assert [row["id"] for row in rows] == [own]


def test_a_finding_of_a_phone_that_was_offline_keeps_its_instant(
    people: Cast, call: Caller
) -> None:
    at = timezone.now().replace(microsecond=0) - timedelta(hours=5)
    report(call, people.mechanic, performed_at=at.isoformat())
    kept = Finding.objects.get()
    assert kept.performed_at == at < kept.recorded_at
