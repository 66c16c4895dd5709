"""What stands beside a held reading; the vans drive about 700 km a week, invented here."""

from datetime import timedelta

import pytest

from fleet import chain
from fleet.readings.beside import Beside, Meant, beside, likely_meant
from fleet.readings.models import Reading
from fleet.vehicles.models import Meter
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db
WEEK = timedelta(days=7)
GOOD = [*scene.steady(10_000, 700, 20), 24_100]  # 23,300 last, then 24,100 a week late


def seen(typed: float, following: float | None = None, last: int = 20) -> tuple[Reading, Beside]:
    """A value typed a week after 23,300 km, and perhaps another one a week later."""
    vehicle = scene.van()
    scene.readings(vehicle, [*scene.steady(10_000, 700, last), typed])
    chain.refresh([vehicle.pk], NOW)
    if following is not None:
        scene.readings(vehicle, [following], until=NOW + WEEK)
        chain.refresh([vehicle.pk], NOW + WEEK)
    reading = Reading.objects.get(value=typed)
    return reading, beside([reading.pk])[reading.pk]


def test_neighbours_and_what_was_expected_stand_beside_a_reading() -> None:
    _, found = seen(23_100, 24_700)
    assert found.before is not None
    assert found.after is not None
    assert (found.before.value, found.before.taken_at) == (23_300, NOW - WEEK)
    assert (found.after.value, found.after.taken_at) == (24_700, NOW + WEEK)
    assert found.expected == pytest.approx(24_000)  # half way from 23,300 to 24,700


def test_without_a_reading_after_the_rate_so_far_tells_what_was_expected() -> None:
    _, found = seen(23_100)
    assert found.after is None
    assert found.expected == pytest.approx(24_000, abs=60)


@pytest.mark.parametrize(
    ("typed", "reason", "meant"),
    [
        (14_010, "wrong_digit", 24_010),  # the first digit mistaken
        (21_010, "wrong_digit", 24_010),
        (2_401, "last_digit_lost", 24_005),
        (2_010, "digit_lost", 24_010),  # the 4 left out: 2_010 of 24_010
    ],
)
def test_a_low_slip_that_the_next_reading_disproves_is_named_with_its_suggestion(
    typed: float, reason: str, meant: float
) -> None:
    reading, found = seen(typed, 24_700)
    assert (found.reason, reading.verdict) == (reason, reading.verdict)
    assert found.suggestion == pytest.approx(meant, abs=12)


def test_before_the_next_reading_the_judges_word_stands() -> None:
    reading, found = seen(14_010)
    assert (reading.reason, found.reason, found.shown_by_next) == (
        "rolled_back",
        "rolled_back",
        False,
    )


def test_a_meter_that_goes_on_from_the_new_value_is_no_slip() -> None:
    reading, found = seen(40, 740)
    assert (reading.reason, found.shown_by_next) == ("new_meter", False)


def test_every_candidate_fits_between_its_neighbours_and_is_named_once() -> None:
    _, found = seen(23_010, 24_700)
    values = [one.value for one in found.candidates]
    assert values
    assert all(23_299 <= value <= 24_700 for value in values)
    assert len({round(value, -1) for value in values}) == len(values)
    assert pytest.approx(24_010) in values  # 3 for 4


def test_a_first_reading_has_nothing_beside_it() -> None:
    vehicle = scene.van()
    scene.readings(vehicle, [-5])
    chain.refresh([vehicle.pk], NOW)
    found = beside(list(Reading.objects.values_list("pk", flat=True)))
    (only,) = found.values()
    assert (only.before, only.after, only.expected, only.candidates) == (None, None, None, ())


def test_the_numbers_are_those_of_the_instrument_after_a_replaced_meter() -> None:
    vehicle = scene.van()
    meter = Meter.objects.get(vehicle=vehicle)
    meter.changes.create(from_at=NOW - 100 * WEEK, offset=100_000, note="invented")
    scene.readings(vehicle, [*scene.steady(10_000, 700, 20), 23_100])
    chain.refresh([vehicle.pk], NOW)
    odd = Reading.objects.get(value=23_100)
    found = beside([odd.pk])[odd.pk]
    assert found.before is not None
    assert (found.before.value, found.offset) == (23_300, 100_000)


# 124,010 could be one wrong digit, too; of 55,510 the judge knows no slip
@pytest.mark.parametrize("before", [100_000, 31_500])
def test_a_total_given_for_a_replaced_meter_is_told_with_what_the_meter_shows(before: int) -> None:
    vehicle = scene.van()
    meter = Meter.objects.get(vehicle=vehicle)
    meter.changes.create(from_at=NOW - 100 * WEEK, offset=before, note="invented")
    scene.readings(vehicle, [*scene.steady(10_000, 700, 20), before + 24_010])
    chain.refresh([vehicle.pk], NOW)
    odd = Reading.objects.get(value=before + 24_010)
    found = beside([odd.pk])[odd.pk]
    assert odd.verdict != "accepted"
    assert (found.reason, found.suggestion) == ("total_given", 24_010)
    assert found.candidates[0] == Meant("total_given", 24_010)


@pytest.mark.parametrize(("typed", "meant"), [(24.01, 24_010), (24.5, 24_500), (24, 24_000)])
def test_thousands_of_km_are_what_was_likely_meant(typed: float, meant: float) -> None:
    reading, found = seen(typed)
    assert (found.reason, found.suggestion) == ("in_thousands", meant)
    assert found.candidates[0] == Meant("in_thousands", meant)
    assert likely_meant(reading) == meant


@pytest.mark.parametrize(
    "typed",
    [
        23.2,  # below the reading before
        26.1,  # 2,100 km more than expected
        1_024.0,  # a thousandfold is beyond every meter
    ],
)
def test_a_thousandfold_far_from_what_is_expected_is_not_suggested(typed: float) -> None:
    _, found = seen(typed)
    assert found.reason != "in_thousands"


# By hand: 100 km a day for 140 days, older days fading with a half-life of 90 days, weigh 84 days;
# with a spread of .4 the rate is known to 1 / (6.25 + 84 / 8) = .06 of its square, drift adds
# .06, and days scatter by .5: (2 · .5 + .12 · 7) · 7 + .09 = 13 days², 360 km, 2.5 times 900 km.
def test_from_where_to_where_a_value_is_likely_stands_beside_it() -> None:
    _, found = seen(39_900)
    assert found.likely == (pytest.approx(23_300, abs=200), pytest.approx(24_900, abs=100))


def test_what_the_vehicle_could_reach_but_nobody_expects_is_not_offered() -> None:
    reading, found = seen(36_000)  # one digit wrong: 26,000, 2,700 km in a week
    assert (found.candidates, found.suggestion, reading.suggestion) == ((), None, None)


def test_an_accepted_reading_was_meant_as_it_stands() -> None:
    assert likely_meant(seen(24_010)[0]) is None


@pytest.mark.parametrize(
    ("suggestion", "expected", "contested"),
    [
        (41_555, 41_512, True),  # 43 off where 41,515 is 3 off
        (41_515, 41_512, False),
        (41_509, 41_512, False),  # as near
        (None, 41_512, False),
        (41_555, None, False),
    ],
)
def test_a_suggestion_is_contested_by_a_value_nearer_to_what_is_expected(
    suggestion: float | None, expected: float | None, contested: bool
) -> None:
    meant = (Meant("last_digit_lost", 41_555), Meant("digit_lost", 41_515))
    found = Beside(
        unit="km",
        before=None,
        after=None,
        expected=expected,
        likely=None,
        candidates=meant,
        reason="last_digit_lost",
        suggestion=suggestion,
        shown_by_next=False,
        offset=0,
        top_per_day=900,
        grain=1,
    )
    assert found.contested is contested
