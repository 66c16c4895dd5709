from datetime import date

import pytest

from fleet import chain
from fleet.due.explain import Explanation, explain, limit_words
from fleet.due.models import Limit, Service
from fleet.faults import Fault
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db


def explained(vehicle: Vehicle, service: Service) -> Explanation:
    chain.refresh([vehicle.pk], NOW)
    return explain(vehicle, service, NOW)


def test_it_names_the_last_service_the_limit_the_reading_and_what_binds() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    text = "\n".join(explained(vehicle, oil).lines)
    assert "Last done 2026-01-01 at 10,000 km (baseline: invented for the tests)." in text
    assert "Limit under normal duty: 20,000 km or 48 months, whichever first" in text
    assert "Last accepted reading 26,100 km on 2026-06-15, 0 days ago." in text
    assert "Limit reached first: the distance, certainly. Left: 3,900 km" in text


def test_an_unknown_history_says_what_would_settle_it() -> None:
    oil, vehicle = scene.service(), scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    found = explained(vehicle, oil)
    assert found.state == "history_unknown"
    assert any("baseline" in line for line in found.lines)


def test_a_start_of_use_is_named_as_the_beginning() -> None:
    oil = scene.service()
    vehicle = scene.van(joined_as="new", in_service_on=date(2026, 1, 15), in_service_km=12)
    scene.readings(vehicle, scene.steady(20, 700, 20))
    lines = explained(vehicle, oil).lines
    assert any("counted from the start of use on 2026-01-15 at 12 km" in line for line in lines)


def test_a_service_without_a_due_date_is_refused_with_a_remedy() -> None:
    oil, vehicle = scene.service(), scene.van()
    with pytest.raises(Fault, match="sumpwise nightly"):
        explain(vehicle, oil, NOW)


def test_every_line_ends_as_a_sentence() -> None:
    oil, vehicle = scene.service(km=20_000, months=48), scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(10_000, 700, 24))
    assert all(line.endswith(".") for line in explained(vehicle, oil).lines)


def test_limits_are_put_in_words() -> None:
    oil = scene.service(km=60_000, months=36)
    assert limit_words(oil.limits.get()) == "60,000 km or 36 months, whichever first"
    yearly = Limit(service=oil, yearly_month=10, yearly_day=1, source="x")
    assert limit_words(yearly) == "every year by 1 October"
