from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.people.models import Person
from fleet.vehicles.models import ClimateMonth
from tests.cast import Cast

SignedIn = Callable[[Person], Client]


def days(extremes: str = "156,32") -> SimpleUploadedFile:
    on = [date(2025, 3, 1) + timedelta(days=at) for at in range(31)]
    text = "\n".join(["DATE,TMAX,TMIN", *(f"{day},{extremes}" for day in on)])
    return SimpleUploadedFile("days.csv", text.encode(), content_type="text/csv")


def test_a_file_of_days_becomes_months_of_the_depot(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    assert "No climate is entered" in client.get("/climate").content.decode()
    said = client.post("/climate/take-in", {"into": "plain", "file": days()}).content.decode()
    row = ClimateMonth.objects.get(depot=people.plain)
    assert (row.mean_daily_max_c, row.mean_daily_min_c) == (15.6, 3.2)
    assert "tenths of a degree" in said
    assert "file days.csv" in client.get("/climate").content.decode()


def test_a_month_of_every_year_is_named(people: Cast, signed_in: SignedIn) -> None:
    ClimateMonth.objects.create(
        depot=people.plain, month=3, mean_daily_max_c=15, mean_daily_min_c=3, source="made up"
    )
    assert "March, every year" in signed_in(people.supervisor).get("/climate").content.decode()


def test_a_file_that_cannot_be_is_answered_in_words(people: Cast, signed_in: SignedIn) -> None:
    sent = {"into": "plain", "file": days("95,71")}
    answer = signed_in(people.supervisor).post("/climate/take-in", sent)
    assert answer.status_code == 422
    assert "95 °C cannot be" in answer.content.decode()
    assert not ClimateMonth.objects.exists()


@pytest.mark.parametrize(("who", "status"), [("clerk", 403), ("viewer", 403), ("outsider", 404)])
def test_who_does_not_set_up_takes_in_no_climate(
    who: str, status: int, people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(getattr(people, who))
    assert client.post("/climate/take-in", {"into": "plain", "file": days()}).status_code == status
    assert "Take in a weather" not in client.get("/climate").content.decode() or who == "outsider"
    assert not ClimateMonth.objects.exists()
