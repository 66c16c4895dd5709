"""From the first step of each app to today with rows in place: every row is there afterwards."""

import json
from pathlib import Path

import pytest

from tests.config.test_backup import done

# tables whose conditions ask for more than the kinds of their columns say, and what names them
NOT_BY_KIND = {
    *("due_deferral", "due_dueearlier", "due_fill", "due_limit", "visits_absence"),
    *("trials_excludedperiod", "trials_labproperty", "trials_labsample", "trials_longerinterval"),
    *("trials_rating", "trials_trial", "trials_trialevent", "trials_trialgroup"),
    *("trials_trialresult", "trials_trialvehicle", "workorders_material"),
}


@pytest.mark.any_database  # of its own, embedded
def test_rows_of_the_first_steps_are_there_today(tmp_path: Path) -> None:
    told = json.loads(done("tests.config.upgrading", data=tmp_path))
    assert told["kept"] == told["filled"]
    assert set(told["lacking"]) == NOT_BY_KIND
    assert len(told["filled"]) > 100
