"""The pages about field trials, for who runs them and for raters who must not know."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.dashboard.trials.lines import none_missing, trend_row
from fleet.people.models import Person, Role
from fleet.trials.evaluate import evaluate
from fleet.trials.gather import SIDES
from fleet.trials.lab import gather_samples
from fleet.trials.models import LabSample, Rating, Trial, TrialResult, Unblinded
from tests.dashboard.rendered import form
from tests.kept import kept
from tests.scene import NOW, depot, service, van
from tests.trials.field import Field, begun, better, person, products, rated

pytestmark = pytest.mark.django_db
SignIn = Callable[[Person], Client]
PAGE = "/field-trials/dearer-gearbox-oil"


@pytest.fixture(autouse=True)
def then() -> object:
    with time_machine.travel(NOW, tick=False):
        yield


@kept
def field() -> Field:
    with time_machine.travel(NOW, tick=False):  # a scene is built before the tests' own travel
        found = begun()
        rated(found, better)
        evaluate(found.trial, NOW)
    return found


@pytest.fixture
def engineer(field: Field, signed_in: SignIn) -> Client:
    return signed_in(person("Noor", Role.ENGINEER, depot()))


@pytest.fixture
def mechanic(field: Field, signed_in: SignIn) -> Client:
    return signed_in(person("Mika", Role.MECHANIC, depot()))


def test_trials_are_listed_with_what_they_show(engineer: Client) -> None:
    shown = engineer.get("/field-trials").content.decode()
    assert "Dearer gearbox oil" in shown
    assert "interim: evaluated once, after 1 Dec 2026" in shown
    assert "better by" not in shown


def test_before_the_end_there_is_an_estimate_and_no_p(engineer: Client) -> None:
    shown = engineer.get(PAGE).content.decode()
    assert "no verdict yet" in shown
    assert "Difference so far +" in shown
    assert "once, at the end." in " ".join(shown.split())
    assert "; p 0" not in shown
    assert engineer.get(f"{PAGE}/charts/interval").status_code == 404


def test_after_the_end_it_is_evaluated_once_by_the_button(field: Field, engineer: Client) -> None:
    Trial.objects.update(ends_on=NOW.date() - timedelta(days=1))
    ended = engineer.get(PAGE).content.decode()
    assert "All sheets are in: evaluate now, once" in ended
    assert "once, when all sheets are in." in " ".join(ended.split())
    engineer.post(f"{PAGE}/change", {"change": "evaluate"})
    shown = engineer.get(PAGE).content.decode()
    assert "better by" in shown
    assert "evaluate now" not in shown
    assert engineer.get(f"{PAGE}/charts/interval").json()["data"]


def test_where_too_few_were_rated_the_end_gives_a_difference_alone(
    field: Field, engineer: Client
) -> None:
    TrialResult.objects.update(state="final", frozen_at=NOW, p_value=None, low=None, high=None)
    shown = engineer.get(PAGE).content.decode()
    assert "on the scale of 1 to 5; too few vehicles for an interval and p." in shown
    assert ("so far" in shown, "worked out once" in shown) == (False, False)


def test_a_supervisor_ends_it_early_and_the_page_says_so(field: Field, signed_in: SignIn) -> None:
    chief = signed_in(person("Sura", Role.SUPERVISOR, depot()))
    chief.post(f"{PAGE}/change", {"change": "end-early", "reason": "shavings found"})
    shown = chief.get(PAGE).content.decode()
    assert "ended early by Sura: shavings found" in shown
    assert "better by" in shown


def test_the_page_says_for_which_vehicles_it_can_pay(field: Field, engineer: Client) -> None:
    """All 16 run 100 km a day; their service has no calendar limit."""
    shown = engineer.get(PAGE).content.decode()
    told = "It can pay for 16 of 16 vehicles of the type, each counted in its own duty"
    assert f"{told}: 16 of 16 in normal duty." in shown


def test_one_trial_answers_the_sceptic(engineer: Client) -> None:
    shown = engineer.get(PAGE).content.decode()
    assert "What a sceptic would ask" in shown
    assert "never compared: any fresh fluid feels better" in shown
    assert "Pays if it lasts" in shown
    assert "not shown to last" in shown
    assert "Every vehicle that was drawn is compared." in shown


def test_the_headline_says_from_where_it_pays_in_each_duty(field: Field, engineer: Client) -> None:
    shown = engineer.get(PAGE).content.decode()
    headline = shown[shown.index("Pays if it lasts") :].split("</p>")[0]
    assert "in normal duty" in headline


def test_who_knows_the_products_is_offered_to_enter_what_a_driver_says(
    engineer: Client, mechanic: Client
) -> None:
    for page in ("/field-trials", PAGE):
        assert f'href="{PAGE}/rate"' in mechanic.get(page).content.decode()
    shown = engineer.get(PAGE).content.decode()
    assert f'href="{PAGE}/rate">Enter a driver' in shown
    assert '<details id="ratings-sheet" open>' in shown
    asked = engineer.get(f"{PAGE}/rate").content.decode()
    assert "your own rating would not be blind" in asked
    assert "usual-oil" not in asked.lower()
    assert "Usual oil" not in asked


def test_a_vehicle_whose_product_was_shown_is_not_offered(field: Field, mechanic: Client) -> None:
    who = Person.objects.get(role=Role.MECHANIC)
    Unblinded.objects.create(
        trial_vehicle=field.places[0], person=who, by="the job card", seen_at=NOW
    )
    shown = mechanic.get(f"{PAGE}/rate").content.decode()
    assert shown.count('name="vehicle"') == 15
    assert "1 vehicle is left out" in shown


def test_one_vehicle_is_no_plural() -> None:
    trend = {"p_value": None, "vehicles": 1, "bands": 3}
    result = TrialResult(details={"trends": dict.fromkeys(SIDES, trend)})
    assert trend_row(result).usual.startswith("not tested: 1 vehicle rated in all of 3 bands")


@pytest.mark.parametrize(("given", "none"), [(9, True), (8, True), (7, False)])
def test_nothing_is_missing_where_as_many_were_given_as_planned(given: int, none: bool) -> None:
    told = {"by standing": {"after run-in": given}, "expected so far": 8}
    assert none_missing(TrialResult(details={"ratings": dict.fromkeys(SIDES, told)})) is none


def test_who_is_missing_is_named(field: Field, engineer: Client) -> None:
    silent = field.places[0]
    silent.ratings.all().delete()
    engineer.post(f"{PAGE}/change", {"change": "evaluate"})
    shown = engineer.get(PAGE).content.decode()
    assert f"<dt>Never rated</dt><dd>{silent.vehicle.fleet_number}</dd>" in shown


@pytest.mark.parametrize("chart", ["run-in", "equal-age", "power", "cost"])
def test_every_chart_is_a_scatter_with_both_products(engineer: Client, chart: str) -> None:
    figure = engineer.get(f"{PAGE}/charts/{chart}").json()
    assert {trace["type"] for trace in figure["data"]} == {"scatter"}
    assert figure["data"]


def test_there_is_no_other_chart(engineer: Client) -> None:
    assert engineer.get(f"{PAGE}/charts/lab-copper").status_code == 404


def test_a_rater_sees_neither_product_nor_result(mechanic: Client) -> None:
    for page in ("/field-trials", PAGE, f"{PAGE}/rate"):
        shown = mechanic.get(page).content.decode()
        assert "Usual oil" not in shown
        assert "better by" not in shown
        assert ">A<" not in shown
        assert "Difference so far" not in shown
    assert "This trial is blinded" in mechanic.get(PAGE).content.decode()
    assert mechanic.get(f"{PAGE}/charts/equal-age").status_code == 404


def test_after_the_end_a_rater_sees_it_all(field: Field, mechanic: Client) -> None:
    Trial.objects.update(ends_on=NOW.date() - timedelta(days=1))
    evaluate(Trial.objects.get(), NOW)
    assert "better by" in mechanic.get(PAGE).content.decode()


def rating(field: Field, **changes: str) -> dict[str, str]:
    plain = {"vehicle": "V-1", "warmth": "cool", "value": "4", "client_key": "phone-key-1"}
    return plain | changes


def test_three_taps_make_a_rating(field: Field, mechanic: Client) -> None:
    shown = mechanic.get(f"{PAGE}/rate").content.decode()
    assert shown.count('name="vehicle"') == 16
    before = Rating.objects.count()
    answer = mechanic.post(f"{PAGE}/rate", rating(field), follow=True)
    assert "V-1 rated 4. Thank you." in answer.content.decode()
    kept = Rating.objects.latest("id")
    assert (kept.value, kept.warmth, kept.age_d is not None) == (4, "cool", True)
    assert Rating.objects.count() == before + 1


def test_a_second_rating_of_the_day_asks_whether_to_correct_the_first(
    field: Field, mechanic: Client
) -> None:
    before = Rating.objects.count()
    mechanic.post(f"{PAGE}/rate", rating(field))
    again = rating(field, client_key="another-key", value="2")
    asked = mechanic.post(f"{PAGE}/rate", again).content.decode()
    assert "already, 4; a day counts once. Correct it to 2?" in asked
    assert Rating.objects.count() == before + 1
    address, sent = form(asked, "corrects")
    mechanic.post(address, sent | {"corrects": "yes"})
    newest = Rating.objects.latest("pk")
    assert (newest.value, newest.corrects is not None) == (2, True)


def test_an_engineer_enters_one_rating_of_a_driver(field: Field, engineer: Client) -> None:
    asked = engineer.get(f"{PAGE}/rate").content.decode()
    assert "Driver's name" in asked or "Driver&#x27;s name" in asked
    given = rating(field, by="Ada", rated_on="2026-05-04")
    engineer.post(f"{PAGE}/rate", given)
    newest = Rating.objects.latest("pk")
    assert (newest.by, newest.rated_at.date().isoformat()) == ("Ada", "2026-05-04")
    nameless = engineer.post(f"{PAGE}/rate", rating(field, client_key="other-key"))
    assert nameless.status_code == 403


def test_the_same_tap_twice_is_one_rating(field: Field, mechanic: Client) -> None:
    before = Rating.objects.count()
    for _ in range(2):
        mechanic.post(f"{PAGE}/rate", rating(field))
    assert Rating.objects.count() == before + 1


@pytest.mark.parametrize("change", [{"vehicle": ""}, {"value": "6"}, {"client_key": ""}])
def test_a_tap_too_few_is_told(field: Field, mechanic: Client, change: dict[str, str]) -> None:
    before = Rating.objects.count()
    answer = mechanic.post(f"{PAGE}/rate", rating(field, **change), follow=True)
    assert "notice-error" in answer.content.decode()
    assert Rating.objects.count() == before


def test_a_viewer_does_not_rate_and_an_outsider_finds_nothing(
    field: Field, signed_in: SignIn
) -> None:
    viewer = signed_in(person("Vito", Role.VIEWER, depot()))
    assert viewer.get(f"{PAGE}/rate").status_code == 403
    assert viewer.get(PAGE).status_code == 200
    outsider = signed_in(person("Otto", Role.SUPERVISOR, depot("hill")))
    for page in (PAGE, f"{PAGE}/rate", f"{PAGE}/charts/power"):
        assert outsider.get(page).status_code == 404


def test_a_sheet_of_ratings_is_taken_in(field: Field, mechanic: Client) -> None:
    sheet = b"Fleet number,Date,Rating\nV-1,2026-03-01,4\nV-1,2026-03-02,9\n"
    answer = mechanic.post(
        f"{PAGE}/change",
        {"change": "ratings", "file": SimpleUploadedFile("r.csv", sheet)},
        follow=True,
    )
    shown = answer.content.decode()
    assert "1 taken, 0 repeated, 1 refused." in shown
    assert "Row 3: A rating is a whole number" in shown


def test_a_wrong_lab_sample_is_taken_back_by_the_page_and_stays_listed(
    field: Field, engineer: Client
) -> None:
    given = {"name": "Iron", "unit": "mg/kg", "high": "100", "source": "a data sheet"}
    engineer.post(f"{PAGE}/change", {"change": "property", **given})
    sheet = b"Fleet number,Date,Property,Value,Report\nV-1,2026-03-01,Iron,90,L-7\n"
    file = SimpleUploadedFile("s.csv", sheet)
    engineer.post(f"{PAGE}/change", {"change": "samples", "file": file})
    shown = engineer.get(PAGE).content.decode()
    where, fields = form(shown, 'value="take-back-sample"')
    assert fields["sample"] == ""
    said = engineer.post(where, {**fields, "change": "take-back-sample"}, follow=True)
    assert "Choose the sample that is wrong." in said.content.decode()
    pk = str(LabSample.objects.get().pk)
    assert re.search(rf'<option value="{pk}">V-1, 1 Mar 2026:\s+Iron 90.0 mg/kg, L-7', shown)
    sent = {**fields, "change": "take-back-sample", "sample": pk}
    said = engineer.post(where, sent, follow=True)
    assert "Say why the sample is wrong" in said.content.decode()
    told = engineer.post(where, {**sent, "reason": "of another van"}, follow=True).content.decode()
    assert "Taken back: Iron [mg/kg] 90 on 2026-03-01 of V-1." in told
    assert 'value="take-back-sample"' not in told
    gone = told.split("Lab samples taken back", 1)[1].split("</details>", 1)[0]
    assert "<s>V-1, 1 Mar 2026: Iron 90.0" in gone
    assert "of another van" in gone
    assert gather_samples(field.trial, NOW).value.tolist() == []


def test_days_set_apart_are_listed(field: Field, engineer: Client) -> None:
    engineer.post(
        f"{PAGE}/change",
        {"change": "exclude", "from": "2026-02-01", "until": "2026-02-07", "reason": "a strike"},
    )
    shown = engineer.get(PAGE).content.decode()
    assert "1 Feb 2026 to 7 Feb 2026, every vehicle: a strike" in shown


@pytest.mark.parametrize("change", ["evaluate", "exclude", "property", "samples", "approve"])
def test_a_mechanic_changes_nothing_of_a_trial(field: Field, mechanic: Client, change: str) -> None:
    posted = {
        **{"change": change, "from": "2026-02-01", "until": "2026-02-02", "reason": "x"},
        **{"name": "Iron", "unit": "mg/kg", "high": "100", "source": "x"},
        "file": SimpleUploadedFile("s.csv", b"Fleet number\nV-1\n"),
    }
    assert mechanic.post(f"{PAGE}/change", posted).status_code == 403


def test_what_is_not_shown_is_not_approved(field: Field, signed_in: SignIn) -> None:
    chief = signed_in(person("Sura", Role.SUPERVISOR, depot()))
    posted = {"change": "approve", "reason": "it feels fine"}
    answer = chief.post(f"{PAGE}/change", posted, follow=True)
    assert "A longer interval is not shown to last" in answer.content.decode()
    assert not field.trial.longer_intervals.exists()


def test_an_engineer_sets_up_a_trial(signed_in: SignIn) -> None:
    of, (usual, tried) = service(km=60_000), products()
    for number in range(8):
        van(f"N-{number}")
    of.vehicle_type.compartments.update(service_refill_l=1.5)
    posted = {
        **{"name": "A new oil", "service": of.pk, "usual": usual.pk, "tried": tried.pk},
        **{"usual_price": "12", "tried_price": "15.60", "starts_on": "2026-06-15"},
        **{"ends_on": "2027-06-15", "source": "price list", "difference": "1"},
        "assignment": "random",
    }
    client = signed_in(person("Noor", Role.ENGINEER, depot()))
    asked = client.post("/field-trials/set-up", posted, follow=True).content.decode()
    assert "8 vehicles can be compared" in asked
    assert 'value="A new oil"' in asked  # what was typed stays
    assert f'<option value="{tried.pk}" selected>' in asked
    assert not Trial.objects.exists()
    posted["few_because"] = "no more vans of the type"
    answer = client.post("/field-trials/set-up", posted, follow=True)
    assert "A new oil is set up with 8 vehicles." in answer.content.decode()
    assert Trial.objects.get().groups.get(tried=True).price_minor_per_l == 1_560
