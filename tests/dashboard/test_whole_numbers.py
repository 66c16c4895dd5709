"""What a form or an address names a row by may be anything that somebody types."""

import pytest
from django.test import Client
from django.urls import reverse

from fleet.dashboard.whole_numbers import whole_number, whole_numbers
from fleet.people.models import Role
from tests.cast import person

ENDLESS = "9" * 5000  # Python itself refuses to read so many digits at once


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("17", 17),
        ("0", 0),
        ("", 0),
        ("-3", 0),
        ("1.5", 0),
        ("²", 0),
        ("9" * 18, 10**18 - 1),
        ("1" + "0" * 18, 0),
        (ENDLESS, 0),
    ],
)
def test_a_number_or_none(text: str, number: int) -> None:
    assert whole_number(text) == number


def test_what_is_no_number_is_not_chosen() -> None:
    assert whole_numbers(["4", "x", "", "2"]) == [4, 2]


@pytest.mark.django_db
def test_a_person_of_endless_digits_is_nobody() -> None:
    page = Client()
    page.force_login(person("Sura", Role.SUPERVISOR))
    asked = {"person": ENDLESS, "label": "x", "days": "5"}
    assert page.post(reverse("add-token"), asked).status_code == 404
