from argparse import Namespace
from datetime import timedelta

import pytest
from django.utils import timezone

from config.commands.nightly import run_night
from fleet.faults import Fault
from fleet.runs.models import Run
from tests import scene


@pytest.mark.django_db
def test_a_night_that_has_not_come_is_refused_with_the_newest_one() -> None:
    scene.depot("coast", zone="Europe/Lisbon")
    day = timezone.now().date() + timedelta(days=3)
    with pytest.raises(Fault, match="has not come in Europe/Lisbon: give "):
        run_night(Namespace(date=day, json=False))
    assert not Run.objects.exists()
