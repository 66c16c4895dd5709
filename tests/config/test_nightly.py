from argparse import Namespace
from datetime import timedelta

import pytest
from django.utils import timezone

from config.commands.nightly import run_night
from fleet.faults import Fault
from fleet.runs import ledger
from fleet.runs.models import Run
from fleet.today import today_at
from tests import scene


@pytest.mark.django_db
def test_a_night_that_has_not_come_is_refused_with_the_newest_one() -> None:
    scene.depot("coast", zone="Europe/Lisbon")
    day = timezone.now().date() + timedelta(days=3)
    with pytest.raises(Fault, match="has not come in Europe/Lisbon: give "):
        run_night(Namespace(date=day, json=False))
    assert not Run.objects.exists()


@pytest.mark.django_db
def test_a_zone_that_somebody_is_at_keeps_no_other_from_its_night(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for zone in ("Europe/Berlin", "Europe/Lisbon"):  # the first one is taken
        scene.depot(zone, zone=zone)
    today = today_at("Europe/Berlin", timezone.now())
    assert ledger.claim("night", today, "Europe/Berlin")
    assert run_night(Namespace(date=None, json=False)) == 1
    told = capsys.readouterr()
    assert f"night {today} Europe/Berlin is running already" in told.err
    assert "Europe/Berlin: running." in told.out
    assert "Europe/Lisbon: done." in told.out


@pytest.mark.django_db
def test_the_lease_of_a_process_that_is_gone_keeps_nobody_from_the_night() -> None:
    scene.depot("coast", zone="Europe/Lisbon")
    run = ledger.claim("night", today_at("Europe/Lisbon", timezone.now()), "Europe/Lisbon")
    assert run
    Run.objects.update(owner=" ".join([*run.owner.split()[:3], "1"]))  # began long before
    assert run_night(Namespace(date=None, json=False)) == 0
    run.refresh_from_db()
    assert (run.state, run.attempts) == ("done", 2)
