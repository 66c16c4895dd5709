"""What if by page: ready questions, a file, the answer, and who may ask."""

import json
import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from fleet import jobs
from fleet.people.models import Person, Role
from fleet.today import day
from fleet.vehicles.models import Depot
from fleet.visits.models import Mechanic
from fleet.whatif import ask
from fleet.whatif.compare import compare
from fleet.whatif.models import WhatIf
from fleet.whatif.year import Year, _nothing, months_of
from tests.cast import Cast, depots_day, person
from tests.dashboard.forms import forms_of

SignedIn = Callable[[Person], Client]


def text_of(html: str) -> str:
    """The words of a page."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Questions handed to the worker, which works out none of them here."""
    found: list[int] = []
    monkeypatch.setattr(jobs, "send", lambda task, *given: found.append(given[0]))
    return found


def press(client: Client, form: str, **typed: str) -> Any:
    """A ready form as it is rendered, with some fields typed, sent by its button."""
    page = client.get("/what-if").content.decode()
    found = [one for one in forms_of(page) if one.sent.get("form") == [form]]
    given = {name: values[0] for name, values in found[0].sent.items()}
    given |= {one.name: one.sent for one in found[0].selects}
    return client.post(found[0].action, given | typed)


def done(people: Cast) -> WhatIf:
    """An answer made of figures that can be seen again: 10 h as it is, 13 h changed."""
    depots = list(Depot.objects.filter(slug="plain"))
    asked = ask.ask(
        [{"what": "sell", "which": "V-101"}], depots, timezone.now(),
        person=people.supervisor, channel="page",
    )  # fmt: skip
    first = depots_day()
    span, _ = months_of(first, 365)
    arms = [Year(first, 365, _nothing(1, span), {}, []) for _ in range(2)]
    arms[0].figures["work_min"][0, 1] += 600
    arms[1].figures["work_min"][0, 1] += 780
    result = compare(arms[0], arms[1], depots) | {"answer": "About three hours more.", "notes": []}
    asked.state, asked.result = WhatIf.State.DONE, result
    asked.save()
    return asked


def test_one_more_mechanic_is_a_question_of_two_rows(
    people: Cast, signed_in: SignedIn, sent: list[int], django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        answer = press(signed_in(people.supervisor), "mechanic", bay="1", minutes="420")
    asked = WhatIf.objects.get()
    today = depots_day().isoformat()
    assert answer["Location"] == f"/what-if/{asked.pk}"
    assert sent == [asked.pk]
    assert asked.title.startswith("One more mechanic at Plain, Fri, 420 min with a bay")
    assert asked.changes == [
        {"what": "mechanic", "which": "plain", "value": "420 Fri", "from": today},
        {"what": "bay", "which": "plain", "value": "", "from": today},
    ]
    assert not Mechanic.objects.exists()


def test_shorter_intervals_are_a_question_of_one_row(
    people: Cast, signed_in: SignedIn, sent: list[int]
) -> None:
    press(signed_in(people.supervisor), "limits", way="longer")
    (row,) = WhatIf.objects.get().changes
    assert (row["what"], row["which"], row["value"]) == ("limit km", "*/*oil*", "+5,000")


@pytest.mark.parametrize(
    ("form", "typed", "said"),
    [
        ("mechanic", {"minutes": "many"}, "write it like 12500"),
        ("mechanic", {"minutes": "9000"}, "write 1 to 1440"),
        ("mechanic", {"depot": "hill"}, "Choose one of your depots."),
        ("mechanic", {"from": "2020-01-01"}, "1 Jan 2020 is over"),
        ("limits", {"km": "5 miles"}, "is no figure (in km)"),
        ("vehicles", {"type": "none"}, "Choose a type"),
    ],
)
def test_a_refused_question_says_why_and_keeps_what_was_typed(
    people: Cast, signed_in: SignedIn, sent: list[int], form: str, typed: dict[str, str], said: str
) -> None:
    answer = press(signed_in(people.supervisor), form, **typed)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert said in text_of(page)
    if form != "vehicles" and "depot" not in typed:
        assert f'value="{next(iter(typed.values()))}"' in page
    assert not WhatIf.objects.exists()


def test_a_file_of_changes_is_a_question_and_every_fault_of_one_is_said(
    people: Cast, signed_in: SignedIn, sent: list[int]
) -> None:
    client = signed_in(people.supervisor)

    def send(*rows: dict[str, str]) -> Any:
        file = SimpleUploadedFile("a.json", json.dumps(rows).encode())
        return client.post("/what-if/asked", {"form": "file", "title": "Two", "file": file})

    wrong = text_of(send({"what": "sel", "which": "V-1"}, {"what": "sell", "which": "V-9"})
                    .content.decode())  # fmt: skip
    assert "Row 1, what" in wrong
    assert "Row 2, which" in wrong
    assert send({"what": "sell", "which": "V-101"}).status_code == 302
    assert WhatIf.objects.get().title == "Two"


def test_the_answer_stands_first_then_the_months(people: Cast, signed_in: SignedIn) -> None:
    asked = done(people)
    client = signed_in(people.supervisor)
    page = text_of(client.get(f"/what-if/{asked.pk}").content.decode())
    assert "About three hours more." in page
    assert "10 13 +3" in page
    assert page.index("About three hours") < page.index("Workshop time [h]")
    assert "[visits]" not in page  # the name says what is counted
    assert f"sell V-101 {day(depots_day())} Delete" in page  # the change, and from when it holds
    figure = client.get(f"/what-if/{asked.pk}/difference.json?by=work_h").json()
    assert figure["data"][0]["y"][1] == 3.0
    assert client.get(f"/what-if/{asked.pk}/both.json?by=visits").status_code == 200
    assert client.get(f"/what-if/{asked.pk}/difference.json?by=nothing").status_code == 404


def test_what_was_late_before_stands_beside_the_plans_cost(
    people: Cast, signed_in: SignedIn
) -> None:
    asked = done(people)
    one = {"depot": "plain", "visits": 1, "left_out": 0, "services": 1, "cost": 5_000}
    arms = {"today": {**one, "before": 100_000}, "changed": {**one, "before": 1_240_000}}
    client, where = signed_in(people.supervisor), f"/what-if/{asked.pk}"
    asked.result["plans"] = [{"depot": "plain", **arms}]
    asked.save()
    page = text_of(client.get(where).content.decode())
    assert "by the limits as they are they come to 1,000.00 EUR, by those changed to 12,400" in page
    asked.result["plans"] = [{"depot": "plain", "today": one, "changed": one}]  # an old answer
    asked.save()
    assert "are in both costs" in text_of(client.get(where).content.decode())


def test_every_figure_is_in_the_file(people: Cast, signed_in: SignedIn) -> None:
    asked = done(people)
    lines = signed_in(people.supervisor).get(f"/what-if/{asked.pk}/figures.csv").content.decode()
    rows = [line.split(",") for line in lines.splitlines()]
    # seven measures by month and in all
    assert len(rows) == 1 + 7 * (len(asked.result["months"]) + 1)
    assert [row[4:7] for row in rows if row[0] == "Workshop time"][-1] == ["10.0", "13.0", "3.0"]


def test_the_changes_are_a_sheet_that_can_be_sent_again(
    people: Cast, signed_in: SignedIn, sent: list[int]
) -> None:
    asked = done(people)
    client = signed_in(people.supervisor)
    sheet = client.get(f"/what-if/{asked.pk}/changes.xlsx").content
    file = SimpleUploadedFile("changes.xlsx", sheet)
    client.post("/what-if/asked", {"form": "file", "file": file})
    assert WhatIf.objects.first().changes == asked.changes
    assert client.get("/what-if/changes.xlsx").status_code == 200


def test_while_it_is_worked_on_the_page_asks_again_and_says_how_far_it_is(
    people: Cast, signed_in: SignedIn
) -> None:
    asked = done(people)
    WhatIf.objects.update(state="working", share=0.4, at="as it is: planning")
    client = signed_in(people.supervisor)
    page = client.get(f"/what-if/{asked.pk}").content.decode()
    assert f'hx-get="/what-if/{asked.pk}/state"' in page
    assert "as it is: planning" in page
    WhatIf.objects.update(state="failed", error="There is no vehicle V-101.")
    answer = client.get(f"/what-if/{asked.pk}/state")
    assert answer["HX-Refresh"] == "true"
    assert "There is no vehicle V-101." in answer.content.decode()


def test_an_answer_is_deleted_by_who_asked(people: Cast, signed_in: SignedIn) -> None:
    asked = done(people)
    viewer = person("Vera", Role.VIEWER, people.plain)
    signed_in(viewer).post(f"/what-if/{asked.pk}/delete")
    assert WhatIf.objects.exists()
    signed_in(people.supervisor).post(f"/what-if/{asked.pk}/delete")
    assert not WhatIf.objects.exists()


def test_who_may_not_ask_is_refused_and_not_led_there(people: Cast, signed_in: SignedIn) -> None:
    asked = done(people)
    client = signed_in(people.mechanic)
    for path in ("/what-if", f"/what-if/{asked.pk}", f"/what-if/{asked.pk}/figures.csv"):
        assert client.get(path).status_code == 403
    assert client.post("/what-if/asked", {"form": "mechanic"}).status_code == 403
    assert "/what-if" not in client.get("/workshop-days").content.decode()
    assert "/what-if" in signed_in(people.supervisor).get("/workshop-days").content.decode()


def test_an_answer_about_other_depots_is_not_there(people: Cast, signed_in: SignedIn) -> None:
    asked = done(people)
    other = person("Odo", Role.SUPERVISOR, people.hill)
    client = signed_in(other)
    for path in ("", "/figures.csv", "/changes.xlsx", "/difference.json", "/state"):
        assert client.get(f"/what-if/{asked.pk}{path}").status_code == 404
    assert client.post(f"/what-if/{asked.pk}/delete").status_code == 404
    assert asked.title not in client.get("/what-if").content.decode()


def test_an_engineer_asks_what_if_and_finds_the_way_there(
    people: Cast, signed_in: SignedIn, sent: list[int]
) -> None:
    client = signed_in(person("Enno", Role.ENGINEER, people.plain))
    assert 'href="/what-if"' in client.get("/field-trials").content.decode()
    assert press(client, "limits", way="longer").status_code == 302
    assert WhatIf.objects.get().person_id == client_id(client)


def client_id(client: Client) -> int:
    return int(client.session["_auth_user_id"])
