"""Field trials through the API: blinded raters, records once, the result as promised."""

import pytest
from django.utils import timezone

from fleet.people.models import Role
from fleet.trials.lab import gather_samples
from fleet.trials.models import LabSample, Rating, Trial
from tests.api.conftest import Caller
from tests.cast import Cast, person

RATING = {"client_key": "a-phone-1", "vehicle": "V-101", "value": 4, "warmth": "cool"}


@pytest.fixture
def base(there: dict[str, object]) -> str:
    return f"/api/v1/trials/{there['trial']}"


@pytest.mark.parametrize(("role", "knows"), [("mechanic", False), ("engineer", True)])
def test_raters_see_neither_letters_nor_products_and_the_engineer_does(
    running: Cast, base: str, call: Caller, role: Role, knows: bool
) -> None:
    shown = call(person("Case", role, running.plain)).get(base).json()
    assert [group["letter"] for group in shown["groups"]] == (["A", "B"] if knows else [])
    assert shown["taking_part"] == ["V-101", "V-102"]


def test_raters_get_no_result_before_the_end(running: Cast, base: str, call: Caller) -> None:
    answer = call(running.mechanic).get(f"{base}/result")
    assert answer.status_code == 403
    assert "raters see its result after its end" in answer.json()["detail"]
    Trial.objects.update(starts_on="1999-01-01", ends_on="2000-01-01")
    assert call(running.mechanic).get(f"{base}/result").status_code == 200


def test_after_its_end_everybody_knows(running: Cast, base: str, call: Caller) -> None:
    trial = Trial.objects.get()
    Trial.objects.update(ends_on=trial.starts_on.replace(year=2000), starts_on="1999-01-01")
    shown = call(running.mechanic).get(base).json()
    assert {group["product"] for group in shown["groups"]} == {"oil-one", "oil-two"}


def test_a_result_has_the_promised_keys(running: Cast, base: str, call: Caller) -> None:
    shown = call(running.viewer).get(f"{base}/result").json()
    assert set(shown) == {
        *("trial", "as_of_on", "difference", "low", "high", "p_value", "verdict"),
        *("vehicles_needed", "break_even_km", "unequal_start", "state"),
        *("ended_reason", "can_pay", "cannot_pay", "confounds"),
    }
    assert (shown["state"], shown["p_value"], shown["low"]) == ("interim", None, None)


def test_who_knows_the_product_does_not_rate_for_themselves(
    running: Cast, base: str, call: Caller
) -> None:
    engineer = call(person("Noor", Role.ENGINEER, running.plain))
    answer = engineer.post(f"{base}/ratings", {"rows": [RATING]}, format="json")
    assert answer.status_code == 403
    assert "your own rating would not be blind" in answer.json()["detail"]
    of_a_driver = RATING | {"by": "Dana"}
    answer = engineer.post(f"{base}/ratings", {"rows": [of_a_driver]}, format="json")
    assert answer.status_code == 201


def test_a_negative_laboratory_value_is_one_sentence(
    running: Cast, base: str, call: Caller
) -> None:
    row = {
        **{"client_key": "sample-1", "vehicle": "V-101", "property": "iron", "value": -1},
        **{"drawn_on": str(Trial.objects.get().starts_on), "report": "L-1"},
    }
    engineer = call(person("Noor", Role.ENGINEER, running.plain))
    answer = engineer.post(f"{base}/samples", {"rows": [row]}, format="json")
    assert answer.status_code == 422
    assert "Iron cannot be below 0 mg/kg" in answer.json()["detail"]
    assert not LabSample.objects.filter(client_key="sample-1").exists()


def test_a_rating_sent_twice_is_there_once(running: Cast, base: str, call: Caller) -> None:
    client = call(running.mechanic)
    answers = [client.post(f"{base}/ratings", {"rows": [RATING]}, format="json") for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert Rating.objects.get().person == running.mechanic


def test_a_second_rating_of_the_day_is_asked_about_and_corrects_the_first(
    running: Cast, base: str, call: Caller
) -> None:
    mechanic = call(running.mechanic)
    mechanic.post(f"{base}/ratings", {"rows": [RATING]}, format="json")
    again = RATING | {"client_key": "a-phone-2", "value": 2}
    asked = mechanic.post(f"{base}/ratings", {"rows": [again]}, format="json")
    assert asked.status_code == 409
    assert "a day counts once. Correct it to 2?" in asked.json()["detail"]
    assert set(asked.json()["to_go_on"]) == {"corrects"}
    answer = mechanic.post(f"{base}/ratings", {"rows": [again | {"corrects": True}]}, format="json")
    assert answer.status_code == 201
    assert list(Rating.objects.filter(corrected_by=None).values_list("value", flat=True)) == [2]


def test_another_rating_under_the_same_key_is_refused(
    running: Cast, base: str, call: Caller
) -> None:
    client = call(running.mechanic)
    client.post(f"{base}/ratings", {"rows": [RATING]}, format="json")
    answer = client.post(f"{base}/ratings", {"rows": [RATING | {"value": 1}]}, format="json")
    assert answer.status_code == 409
    assert Rating.objects.get().value == 4


def test_all_rows_are_taken_or_none(running: Cast, base: str, call: Caller) -> None:
    rows = [RATING, RATING | {"client_key": "a-phone-2", "vehicle": "V-201"}]
    answer = call(running.mechanic).post(f"{base}/ratings", {"rows": rows}, format="json")
    assert answer.status_code == 400
    assert "No vehicle V-201 of your depots" in answer.json()["detail"]
    assert not Rating.objects.exists()


def test_a_sample_needs_a_property_of_the_trial(running: Cast, base: str, call: Caller) -> None:
    row = {
        **{"client_key": "sample-1", "vehicle": "V-101", "property": "copper", "value": 1},
        **{"drawn_on": str(Trial.objects.get().starts_on), "report": "L-1"},
    }
    engineer = call(person("Noor", Role.ENGINEER, running.plain))
    answer = engineer.post(f"{base}/samples", {"rows": [row]}, format="json")
    assert "it has iron" in answer.json()["detail"]
    row["property"] = "iron"
    assert engineer.post(f"{base}/samples", {"rows": [row]}, format="json").status_code == 201
    assert LabSample.objects.get(client_key="sample-1").report == "L-1"


def test_a_sample_is_taken_back_once_with_a_reason_and_counts_no_more(
    running: Cast, base: str, call: Caller
) -> None:
    on = str(Trial.objects.get().starts_on)
    row = {
        **{"client_key": "sample-1", "vehicle": "V-101", "property": "iron", "value": 90},
        **{"drawn_on": on, "report": "L-1"},
    }
    engineer = call(person("Noor", Role.ENGINEER, running.plain))
    engineer.post(f"{base}/samples", {"rows": [row]}, format="json")
    sample = LabSample.objects.get(client_key="sample-1")
    where = f"{base}/samples/{sample.pk}/take-back"
    assert call(running.mechanic).post(where, {"reason": "x"}, format="json").status_code == 403
    assert engineer.post(where, {"reason": " "}, format="json").status_code in (400, 422)
    answer = engineer.post(where, {"reason": "of another van"}, format="json")
    assert (answer.status_code, answer.json()["taken_back_because"]) == (200, "of another van")
    again = engineer.post(where, {"reason": "of another van"}, format="json")
    assert again.status_code == 409
    sample.refresh_from_db()
    assert (sample.value, str(sample.taken_back_by)) == (90, "Noor")
    left = gather_samples(Trial.objects.get(), timezone.now()).value.tolist()
    assert 90.0 not in left
    right = row | {"client_key": "sample-2", "value": 9}
    assert engineer.post(f"{base}/samples", {"rows": [right]}, format="json").status_code == 201
