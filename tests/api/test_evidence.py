"""A vehicle's evidence as JSON and CSV, and the share of services done on time."""

import csv
from io import StringIO

from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day
from tests.dashboard.workshop import Workshop, finish, open_workshop
from tests.kept import kept

PACK = address("vehicles/<str:fleet_number>/evidence", fleet_number="V-101")
ON_TIME = address("on-time")


@kept
def shop(running: Cast) -> Workshop:
    """An order whose only job was done today, long before its limit."""
    made = open_workshop(running)
    finish(made)
    return made


def test_the_pack_holds_what_was_done_with_its_facts(shop: Workshop, call: Caller) -> None:
    (row,) = call(shop.people.viewer).get(PACK).json()["rows"]
    assert (row["service"], row["deviation"]) == ("Engine oil", "")
    facts = row["facts"]
    assert (facts["odometer"], facts["odometer_unit"]) == (10_700, "km")
    assert (facts["procedure_edition"], facts["state"]) == ("2024", "done")
    assert facts["limit_source"] == "invented for the tests"


def test_the_pack_as_csv_has_one_line_for_each_service(shop: Workshop, call: Caller) -> None:
    answer = call(shop.people.viewer).get(PACK, headers={"Accept": "text/csv"})
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    (row,) = csv.DictReader(StringIO(text))
    assert (row["service"], row["procedure_edition"]) == ("Engine oil", "2024")
    assert float(row["odometer"]) == 10_700


def test_what_is_done_within_the_limit_counts_as_on_time(shop: Workshop, call: Caller) -> None:
    (month,) = call(shop.people.viewer).get(ON_TIME).json()["rows"]
    assert (month["done"], month["within_limit"], month["within_tolerance"]) == (1, 1, 1)
    assert month["share_within_limit"] == month["share_within_tolerance"] == 1.0


def test_what_is_done_late_is_not_on_time(shop: Workshop, call: Caller) -> None:
    evidence = shop.job.evidence
    evidence.within_limit, evidence.within_tolerance = False, True
    evidence.save()
    (month,) = call(shop.people.viewer).get(ON_TIME).json()["rows"]
    assert (month["share_within_limit"], month["share_within_tolerance"]) == (0.0, 1.0)


def test_another_depot_sees_neither(shop: Workshop, call: Caller) -> None:
    assert call(shop.people.outsider).get(PACK).status_code == 404
    assert call(shop.people.outsider).get(ON_TIME).json()["rows"] == []


def test_a_span_turned_round_is_refused(shop: Workshop, call: Caller) -> None:
    today = str(depots_day())
    answer = call(shop.people.viewer).get(ON_TIME, {"from_on": today, "until_on": "2020-01-01"})
    assert answer.status_code == 400
