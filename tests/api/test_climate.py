"""A weather service's file by page, command and API: one verb, the same rows, the same refusals."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from config import cli
from fleet.vehicles.models import ClimateMonth
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast

NAME = "days.csv"
CLIMATE = address("depots/<slug:depot>/climate", depot="plain")
# March in two years and 19 days of April 2026, by hand: 15.6 and 3.2, 20 and 9 degrees
DAYS = [(date(2025, 3, 1) + timedelta(days=at), "156,32") for at in range(31)]
DAYS += [(date(2026, 3, 1) + timedelta(days=at), "200,90") for at in range(50)]
FILE = "\n".join(["DATE,TMAX,TMIN", *(f"{on},{extremes}" for on, extremes in DAYS)])
KEPT = [(2025, 3, 15.6, 3.2), (2026, 3, 20.0, 9.0)]


def upload(text: str = FILE) -> SimpleUploadedFile:
    return SimpleUploadedFile(NAME, text.encode(), content_type="text/csv")


def by_api(people: Cast, call: Caller, text: str, tmp_path: Path) -> Any:
    return call(people.supervisor).post(CLIMATE, {"file": upload(text)}, format="multipart")


def by_page(people: Cast, call: Caller, text: str, tmp_path: Path) -> Any:
    client = Client()
    client.force_login(people.supervisor)
    return client.post("/climate/take-in", {"into": "plain", "file": upload(text)})


def by_command(people: Cast, call: Caller, text: str, tmp_path: Path) -> Any:
    path = tmp_path / NAME
    path.write_text(text)
    return cli.main(["climate", str(path), "--depot", "plain"])


def rows() -> list[tuple[object, ...]]:
    found = ClimateMonth.objects.order_by("year", "month")
    return list(
        found.values_list(
            *("depot__slug", "year", "month", "mean_daily_max_c", "mean_daily_min_c", "source")
        )
    )


WAYS = [by_api, by_page, by_command]


@pytest.mark.parametrize("way", WAYS)
def test_each_year_of_a_file_keeps_its_own_months_by_every_way(
    way: Callable[..., Any], running: Cast, call: Caller, tmp_path: Path
) -> None:
    way(running, call, FILE, tmp_path)
    source = f"daily extremes, file {NAME}, 2025-03-01 to 2026-04-19"
    assert rows() == [("plain", *month, source) for month in KEPT]


@pytest.mark.parametrize("way", WAYS)
def test_a_file_with_a_day_that_cannot_be_keeps_nothing_by_any_way(
    way: Callable[..., Any],
    running: Cast,
    call: Caller,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    answer = way(running, call, FILE.replace("2025-03-05,156,32", "2025-03-05,30,32"), tmp_path)
    said = capsys.readouterr().err if answer == 1 else answer.content.decode()
    assert "Row 6: TMAX lies below TMIN" in said  # the heading is row 1, the 1st of March row 2
    assert rows() == []


def test_the_api_tells_what_became_of_each_month(
    running: Cast, call: Caller, tmp_path: Path
) -> None:
    answer = by_api(running, call, FILE, tmp_path)
    told = answer.json()
    assert (answer.status_code, told["tenths"]) == (200, True)
    assert [(one["month"], one["days"], one["outcome"]) for one in told["months"]] == [
        ("2025-03", 31, "new"),
        ("2026-03", 31, "new"),
        ("2026-04", 19, "refused"),
    ]
    again = by_api(running, call, FILE, tmp_path).json()
    assert [one["outcome"] for one in again["months"]] == ["unchanged", "unchanged", "refused"]
    listed = call(running.viewer).get(CLIMATE).json()["rows"]
    assert [(row["year"], row["mean_daily_max_c"]) for row in listed] == [(2026, 20), (2025, 15.6)]


def test_sent_again_under_its_key_it_is_answered_as_before(running: Cast, call: Caller) -> None:
    def send(text: str) -> Any:
        given = {"file": upload(text)}
        headers = {"Idempotency-Key": "climate-1"}
        return supervisor.post(CLIMATE, given, format="multipart", headers=headers)

    supervisor = call(running.supervisor)
    first, again = send(FILE), send(FILE)
    assert (again.json(), again["Idempotency-Replayed"]) == (first.json(), "true")
    assert send(FILE.replace("156", "157", 1)).status_code == 422


def test_without_a_file_it_says_what_is_missing(running: Cast, call: Caller) -> None:
    answer = call(running.supervisor).post(CLIMATE, {}, format="multipart")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/file")
