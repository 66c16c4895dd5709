"""Each person reads sums of fluid and temperatures in units of their own; what is typed stays."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.dashboard.shown_units import (
    OfReader,
    as_typed,
    fluid_unit,
    temperature_unit,
    torque,
    torque_beside,
    torques_in_text,
)
from fleet.due.models import CheckFigure, CheckResult
from fleet.people import manage
from fleet.people.manage import PersonFault
from fleet.people.models import Person
from fleet.vehicles.models import ClimateMonth
from tests.cast import Cast
from tests.dashboard.forms import forms_of
from tests.dashboard.test_overview import text
from tests.dashboard.workshop import INVENTED, Workshop
from tests.stores import shelf

AS_THEY_ARE = {"fluid_unit": "L", "temperature_unit": "°C", "torque_unit": "N·m"}
SignedIn = Callable[[Person], Client]


def choose(client: Client, **chosen: str) -> str:
    """What one reads in, through the form of the page."""
    seen = client.get("/people-and-tokens").content.decode()
    (form,) = [one for one in forms_of(seen) if one.action.endswith("/read-in")]
    kept = {one.name: one.sent for one in form.selects}
    assert kept == {"fluid_unit": "L", "temperature_unit": "°C", "torque_unit": "N·m"}
    answer = client.post(form.action, {**form.sent, **kept, **chosen}, follow=True)
    return answer.content.decode()


def test_everybody_chooses_for_themselves(people: Cast, signed_in: SignedIn) -> None:
    client, before = signed_in(people.mechanic), people.mechanic.history.count()
    said = choose(client, fluid_unit="US qt", temperature_unit="°F", torque_unit="lbf·ft")
    assert "Sums of fluid in US quarts, temperatures in °F, torques in lbf·ft." in said
    people.mechanic.refresh_from_db()
    assert (people.mechanic.fluid_unit, people.mechanic.temperature_unit) == ("US qt", "°F")
    people.supervisor.refresh_from_db()
    assert people.supervisor.fluid_unit == "L"
    assert people.mechanic.history.count() == before + 1


def test_the_same_again_leaves_no_history(people: Cast) -> None:
    before = people.mechanic.history.count()
    manage.read_in(people.mechanic, **AS_THEY_ARE)
    assert people.mechanic.history.count() == before


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"fluid_unit": "gal"}, "read in L or US qt"),
        ({"temperature_unit": "K"}, "read in °C or °F"),
        ({"torque_unit": "kgf·m"}, "read in N·m or lbf·ft"),
    ],
)
def test_no_other_unit_is_taken(people: Cast, given: dict[str, str], said: str) -> None:
    with pytest.raises(PersonFault, match=said):
        manage.read_in(people.mechanic, **{**AS_THEY_ARE, **given})


def test_stock_is_read_in_quarts_and_typed_in_litres(people: Cast, signed_in: SignedIn) -> None:
    shelf.stock(shelf.item("gear-oil"), people.plain, on_hand=9_463)
    client = signed_in(people.supervisor)
    # a shelf is read to a tenth of a litre
    assert "9.5 L" in text(client.get("/stock").content.decode()).replace("\u00a0", " ")
    choose(client, fluid_unit="US qt")
    # 1 US liquid quart is 0.946353 L (NIST SP 811, B.8): 9.463 L are 10.00 of them
    seen = text(client.get("/stock").content.decode()).replace("\u00a0", " ")
    assert "10 US qt" in seen
    assert "9.5 L" not in seen
    assert fluid_unit() == "L"  # once it is answered, nobody looks


def test_the_climate_is_read_in_fahrenheit(people: Cast, signed_in: SignedIn) -> None:
    ClimateMonth.objects.create(
        depot=people.plain, month=7, mean_daily_max_c=35, mean_daily_min_c=-40, source=INVENTED
    )
    client = signed_in(people.supervisor)
    choose(client, temperature_unit="°F")
    seen = text(client.get("/climate").content.decode())
    # 35 °C are 95 °F, and at -40 both scales agree: by the definition of the scale
    assert "Mean maximum [°F]" in seen
    assert "95.0" in seen
    assert "−40.0" in seen
    assert temperature_unit() == "°C"


def test_a_measured_temperature_is_read_with_its_limits(
    shop: Workshop, signed_in: SignedIn
) -> None:
    for unit, slug in (("°C", "boiling"), ("%", "water")):
        figure = CheckFigure.objects.create(
            service=shop.oil, slug=slug, name=slug, unit=unit, pass_from=180, watch_from=155,
            source=INVENTED,
        )  # fmt: skip
        CheckResult.objects.create(
            vehicle=shop.people.van, figure=figure, value=200, outcome="pass",
            measured_at=timezone.now(), client_key=slug,
        )  # fmt: skip
    client = signed_in(shop.people.supervisor)
    choose(client, temperature_unit="°F")
    seen = text(client.get("/vehicles/V-101").content.decode()).replace("\u202f", " ")
    # by hand, 9/5 of it and 32 more: 200 → 392, 180 → 356, 155 → 311
    assert "boiling 392 °F passes from 356 °F, to be watched from 311 °F, fails below" in seen
    assert "water 200 % passes from 180 %, to be watched from 155 %, fails below" in seen


NM, LBFFT = "N·m", "lbf·ft"
PLUG_NM = 39.31872  # 29 lbf·ft of 1.355818 N·m (NIST SP 811, B.8)


def as_read(unit: str, tell: Callable[[], Any]) -> str:
    """What is told to whoever reads torques in a unit."""
    request: Any = SimpleNamespace(user=SimpleNamespace(torque_unit=unit))
    return str(OfReader(lambda _: tell())(request)).replace("\u202f", " ")


@pytest.mark.parametrize(
    ("unit", "one", "sentence"),
    [
        (NM, "39.3 N·m", "Above 39.3 N·m: 20 to 100 N·m is its range."),
        (
            LBFFT,
            "29 lbf·ft (39.3 N·m)",
            # by hand, each over 1.355818: 28.99, 14.75 and 73.76
            "Above 29 lbf·ft (39.3 N·m): 14.8 to 73.8 lbf·ft (20 to 100 N·m) is its range.",
        ),
    ],
)
def test_a_torque_is_told_in_newton_metres_or_with_them_beside(
    unit: str, one: str, sentence: str
) -> None:
    assert as_read(unit, lambda: torque(PLUG_NM)) == one
    said = "Above 39.3 N·m: 20 to 100 N·m is its range."
    assert as_read(unit, lambda: torques_in_text(said)) == sentence


@pytest.mark.parametrize(
    ("unit", "stated", "beside"),
    [(NM, NM, "29 lbf·ft"), (NM, LBFFT, "29 lbf·ft"), (LBFFT, NM, "39.3 N·m")]
    + [(LBFFT, LBFFT, "39.3 N·m"), (LBFFT, "kgf·m", "39.3 N·m, 4 kgf·m")],  # 39.31872 / 9.80665
)
def test_beside_a_torque_stands_what_whoever_looks_does_not_read_already(
    unit: str, stated: str, beside: str
) -> None:
    assert as_read(unit, lambda: torque_beside(PLUG_NM, None, stated)) == beside


@pytest.mark.parametrize(
    ("unit", "typed", "told"),
    [
        (NM, "39.3 N·m", ""),
        (NM, "29 lbf·ft", " as typed: 29 lbf·ft"),
        (LBFFT, "29 lbf·ft", ""),
        (LBFFT, "39.3 N·m", " as typed: 39.3 N·m"),
        (LBFFT, "", ""),
    ],
)
def test_how_a_torque_was_typed_is_told_where_it_reads_otherwise(
    unit: str, typed: str, told: str
) -> None:
    assert as_read(unit, lambda: as_typed(typed, PLUG_NM)) == told
