import re
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape
from io import BytesIO

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries
from python_calamine import CalamineWorkbook

from fleet.due.models import DueDate, DueEarlier, Service
from fleet.people.models import Person, SavedView
from tests.cast import Cast, depots_day, vehicle

SignedIn = Callable[[Person], Client]


def page(client: Client, query: str = "") -> str:
    answer = client.get(f"/due{query}")
    assert answer.status_code == 200
    return answer.content.decode()


def test_due_lists_the_vehicles_of_ones_own_depots_only(people: Cast, signed_in: SignedIn) -> None:
    seen = page(signed_in(people.supervisor))
    assert "V-101" in seen
    assert "V-201" not in seen


def test_a_depot_that_is_not_ones_own_does_not_exist(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.supervisor).get("/due?depot=hill").status_code == 404


def test_a_person_without_a_depot_is_told_whom_to_ask(people: Cast, signed_in: SignedIn) -> None:
    people.viewer.depots.clear()
    assert "No depot is assigned to you" in page(signed_in(people.viewer))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"history_known": False, "p10": None, "p50": None, "p90": None}, "History unknown"),
        ({"beyond_by_reading": True}, "Overdue"),
        ({"sort_on": date(2020, 1, 1), "p50": date(2020, 1, 1)}, "Probably overdue"),
        ({"provisional": True}, "provisional"),
        ({"beyond_tolerance_by_reading": True}, "out of tolerance"),
        ({"take_a_reading_first": True}, "Take a reading first"),
        (
            {"take_a_reading_first": True, "bring_in_by_on": date(2099, 7, 21)},
            "without one, bring it in by Tue 21 Jul 2099",
        ),
        ({"binding_limit": "calendar", "binding_probability": 0.7}, "likely (70"),
        ({"p10": None, "p50": None, "p90": None, "binding_limit": "none"}, "No limit in sight"),
    ],
)
def test_every_state_and_flag_is_said_in_words(
    changes: dict[str, object], words: str, people: Cast, signed_in: SignedIn
) -> None:
    DueDate.objects.filter(vehicle=people.van).update(**changes)
    row = page(signed_in(people.supervisor), "?search=V-101").split("<tbody", 1)[1]
    assert words in row


def test_a_day_that_something_called_for_is_told_as_such_in_every_list(
    people: Cast, signed_in: SignedIn
) -> None:
    """As *Why* tells it; the name that the API gives the limit stays."""
    on, client = depots_day() + timedelta(days=9), signed_in(people.supervisor)
    row = DueDate.objects.filter(vehicle=people.van).select_related("service").get()
    DueDate.objects.filter(pk=row.pk).update(
        binding_limit="calendar", binding_probability=1, calendar_on=on, p50=on, sort_on=on
    )
    pages = ("/due?search=V-101", "/due.csv?search=V-101")
    assert [said_of(client, one) for one in pages] == [(True, False)] * 2
    assert "day of the call" not in page_of(client, "/vehicles/V-101")
    DueEarlier.objects.create(
        vehicle=people.van, service=row.service, called_on=depots_day(), due_on=on, reason="a seep"
    )
    assert [said_of(client, one) for one in pages] == [(False, True)] * 2
    assert "day of the call" in page_of(client, "/vehicles/V-101")
    why = page_of(client, f"/vehicles/V-101/services/{row.service.slug}/why")
    assert "Limit reached first: the day of the call" in why
    (given,) = client.get("/api/v1/due-dates?vehicle=V-101").json()["rows"]
    assert given["binding_limit"] == "calendar"
    assert "called" not in given


def page_of(client: Client, address: str) -> str:
    return client.get(address).content.decode()


def said_of(client: Client, address: str) -> tuple[bool, bool]:
    """Whether a list names the calendar, and whether it names a call, as the limit."""
    seen = page_of(client, address).partition("<tbody")
    rows = seen[2] or seen[0]
    return bool(re.search(r"\bcalendar\b", rows)), "day of the call" in rows


def test_a_vehicle_off_road_is_serviced_before_it_returns(
    people: Cast, signed_in: SignedIn
) -> None:
    people.van.status = "off road"
    people.van.save()
    assert "service before return" in page(signed_in(people.supervisor))


def test_states_narrow_the_list(people: Cast, signed_in: SignedIn) -> None:
    DueDate.objects.filter(vehicle=people.van).update(beyond_by_reading=True)
    seen = page(signed_in(people.supervisor), "?state=overdue")
    assert ("V-101" in seen, "V-102" in seen) == (True, False)


def test_text_and_day_narrow_the_list(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    assert "V-101" not in page(client, "?search=102")
    assert "Nothing fits these filters" in page(client, "?until=2020-01-01")


def test_a_day_that_is_none_is_named(people: Cast, signed_in: SignedIn) -> None:
    assert "“31.3.2026” is not a date" in page(signed_in(people.supervisor), "?until=31.3.2026")


def test_the_number_of_queries_does_not_grow_with_the_list(
    people: Cast, signed_in: SignedIn, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    client = signed_in(people.supervisor)
    one = DueDate.objects.get(vehicle=people.van)
    for number in range(30):
        one.pk, one.vehicle = None, vehicle(f"W-{number}", people.plain, people.van_type)
        one.save()
    # session, person, depots; rows, counts, rounds; services; saved lists with orders, deferrals
    # and what stands on vehicles
    with django_assert_num_queries(8):
        page(client)


def test_more_rows_go_on_after_the_last_one_shown(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    first = DueDate.objects.filter(depot=people.plain).order_by("sort_on", "vehicle_id")[0]
    key = f"{first.sort_on}.{first.vehicle_id}.{first.service_id}"
    rest = page(client, f"?after={key}").split("<tbody", 1)[1]
    assert (first.vehicle.fleet_number in rest, rest.count("<tr>")) == (False, 1)


@pytest.mark.parametrize("after", ["nonsense", "2026-01-01.x.1", "2026-13-01.1.1"])
def test_a_broken_key_starts_at_the_top(after: str, people: Cast, signed_in: SignedIn) -> None:
    assert "V-101" in page(signed_in(people.supervisor), f"?after={after}")


def test_the_list_is_had_as_csv_without_formulas(people: Cast, signed_in: SignedIn) -> None:
    people.van.fleet_number = "=1+1"
    people.van.save()
    answer = signed_in(people.supervisor).get("/due.csv?state=later")
    assert answer["Content-Type"].startswith("text/csv")
    assert b"\n'=1+1," in answer.content
    assert b"V-201" not in answer.content


def test_the_list_is_had_as_a_spreadsheet(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.supervisor).get("/due.xlsx?search=V-102")
    rows = CalamineWorkbook.from_filelike(BytesIO(answer.content)).get_sheet_by_index(0).to_python()
    assert rows[0][0] == "Vehicle"
    assert [row[0] for row in rows[1:]] == ["V-102"]
    assert rows[1][8] == DueDate.objects.get(vehicle=people.second_van).p50


def test_a_list_is_kept_by_name_and_forgotten(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    client.post("/due/lists", {"name": "Monday", "query": "state=overdue"})
    assert "Monday" in page(client)
    view = SavedView.objects.get(person=people.supervisor)
    client.post(f"/due/lists/{view.pk}/forget")
    assert not SavedView.objects.exists()


def test_nobody_forgets_the_list_of_another(people: Cast, signed_in: SignedIn) -> None:
    view = SavedView.objects.create(person=people.supervisor, page="due", name="mine", query="")
    assert signed_in(people.outsider).post(f"/due/lists/{view.pk}/forget").status_code == 404
    assert SavedView.objects.filter(pk=view.pk).exists()


def test_what_should_be_in_already_is_wanted_now(people: Cast, signed_in: SignedIn) -> None:
    past = depots_day() - timedelta(days=20)
    DueDate.objects.filter(vehicle=people.van).update(
        bring_in_by_on=past, take_a_reading_first=False
    )
    assert "Now" in page(signed_in(people.supervisor), "?search=V-101").split("<tbody", 1)[1]


@pytest.mark.parametrize(
    ("beyond", "late"), [(False, "> 27 days late by the forecast<"), (True, "> 27 days late<")]
)
def test_what_is_forecast_and_what_was_read_are_told_apart(
    beyond: bool, late: str, people: Cast, signed_in: SignedIn
) -> None:
    """A vehicle that nobody has read since: by the forecast it is late, by what was read it was
    not yet."""
    on = depots_day() - timedelta(days=27)
    DueDate.objects.filter(vehicle=people.van).update(
        **{"sort_on": on, "p10": on, "p50": on, "p90": on, "beyond_by_reading": beyond},
        **{"remaining_km": 1408, "binding_limit": "km", "binding_probability": 1.0},
        calendar_on=None,
    )
    row = page(signed_in(people.supervisor), "?search=V-101").split("<tbody", 1)[1]
    assert late in row
    assert "1,408\N{NARROW NO-BREAK SPACE}km left at the last reading" in row
    assert "certain" not in row  # a limit that surely comes first needs no word


# --- rounds ----------------------------------------------------------------------------------
def rounds_of(people: Cast) -> list[int]:
    """Levels of both vans, due in three and five days; their oil is due as it was."""
    oil = DueDate.objects.filter(vehicle=people.van).select_related("service").get().service
    levels = Service.objects.get(pk=oil.pk)
    levels.pk, levels.slug, levels.name, levels.kind = None, "levels", "Level check", "check"
    levels.is_round = True
    levels.save()
    on, ids = depots_day(), []
    for days, vehicle_id in ((3, people.van.pk), (5, people.second_van.pk)):
        row = DueDate.objects.get(vehicle=vehicle_id, service=oil)
        due_on = on - timedelta(days=days)
        row.pk, row.service, row.sort_on, row.p50 = None, levels, due_on, due_on
        row.p10 = row.p90 = row.calendar_on = due_on
        row.history_known, row.beyond_by_reading = True, False
        row.save()
        ids.append(row.pk)
    return ids


def lines_of(seen: str) -> int:
    """Rows of the list that name the round."""
    return seen.partition("<tbody")[2].count("<td>Level check")


def test_rounds_stand_in_one_line_and_are_listed_where_it_leads(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.supervisor)
    before = page(client)
    assert "rounds-head" not in before
    rounds_of(people)
    seen = page(client)
    assert lines_of(seen) == 0
    assert seen.count('class="first-word" href="/vehicles/') == before.count(
        'class="first-word" href="/vehicles/'
    )
    section = seen.partition('<section class="rounds"')[2].partition("</section>")[0]
    first = depots_day() - timedelta(days=5)
    told = " ".join(re.sub("<[^>]*>", " ", section).split())
    assert "Level check : 2 due, 2 of them overdue or probably so, the first on" in told
    assert f"{first.day} {first:%b %Y}" in told
    listed, each = re.findall(r'href="/due\?([^"]*)"', section)
    assert lines_of(page(client, f"?{unescape(listed)}")) == 2
    whole = page(client, f"?{unescape(each)}")
    assert (lines_of(whole), "rounds-head" in whole) == (2, False)
    assert 'name="rounds" value="all"' in whole  # kept by the form that narrows


def test_states_files_and_the_api_keep_every_round(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    rounds_of(people)
    seen = page(client, "?state=overdue")
    chip = re.search(r'id="state-overdue"><strong>([0-9]+)</strong>', seen)
    assert chip is not None
    assert int(chip[1]) == 2 + seen.partition("<tbody")[2].count('class="first-word" href')
    assert client.get("/due.csv").content.decode().count("Level check") == 2
    rows = client.get("/api/v1/due-dates").json()["rows"]
    assert sum(row["service"] == "levels" for row in rows) == 2


def test_what_is_looked_for_is_never_folded(people: Cast, signed_in: SignedIn) -> None:
    rounds_of(people)
    client = signed_in(people.supervisor)
    for query in ("?search=V-101", "?service=levels", "?rounds=all"):
        seen = page(client, query)
        assert (lines_of(seen) > 0, "rounds-head" in seen) == (True, False), query
