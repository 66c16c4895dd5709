"""From the first step of each app to today with rows in place: every row is there afterwards, and
once the night was, the fleet agrees with itself."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from config.settings import SERVED
from tests.config.test_backup import done
from tests.served.conftest import new_database

# tables whose conditions ask for more than the kinds of their columns say, and what names them
NOT_BY_KIND = {
    *("due_deferral", "due_dueearlier", "due_fill", "due_limit", "visits_absence"),
    *("trials_excludedperiod", "trials_labproperty", "trials_labsample", "trials_longerinterval"),
    *("trials_rating", "trials_trial", "trials_trialevent", "trials_trialgroup"),
    *("trials_trialresult", "trials_trialvehicle", "workorders_material"),
}


@pytest.fixture
def where() -> Iterator[dict[str, str]]:
    """An empty database of the kind that the tests run on."""
    if not SERVED:
        yield {}
        return
    with new_database() as address:
        yield {"SUMPWISE_DATABASE_URL": address, "SUMPWISE_SECRET_KEY": "k" * 50}


def test_rows_of_the_first_steps_are_there_today_and_agree(
    tmp_path: Path, where: dict[str, str]
) -> None:
    told = json.loads(done("tests.config.upgrading", data=tmp_path, **where))
    assert told["kept"] == told["filled"]
    assert set(told["lacking"]) == NOT_BY_KIND
    assert len(told["filled"]) > 100
    done("config", "nightly", "--date", "2026-03-03", data=tmp_path, **where)
    checked = json.loads(done("config", "check", "--json", data=tmp_path, **where))
    assert [one["detail"] for one in checked if not one["ok"]] == []
