import struct
import zlib
from datetime import date
from io import BytesIO
from pathlib import Path

import pytest
from django.conf import settings as configured
from PIL import Image

from fleet import chain
from fleet.due.models import DueDate
from fleet.faults import Fault, Forbidden, Refused
from fleet.workorders import ending, issue, outside, photos, progress, torques
from fleet.workorders import papers as outside_papers
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Job, Photo, WorkOrder
from fleet.workorders.outside import InvoicedWork
from fleet.workorders.torques import Tightened
from tests.scene import NOW
from tests.workorders.conftest import Bay


def papers(bay: Bay, **given: object) -> WorkOrder:
    usual = {
        "vehicle": bay.van,
        "services": [bay.oil],
        "done_on": date(2026, 6, 1),
        "odometer_km": 22_000,
        "workshop_name": "An outside workshop",
        "invoice_number": "R-17",
        "cost_minor": 18_900,
    }
    return outside.record(bay.actor(), InvoicedWork(**(usual | given)))


def test_late_papers_move_the_due_date_back_dated(bay: Bay) -> None:
    order = papers(bay)
    chain.refresh([bay.van.pk], NOW)
    row = DueDate.objects.get()
    assert (row.anchor.done_on, row.anchor.evidence) == (date(2026, 6, 1), "outside workshop")
    assert row.remaining_km == 22_000 + 20_000 - 23_300
    assert (order.where, order.cost_minor) == ("outside workshop", 18_900)


def test_papers_say_the_engine_hours_too(bay: Bay) -> None:
    order = papers(bay, total_h=1_234.5)
    assert [job.done.total_h for job in order.jobs.all() if job.done] == [1_234.5]


def test_an_odometer_that_is_newer_than_every_reading_counts_from_the_day_of_the_work(
    bay: Bay,
) -> None:
    order = papers(bay, done_on=NOW.date(), odometer_km=23_350)  # 23,300 that morning
    chain.refresh([bay.van.pk], NOW)
    assert order.reading is not None
    assert (order.reading.value, order.reading.verdict) == (23_350, "accepted")
    assert DueDate.objects.get().remaining_km == 20_000


def test_whoever_entered_papers_may_sign_the_outside_work_off(bay: Bay) -> None:
    order = papers(bay)  # in a fleet with one supervisor nobody else is there
    assert order.finished_by == bay.actor().person
    ending.sign_off(bay.actor(), order.pk)
    order.refresh_from_db()
    assert (order.state, order.signed_off_by) == (WorkOrder.State.SIGNED_OFF, bay.actor().person)


def test_late_papers_free_the_drafted_job(bay: Bay) -> None:
    drafted = bay.order()
    papers(bay)
    assert drafted.jobs.get().state == Job.State.DROPPED
    drafted.refresh_from_db()
    assert drafted.state == WorkOrder.State.CANCELLED  # nothing is left on it
    assert drafted.events.latest("pk").what == "cancel"


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"services": []}, "which services"),
        ({"invoice_number": " "}, "invoice"),
        ({"done_on": date(2026, 6, 16)}, "lies ahead"),
    ],
)
def test_papers_that_cannot_be_are_refused(bay: Bay, given: dict[str, object], says: str) -> None:
    with pytest.raises(Fault, match=says):
        papers(bay, **given)


def test_a_mechanic_enters_no_invoices(bay: Bay) -> None:
    with pytest.raises(Forbidden):
        outside.record(
            bay.actor(bay.mechanic),
            InvoicedWork(
                vehicle=bay.van,
                services=[bay.oil],
                done_on=date(2026, 6, 1),
                odometer_km=1,
                workshop_name="x",
                invoice_number="y",
            ),
        )


@pytest.fixture
def started(bay: Bay, settings: object, tmp_path: Path) -> WorkOrder:
    configured.MEDIA_ROOT = tmp_path
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    return progress.start(bay.actor(bay.mechanic), order.pk)


def picture(size: tuple[int, int] = (40, 30), kind: str = "JPEG") -> bytes:
    made = BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "where it was taken"
    Image.new("RGB", size, "teal").save(made, kind, exif=exif)
    return made.getvalue()


def add(bay: Bay, order: WorkOrder, data: bytes, key: str = "photo-0001") -> Photo:
    return photos.add(bay.actor(bay.mechanic), data, client_key=key, order=order)


def test_a_photo_is_encoded_anew_without_what_the_camera_added(
    bay: Bay, started: WorkOrder
) -> None:
    photo = add(bay, started, picture(kind="PNG"))
    with Image.open(Path(configured.MEDIA_ROOT) / photo.path) as kept:
        assert (kept.format, kept.size, dict(kept.getexif())) == ("JPEG", (40, 30), {})


def test_a_large_photo_is_made_smaller(bay: Bay, started: WorkOrder) -> None:
    photo = add(bay, started, picture((4096, 1024)))
    assert (photo.width_px, photo.height_px) == (2048, 512)


def test_a_photo_sent_twice_is_kept_once(bay: Bay, started: WorkOrder) -> None:
    assert add(bay, started, picture()).pk == add(bay, started, picture()).pk


@pytest.mark.parametrize("data", [b"", b"GIF89a", b"<svg/>", picture()[:100]])
def test_what_is_no_photo_is_refused_and_nothing_is_kept(
    bay: Bay, started: WorkOrder, data: bytes
) -> None:
    with pytest.raises(Fault, match="JPEG, PNG or WebP"):
        add(bay, started, data)
    assert not Photo.objects.exists()


def bomb(side_px: int) -> bytes:
    """A small file that says it is a picture of so many points each way."""
    head = struct.pack(">IIBBBBB", side_px, side_px, 8, 0, 0, 0, 0)
    chunks = [(b"IHDR", head), (b"IDAT", zlib.compress(b"\0" * 64)), (b"IEND", b"")]
    # PNG specification, 5.3: length, type, data and check sum of each chunk
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )


@pytest.mark.parametrize("side_px", [8_000, 10_000, 20_000, 2**31 - 1])
def test_a_picture_beyond_the_decoders_limit_is_refused_in_a_sentence(side_px: int) -> None:
    for keep in (photos.decoded, outside_papers.keep):
        with pytest.raises(Fault, match="too many pixels: send a smaller one"):
            keep(bomb(side_px))


def test_a_broken_picture_is_refused_in_a_sentence() -> None:
    for cut in (40, 60, 90):
        with pytest.raises(Fault, match="no photo this program can read"):
            photos.decoded(bomb(200)[:cut])


def test_an_order_with_nothing_left_to_do_is_cancelled_and_says_why(bay: Bay) -> None:
    drafted = bay.order()
    order = papers(bay)
    drafted.refresh_from_db()
    event = drafted.events.latest("pk")
    assert (drafted.state, drafted.version) == (WorkOrder.State.CANCELLED, 2)
    assert (event.what, event.reason) == ("cancel", f"done outside: {order}")


def test_an_order_keeps_what_the_papers_do_not_name(bay: Bay) -> None:
    drafted = issue.draft(
        bay.actor(),
        OrderDraft(
            vehicle_id=bay.van.pk,
            service_ids=[bay.oil.pk],
            other_work=[("Wiper", 5)],
            join_early=False,
        ),
    )
    papers(bay)
    drafted.refresh_from_db()
    assert (drafted.state, drafted.version) == (WorkOrder.State.DRAFTED, 2)
    assert drafted.jobs.get(state=Job.State.OPEN).title == "Wiper"


def test_papers_entered_wrongly_are_cancelled_and_their_services_voided(bay: Bay) -> None:
    order = ending.correct(bay.actor(), papers(bay).pk, reason="wrong van")
    chain.refresh([bay.van.pk], NOW)
    assert order.state == WorkOrder.State.CANCELLED
    assert order.jobs.get().state == Job.State.DROPPED
    assert DueDate.objects.get().beyond_by_reading


def test_work_of_an_outside_workshop_takes_no_torque_but_photos_of_its_papers(
    bay: Bay, settings: object, tmp_path: Path
) -> None:
    configured.MEDIA_ROOT = tmp_path
    order = papers(bay)
    mechanic = bay.actor(bay.mechanic)
    with pytest.raises(Refused, match="outside workshop"):
        torques.torque(
            mechanic, order.jobs.get().pk, Tightened(fastener="x", client_key="torque-0001")
        )
    assert add(bay, order, picture()).order == order
