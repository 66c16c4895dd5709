from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client

from fleet.dashboard.then_lines import Counted, ThenLine, counted, outcome_words, then_scale
from fleet.due.models import Service, ServiceDone
from fleet.hindcast.earlier import Earlier
from fleet.people.models import Person
from fleet.vehicles.models import Vehicle
from tests.cast import Cast
from tests.dashboard.years import years_of_readings

SignedIn = Callable[[Person], Client]
TODAY = date(2026, 11, 25)
ASKED = date(2026, 5, 25)
BAND = (date(2026, 8, 1), date(2026, 9, 1), date(2026, 10, 1))
FIXED = (date(2026, 9, 1),) * 3


def forecast(
    band: tuple[date | None, ...] = BAND,
    reached_on: date | None = None,
    inside: bool | None = None,
) -> Earlier:
    p10, p50, p90 = band
    return Earlier(ASKED, p10, p50, p90, reached_on=reached_on, done_on=None, inside=inside)


@pytest.mark.parametrize(
    ("then", "words"),
    [
        (forecast(reached_on=BAND[0]), "1 Aug 2026, between earliest and latest likely."),
        (forecast(reached_on=BAND[2]), "1 Oct 2026, between earliest and latest likely."),
        (forecast(reached_on=date(2026, 7, 31)), "31 Jul 2026, earlier than likely."),
        (forecast(reached_on=date(2026, 10, 2)), "2 Oct 2026, later than likely."),
        (forecast(), "Not reached yet: later than likely."),
        (forecast((*BAND[:2], TODAY)), "Not reached yet."),
        (forecast((*BAND[:2], None)), "Not reached yet."),
        (forecast(FIXED, FIXED[0]), "By calendar; that day has come."),
        (forecast(FIXED, BAND[0]), "another limit was reached 1 Aug 2026, before it."),
        (forecast((date(2027, 1, 1),) * 3), "By calendar; still to come."),
        (forecast((date(2026, 5, 1),) * 3), "Overdue already then."),
    ],
)
def test_what_happened_is_told_in_words(then: Earlier, words: str) -> None:
    assert outcome_words(then, TODAY).endswith(words)


def test_no_date_is_no_outcome() -> None:
    assert outcome_words(forecast((None, None, None)), TODAY) == ""


def line(then: Earlier) -> ThenLine:
    return ThenLine("Engine oil", True, then, "")


def test_only_decided_forecasts_with_a_band_are_counted() -> None:
    lines = [
        line(forecast(inside=True)),
        line(forecast(inside=False)),
        line(forecast(inside=None)),
        line(forecast(FIXED, inside=True)),
    ]
    assert counted(lines) == Counted(decided=2, inside=1)


def test_the_strip_marks_where_the_limit_was_reached() -> None:
    one = line(forecast(reached_on=BAND[1]))
    drawn = one.strip(then_scale([one], TODAY), TODAY)
    assert drawn.happened == drawn.tick
    assert drawn.text.endswith("Limit reached 1 Sep 2026.")


def test_the_scale_runs_from_the_oldest_question_to_the_last_band_or_four_months() -> None:
    scale = then_scale([line(forecast())], TODAY)
    assert (scale.start_on, scale.end_on) == (date(2026, 5, 15), date(2026, 12, 5))
    far = then_scale([line(forecast((*BAND[:2], date(2031, 1, 1))))], TODAY)
    assert far.end_on == date(2027, 3, 25)


def told(client: Client, fleet_number: str = "V-101") -> str:
    return client.get(f"/vehicles/{fleet_number}/then").content.decode()


def test_a_vehicle_shows_what_was_forecast_before(people: Cast, signed_in: SignedIn) -> None:
    years_of_readings(people)
    seen = told(signed_in(people.viewer))
    assert seen.count('data-label="Asked on"') == 3  # 3, 6 and 12 months ago
    assert seen.count('<svg class="strip" role="img"') == 3
    assert "Engine oil" in seen


def test_too_little_history_is_said_plainly(people: Cast, signed_in: SignedIn) -> None:
    Vehicle.objects.update(joined_as=Vehicle.JoinedAs.USED)
    seen = told(signed_in(people.viewer))
    assert seen.count("Not enough was known") == 3  # the service is known for 70 days only
    assert "No forecast with a band is decided yet" in seen


def test_a_type_without_services_is_told_so(people: Cast, signed_in: SignedIn) -> None:
    ServiceDone.objects.all().delete()
    Service.objects.all().delete()
    assert "no services with limits" in told(signed_in(people.viewer))


def test_vehicles_of_other_depots_are_not_found(people: Cast, signed_in: SignedIn) -> None:
    assert signed_in(people.viewer).get("/vehicles/V-201/then").status_code == 404


def test_the_vehicle_fetches_it_when_it_is_asked_for(people: Cast, signed_in: SignedIn) -> None:
    seen = signed_in(people.viewer).get("/vehicles/V-101").content.decode()
    assert 'hx-get="/vehicles/V-101/then"' in seen
