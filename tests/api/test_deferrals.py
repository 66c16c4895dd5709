"""Leave to do a service later: within its tolerance at once, beyond it with a second person."""

from datetime import timedelta

from django.http import HttpResponse

from fleet.due.models import DueDate
from fleet.people.models import Person, Role
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, person
from tests.kept import kept

DEFERRALS = address("deferrals")


@kept
def second(running: Cast) -> Person:
    return person("Sol", Role.SUPERVISOR, running.plain)


def ask(call: Caller, people: Cast, days: int) -> HttpResponse:
    """Defer the oil of the first van to so many days from the end of its tolerance."""
    due = DueDate.objects.get(vehicle=people.van)
    assert due.tolerance_until_on is not None
    given = {
        **{"vehicle": "V-101", "service": "engine-oil", "reason": "on a long trip"},
        "until_on": str(due.tolerance_until_on + timedelta(days=days)),
    }
    return call(people.supervisor).post(DEFERRALS, given, format="json")


def then(call: Caller, who: Person, deferral: int, what: str) -> HttpResponse:
    where = address(f"deferrals/<int:deferral_id>/{what}", deferral_id=deferral)
    return call(who).post(where, {}, format="json")


def test_within_the_tolerance_it_holds_at_once(running: Cast, call: Caller) -> None:
    answer = ask(call, running, 0)
    row = answer.json()
    assert (answer.status_code, row["beyond_tolerance"], row["person"]) == (201, False, "sura")
    assert call(running.viewer).get(DEFERRALS, {"waiting": "true"}).json()["rows"] == []


def test_a_deferral_never_moves_the_due_date(running: Cast, call: Caller) -> None:
    dates = DueDate.objects.filter(vehicle=running.van).values_list("p50", "tolerance_until_on")
    before = list(dates)
    ask(call, running, 0)
    assert list(dates.all()) == before


def test_beyond_it_waits_for_a_second_person(running: Cast, second: Person, call: Caller) -> None:
    pk = ask(call, running, 1).json()["id"]
    (row,) = call(running.viewer).get(DEFERRALS, {"waiting": "true"}).json()["rows"]
    assert (row["id"], row["second_person"], row["beyond_tolerance"]) == (pk, None, True)
    agreed = then(call, second, pk, "agree")
    assert (agreed.status_code, agreed.json()["second_person"]) == (200, "sol")
    assert then(call, second, pk, "agree").status_code == 409


def test_nobody_agrees_to_their_own_nor_without_the_right(running: Cast, call: Caller) -> None:
    pk = ask(call, running, 1).json()["id"]
    assert then(call, running.supervisor, pk, "agree").status_code == 403
    assert then(call, running.mechanic, pk, "agree").status_code == 403
    assert then(call, running.outsider, pk, "agree").status_code == 404
    (row,) = call(running.viewer).get(DEFERRALS, {"waiting": "true"}).json()["rows"]
    assert row["second_person"] is None


def test_what_was_taken_back_stays_in_the_list(running: Cast, call: Caller) -> None:
    pk = ask(call, running, 0).json()["id"]
    assert then(call, running.supervisor, pk, "withdraw").json()["withdrawn_at"]
    for withdrawn, found in (("true", [pk]), ("false", [])):
        rows = call(running.viewer).get(DEFERRALS, {"withdrawn": withdrawn}).json()["rows"]
        assert [row["id"] for row in rows] == found


def test_without_an_end_it_is_refused(running: Cast, call: Caller) -> None:
    given = {"vehicle": "V-101", "service": "engine-oil", "reason": "on a trip"}
    answer = call(running.supervisor).post(DEFERRALS, given, format="json")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/until_on")
