"""The job card as a workshop wants it: product, wrench, range, finding with its photo, minutes."""

import re
from collections.abc import Callable
from datetime import timedelta
from io import BytesIO

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from fleet.people.models import Person
from fleet.today import today_at
from fleet.workorders import ending, progress, withdraw
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import Fastener, Finding, Job, Photo, TorqueRecord, Wrench
from tests.dashboard.forms import Form, forms_of
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]


def started(shop: Workshop, signed_in: SignedIn) -> tuple[Client, str]:
    shop.start()
    client = signed_in(shop.people.mechanic)
    return client, client.get(f"{shop.page}/card").content.decode()


def test_the_card_names_compartment_product_stock_and_what_is_not_accepted(
    shop: Workshop, signed_in: SignedIn
) -> None:
    _, seen = started(shop, signed_in)
    fluid = seen.partition('class="card-fluid"')[2].partition("</div>")[0]
    assert "Engine" in fluid
    assert "what the compartment accepts: Gear oil class" in fluid
    assert re.search(r"<summary>Not accepted here: 1 product</summary>.*Wrong oil", fluid)


def as_sent(form: Form) -> dict[str, str]:
    """What goes out of a form that nobody touched."""
    selects = {select.name: select.sent for select in form.selects}
    return {name: values[0] for name, values in form.sent.items()} | selects


def preset(seen: str) -> list[str]:
    chosen = re.findall(r'<option value="([^"]*)" selected>[^<]*calibrat', seen)
    return sorted(set(chosen))


def test_a_wrench_out_of_calibration_is_never_preset(shop: Workshop, signed_in: SignedIn) -> None:
    today = today_at(shop.people.plain.zone)
    Wrench.objects.create(
        depot=shop.people.plain, tag="TW-0", calibrated_until_on=today - timedelta(days=1)
    )
    client, seen = started(shop, signed_in)
    assert preset(seen) == ["TW-3"]  # the only one in calibration
    TorqueRecord.objects.create(
        client_key="old-record-1", person=shop.people.mechanic, channel="page", job=shop.job,
        performed_at=shop.now().started_at, fastener="drain-plug", fastener_name="Drain plug",
        reference_nm=39, torque_nm=39, to_the_figure=True, wrench=Wrench.objects.get(tag="TW-0"),
    )  # fmt: skip
    assert preset(client.get(f"{shop.page}/card").content.decode()) == ["TW-3"]
    Wrench.objects.filter(tag="TW-3").update(calibrated_until_on=today - timedelta(days=1))
    assert preset(client.get(f"{shop.page}/card").content.decode()) == []


def test_a_range_takes_a_value_inside_it_and_no_tap(shop: Workshop, signed_in: SignedIn) -> None:
    Fastener.objects.filter(slug="drain-plug").update(torque_nm=55, torque_max_nm=65)
    client, seen = started(shop, signed_in)
    (form,) = [one for one in forms_of(seen) if one.sent.get("fastener") == ["drain-plug"]]
    given = as_sent(form)
    assert "Tightened to [N·m], from 55 to 65" in seen
    client.post(form.action, given)
    assert not TorqueRecord.objects.exists()
    client.post(form.action, {**given, "torque": "58"})
    record = TorqueRecord.objects.get()
    assert (record.torque_nm, record.question, record.to_the_figure) == (58, "", False)


def jpeg() -> SimpleUploadedFile:
    content = BytesIO()
    Image.new("RGB", (8, 8), "grey").save(content, "JPEG")
    return SimpleUploadedFile("plug.jpg", content.getvalue(), "image/jpeg")


def test_a_finding_of_a_job_has_its_compartment_preset_and_its_photo_with_it(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client, seen = started(shop, signed_in)
    (form,) = [
        one for one in forms_of(seen) if one.sent.get("kind") == ["finding"] and "job" in one.sent
    ]
    given = as_sent(form)
    assert given["compartment"] == "engine"
    chosen = {"finding": "metal in the oil", "severity": "soon", "text": "chips on the magnet"}
    client.post(form.action, {**given, **chosen, "photo": jpeg()})
    finding = Finding.objects.get()
    assert (finding.kind, finding.compartment.slug) == ("metal in the oil", "engine")
    photo = Photo.objects.get()
    assert photo.finding == finding
    assert f"/photos/{photo.pk}" in client.get(f"{shop.page}/card").content.decode()


def test_a_photo_that_is_none_keeps_no_finding(shop: Workshop, signed_in: SignedIn) -> None:
    client, _ = started(shop, signed_in)
    given = {"kind": "finding", "finding": "noise", "severity": "soon", "text": "rumbles"}
    broken = SimpleUploadedFile("plug.jpg", b"no picture", "image/jpeg")
    given |= {"client_key": "finding-photo-1", "photo": broken}
    client.post(f"{shop.page}/records", given)
    assert not Finding.objects.exists()


def test_not_done_asks_for_the_minutes_spent(shop: Workshop, signed_in: SignedIn) -> None:
    client, seen = started(shop, signed_in)
    assert "Minutes you worked on it" in seen
    given = {"change": "end-job", "job": shop.job.pk, "state": "not done", "reason": "other"}
    client.post(f"{shop.page}/change", {**given, "version": shop.now().version})
    assert shop.job.state == Job.State.OPEN
    given |= {"version": shop.now().version, "spent_min": "15"}
    client.post(f"{shop.page}/change", given)
    assert (shop.job.state, shop.job.spent_min) == ("not done", 15)


def test_jobs_are_added_and_taken_off_on_the_page_of_the_order(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    added = {"change": "add-jobs", "other_work": "Mirror", "version": shop.now().version}
    client.post(f"{shop.page}/change", added)
    mirror = Job.objects.get(title="Mirror")
    dropped = {"change": "drop-jobs", "job": mirror.pk, "reason": "no mirror here"}
    client.post(f"{shop.page}/change", {**dropped, "version": shop.now().version})
    assert Job.objects.get(title="Mirror").state == Job.State.DROPPED
    whats = list(shop.order.events.order_by("pk").values_list("what", flat=True))
    assert whats[-2:] == ["add jobs", "drop jobs"]


def test_a_follow_up_by_page_joins_the_chosen_order_with_services(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    client.post(
        "/vehicles/V-101/findings",
        {"client_key": "finding-0001", "finding": "noise", "severity": "soon", "text": "rumbles"},
    )
    finding = Finding.objects.get()
    assert shop.order.number in client.get("/findings").content.decode()
    given = {"change": "follow up", "what": "New bearing", "join": shop.order.number}
    client.post(f"/findings/{finding.pk}", given)
    titles = set(shop.order.jobs.values_list("title", flat=True))
    assert titles == {"Engine oil", "New bearing"}
    assert shop.now().follows == finding
    progress.cancel(shop.actor(shop.people.supervisor), shop.order.pk, reason="x")


def marked(seen: str) -> list[int]:
    """Numbers of the steps whose box carries a mark on paper."""
    steps = re.findall(
        r'class="step-text"><span class="box( box-done)?"[^>]*></span>'
        r'<span class="step-number">(\d+)',
        seen,
    )
    assert len(steps) == 10  # counted in tests/workorders/gearbox_procedure.py
    return [int(number) for mark, number in steps if mark]


def card_of(shop: Workshop, client: Client) -> str:
    return client.get(f"{shop.page}/card").content.decode()


def test_a_step_is_marked_on_paper_by_its_own_record_and_not_because_the_job_is_done(
    shop: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(shop.people.supervisor)
    assert marked(card_of(shop, client)) == []
    shop.start()
    given = {"job": shop.job.pk, "client_key": "phone-1-drained", "kind": "fluid"}
    given |= {"way": "drained", "litres": "1.4", "look": "clear"}
    assert client.post(f"{shop.page}/records", given).status_code == 302
    assert marked(card_of(shop, client)) == [4]  # drain
    actor = shop.actor(shop.people.mechanic)
    progress.end_job(actor, shop.job.pk, state="done", because="the phone was empty")
    ending.finish(actor, shop.order.pk, AtFinish(odometer=10_700, fit_for_use="yes"))
    seen = card_of(shop, client)
    assert marked(seen) == [4]
    assert "Done all the same, because the phone was empty." in seen
    assert '<span class="box box-done"></span> done' in seen
    assert '<span class="box box-done"></span> yes' in seen
    assert "Odometer 10,700 km" in seen
    needs = seen.partition('class="needs"')[2].partition('class="card-steps"')[0]
    assert (needs.count('class="box"') > 2, "box-done" in needs) == (True, False)


def test_a_record_taken_back_marks_no_step(shop: Workshop, signed_in: SignedIn) -> None:
    client = signed_in(shop.people.supervisor)
    shop.start()
    given = {"job": shop.job.pk, "client_key": "phone-1-torque", "kind": "torque"}
    client.post(f"{shop.page}/records", given | {"fastener": "drain-plug", "whole": "yes"})
    assert marked(card_of(shop, client)) == [6]  # close drain plug: not where it is opened
    record = TorqueRecord.objects.get()
    taking = shop.actor(shop.people.supervisor)
    withdraw.withdraw(taking, shop.order.pk, record, reason="not mine")
    assert marked(card_of(shop, client)) == []


def test_the_card_offers_to_print_it_by_a_script_of_its_own(
    shop: Workshop, signed_in: SignedIn
) -> None:
    seen = card_of(shop, signed_in(shop.people.mechanic))
    assert re.search(r'<script src="[^"]*dashboard/job-card[^"]*\.js" defer></script>', seen)
    assert '<button class="no-print" type="button" data-print hidden>Print this card<' in seen


def test_what_is_invented_is_said_once_for_a_job_and_not_after_every_line(
    shop: Workshop, signed_in: SignedIn
) -> None:
    seen = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    job = seen.partition('class="card-job"')[2].partition('class="card-steps"')[0]
    assert job.count("invented") == 1
    shop.oil.procedure.materials.update(source="the maker's book")
    seen = signed_in(shop.people.mechanic).get(f"{shop.page}/card").content.decode()
    assert "the maker&#x27;s book" in seen
