from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet.dashboard.run_words import COUNT_WORDS, SHARE_WORDS, count_words
from fleet.people.models import Person
from fleet.readings.models import Upload
from fleet.runs.ledger import record_failure
from fleet.runs.models import Run
from tests.cast import Cast

SignedIn = Callable[[Person], Client]


def test_runs_show_state_counts_and_errors(people: Cast, signed_in: SignedIn) -> None:
    Run.objects.create(
        job="night",
        on=date(2026, 3, 1),
        state="done",
        counts={"due dates": 1234, "usage states": 0},
    )
    Run.objects.create(job="night", on=date(2026, 3, 2), state="failed", error="disk is full")
    seen = signed_in(people.viewer).get("/runs").content.decode()
    assert "1,234 due dates worked out anew" in seen
    assert "usage states" not in seen
    assert "disk is full" in seen


def test_runs_and_uploads_are_told_by_the_clock_of_the_depot(
    people: Cast, signed_in: SignedIn
) -> None:
    # Berlin is an hour ahead of UTC in winter and two in summer (IANA time zone database)
    began = datetime(2026, 7, 1, 22, 30, tzinfo=UTC)
    Run.objects.create(job="night", on=date(2026, 7, 2), state="done", started_at=began)
    upload = Upload.objects.create(
        name="yard.csv", hash="0" * 64, size_bytes=1, person=people.clerk
    )
    Upload.objects.update(received_at=began)
    client = signed_in(people.clerk)
    for address in ("/runs", "/readings", f"/readings/uploads/{upload.pk}"):
        seen = client.get(address).content.decode()
        assert ("00:30" in seen, "clock of Plain" in seen, "UTC" in seen) == (True, True, False)


def test_what_went_wrong_outside_any_work_has_its_moment_and_no_attempts(
    people: Cast, signed_in: SignedIn
) -> None:
    """By the clock of Berlin, an hour ahead of UTC in winter."""
    record_failure("pages process", datetime(2026, 1, 9, 7, 9, 0, 542831, tzinfo=UTC), "it ended")
    seen = signed_in(people.supervisor).get("/runs").content.decode()
    row = seen.split("<tbody>", 1)[1].split("</tr>", 1)[0]
    assert "Pages process" in row
    assert "9 Jan 2026, 08:09" in row
    assert ("attempts" in row, "542831" in row) == (False, False)


def test_a_night_names_the_depots_of_its_time_zone(people: Cast, signed_in: SignedIn) -> None:
    now = timezone.now()
    Run.objects.create(
        job="night", on=date(2026, 3, 1), part=people.plain.zone, state="done", started_at=now,
        attempts=2,
    )  # fmt: skip
    row = signed_in(people.supervisor).get("/runs").content.decode().split("<tbody>", 1)[1]
    assert "Plain" in row
    assert "Europe/Berlin" not in row
    assert "2 attempts" in row


def test_a_run_whose_owner_is_gone_is_called_lost(people: Cast, signed_in: SignedIn) -> None:
    past = timezone.now() - timedelta(minutes=1)
    Run.objects.create(job="night", on=date(2026, 3, 1), state="running", lease_until=past)
    assert "lost" in signed_in(people.viewer).get("/runs").content.decode()


def test_the_list_refreshes_only_while_something_is_at_work(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.viewer)
    assert "every 2s" not in client.get("/runs").content.decode()
    Run.objects.create(job="night", on=date(2026, 3, 1), state="waiting")
    assert "every 2s" in client.get("/runs").content.decode()


def test_a_supervisor_starts_the_night(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.supervisor)
    assert "was asked for" in client.post("/runs/night", follow=True).content.decode()
    first = Run.objects.get(job="night")
    assert first.state == "done"
    client.post("/runs/night")  # once done, a person may want it again
    assert Run.objects.get(job="night").started_at > first.started_at


@pytest.mark.parametrize("who", ["mechanic", "clerk", "viewer"])
def test_nobody_else_starts_it(who: str, people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(getattr(people, who))
    assert "/runs/night" not in client.get("/runs").content.decode()
    assert client.post("/runs/night").status_code == 403
    assert not Run.objects.filter(job="night").exists()


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ({"accepted": 1, "held": 2}, "1 reading accepted, 2 readings held"),
        ({"inside %": 81}, "81\u202f% of outcomes inside the band"),
        ({"usage states": 0}, "nothing had changed"),
        ({"never_heard_of": 3}, "3 never heard of"),
        ({}, ""),
    ],
)
def test_what_a_run_did_reads_as_a_sentence(counts: dict[str, int], words: str) -> None:
    assert count_words(counts) == words


def test_every_counter_of_a_night_has_words(people: Cast, signed_in: SignedIn) -> None:
    signed_in(people.supervisor).post("/runs/night")
    counted = set(Run.objects.get(job="night").counts)
    assert counted
    assert counted <= {*COUNT_WORDS, *SHARE_WORDS}


def test_runs_are_narrowed_by_work_and_by_trouble(people: Cast, signed_in: SignedIn) -> None:
    on, past = date(2026, 3, 1), timezone.now() - timedelta(minutes=1)
    Run.objects.create(job="night", on=on, state="done", counts={"due dates": 7})
    Run.objects.create(job="backtest", on=on, state="failed", error="disk is full")
    Run.objects.create(job="plan", on=on, state="running", lease_until=past)
    client = signed_in(people.viewer)
    nights = client.get("/runs?job=night").content.decode()
    assert ("7 due dates" in nights, "disk is full" in nights) == (True, False)
    trouble = client.get("/runs?state=trouble").content.decode()
    assert ("disk is full" in trouble, "lost" in trouble, "7 due dates" in trouble) == (
        *(True, True, False),
    )
    assert "Nothing fits" in client.get("/runs?job=none").content.decode()


def test_what_failed_comes_first_and_earlier_months_of_work_are_folded(
    people: Cast, signed_in: SignedIn
) -> None:
    Run.objects.all().delete()  # the scene has closed the month before, or there was none
    for month in (1, 2, 3, 4):
        Run.objects.create(job="class rates", on=date(2026, month, 28), state="done")
    Run.objects.create(job="class rates", on=date(2025, 12, 28), state="failed", error="disk full")
    Run.objects.create(job="night", on=date(2026, 4, 1), state="done")
    client = signed_in(people.viewer)
    whole, folded = client.get("/runs").content.decode().split("<details", 1)
    assert whole.index("28 Dec 2025") < whole.index("1 Apr 2026")
    assert "3 earlier months of such work, all done" in folded
    assert ("28 Mar 2026" in whole, "28 Mar 2026" in folded) == (False, True)
    assert "<details" not in client.get("/runs?job=class+rates").content.decode()
