import shutil
from collections.abc import Callable, Iterator
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pytest
from django.conf import settings as configured
from django.core.cache import cache
from django.test import override_settings
from django.utils import timezone
from PIL import Image
from pytest_django import Settings
from rest_framework.test import APIClient

from fleet.due.models import Service
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.readings.models import Reading, Upload
from fleet.readings.unsettle import as_it_stands
from fleet.stores import ledger
from fleet.stores.ledger import Receipt
from fleet.stores.models import Item, Product
from fleet.trials.assign import assign
from fleet.trials.evaluate import evaluate
from fleet.trials.models import Trial
from fleet.trials.rate import LabLimits, Measured, add_samples, name_property
from fleet.trials.set_up import SetUp, set_up
from fleet.visits import other_work
from fleet.visits import plan as plans
from fleet.visits.models import Bay, BlockedDays, Mechanic, ServiceNeed
from fleet.whatif import ask
from fleet.whatif.models import WhatIf
from fleet.workbook.models import Load
from fleet.workorders import findings, photos, recording
from fleet.workorders.findings import Report
from tests.cast import Cast, cast, depots_day, driven, oil_change
from tests.dashboard.workshop import Workshop, open_workshop
from tests.kept import kept
from tests.scene import INVENTED

KEPT_FILES = configured.DATA_DIR / "kept-files"  # what the rows of a kept scene name
Caller = Callable[[Person], APIClient]


@pytest.fixture(autouse=True)
def fresh_rates() -> Iterator[None]:
    """No test is slowed down by the calls of another."""
    cache.clear()
    yield
    cache.clear()


@kept
def people() -> Cast:
    return cast()


@kept
def running(people: Cast) -> Cast:
    """The cast with a service, ten weeks of readings and the due dates that follow."""
    oil_change(people)
    driven(people, timezone.now())
    return people


@pytest.fixture
def there(named: dict[str, object], settings: Settings, tmp_path: Path) -> dict[str, object]:
    """Values of the path that lead to something; the order is started and has a note."""
    settings.MEDIA_ROOT = tmp_path / "files"
    shutil.copytree(KEPT_FILES, settings.MEDIA_ROOT)
    return named


@kept
def named(running: Cast) -> dict[str, object]:
    shop = open_workshop(running)
    order, oil, van = shop.start(), shop.oil, running.van
    mechanic = shop.actor(running.mechanic)
    note = recording.note(mechanic, order.pk, text="rusty", client_key="note-there")
    finding = findings.report(
        mechanic,
        Report(vehicle=van, kind="seep", severity="soon", text="damp", client_key="seep-there"),
    )
    oil_trial(running)
    today = depots_day()
    deferral = van.deferrals.create(
        service=oil, until_on=today, reason="on a trip", person=running.supervisor
    )
    question = van.escalations.create(service=oil, stage="supervisor", since_on=today)
    with override_settings(MEDIA_ROOT=KEPT_FILES):
        photo = photos.add(
            mechanic, picture(), client_key="photo-there", order=order, finding=finding
        )
    upload = Upload.objects.create(
        name="yard.csv", hash="0" * 64, size_bytes=1, person=running.supervisor
    )
    (plan,) = plans.plan([running.plain.pk], today)
    visit = plan.visits.create(vehicle=van, on=today + timedelta(days=50), minutes=50)
    towbar = other_work.Given("other", "Fit a tow bar", 90)
    upload.rows.create(number=1, row=2, raw="[]", vehicle=van, outcome="accepted")
    reading = Reading.objects.filter(vehicle=van).latest("id")
    decision = reading.decisions.create(
        action="reject", reason="typed by mistake", before=as_it_stands(reading)
    )
    return {
        "fleet_number": van.fleet_number,
        "service": oil.slug,
        "settlement_id": decision.pk,
        "reading_id": reading.pk,
        "upload_id": upload.pk,
        "row_number": 1,
        "load_id": Load.objects.create(name="book.xlsx", loaded_at=timezone.now()).pk,
        "number": order.number,
        "job_id": shop.job.pk,
        "kind": "notes",
        "record_id": note.pk,
        "finding_id": finding.pk,
        "photo_id": photo.pk,
        "mark_id": findings.set_do_not_use(mechanic, vehicle=van, reason="brakes").pk,
        "restriction_id": van.restrictions.create(text="not far", set_at=timezone.now()).pk,
        "deferral_id": deferral.pk,
        "escalation_id": question.pk,
        "chosen_id": van.chosen_fluids.get().pk,
        "trial": "oil-trial",
        "sample_id": _sample(),
        "move_id": _move(running),
        "depot": running.plain.slug,
        "visit_id": visit.pk,
        "work_id": other_work.enter(shop.actor(running.supervisor), van, towbar).pk,
        "plan": plan.pk,
        "asked_id": _asked(running).pk,
        "absence_id": van.absences.create(from_on=today, until_on=today).pk,
        "blocked_id": BlockedDays.objects.create(
            depot=running.plain,
            from_on=today + timedelta(days=300),
            until_on=today + timedelta(days=300),
            reason="harvest",
        ).pk,
        "bay_id": Bay.objects.create(depot=running.plain, name="Ramp", source=INVENTED).pk,
        "mechanic_id": Mechanic.objects.create(
            depot=running.plain, name="Mika", source=INVENTED
        ).pk,
        "need_id": ServiceNeed.objects.create(service=oil, source=INVENTED).pk,
    }


def _asked(people: Cast) -> WhatIf:
    """A question about the vans of the plain."""
    rows = [{"what": "sell", "which": "V-101"}]
    now = timezone.now()
    return ask.ask(rows, [people.plain], now, person=people.supervisor, channel="test")


def _move(people: Cast) -> int:
    """The number of something that stores received."""
    washer = Item.objects.create(
        slug="washer", name="Washer", kind="seal", unit="pieces", source=INVENTED
    )
    program = Actor(None, "command", timezone.now())
    return ledger.receive(program, Receipt(depot=people.plain, item=washer, quantity=10)).pk


def _sample() -> int:
    """A lab sample of the trial, drawn today."""
    trial = Trial.objects.get()
    place = trial.vehicles.select_related("vehicle__depot", "trial").order_by("vehicle").first()
    assert place is not None
    given = Measured(place, trial.properties.get(), depots_day(), 30.0, "L-9", "sample-there")
    return add_samples(Actor(None, "command", timezone.now()), [given])[0].pk


def oil_trial(people: Cast) -> None:
    """A field trial of two engine oils with the cast's vans, evaluated once."""
    oil = Service.objects.get(slug="engine-oil")
    first, second = (
        Product.objects.get_or_create(slug=slug, defaults={"name": slug, "source": INVENTED})[0]
        for slug in ("oil-one", "oil-two")
    )
    asked = oil.compartment.accepted_fluids.first()
    second.claims.create(specification=asked.specification, source=INVENTED)
    Product.objects.filter(pk=second.pk).update(grade=asked.grade)
    today, program = depots_day(), Actor(None, "command", timezone.now())
    given = SetUp(
        name="Oil trial",
        service=oil,
        usual=first,
        tried=Product.objects.get(pk=second.pk),
        usual_price_minor_per_l=900,
        tried_price_minor_per_l=1_170,
        starts_on=today - timedelta(days=30),
        ends_on=today + timedelta(days=300),
        source=INVENTED,
        quantity_ml=6_000,
        seed=1,
    )
    trial = set_up(program, given)
    assign(program, trial, [people.van, people.second_van], few_because="a small scene")
    name_property(
        program, trial, LabLimits(name="Iron", slug="iron", unit="mg/kg", high=100, source=INVENTED)
    )
    evaluate(trial, timezone.now())


def picture() -> bytes:
    """A small photo."""
    made = BytesIO()
    Image.new("RGB", (40, 30), "teal").save(made, "JPEG")
    return made.getvalue()


def bodies(there: dict[str, object]) -> dict[str, dict[str, object]]:
    """Bodies that name the vehicle, or are needed for an answer other than a refusal."""
    vehicle, service = there["fleet_number"], there["service"]
    today = depots_day()
    of = {"vehicle": vehicle, "reason": "a test"}
    in_words = {"kind": "tyres", "title": "Winter tyres", "minutes": 45}
    return {
        "readings": {"rows": [{"vehicle": vehicle, "value": 1, "taken_on": str(today)}]},
        "readings/telematics": {"frames": [{"vehicle": vehicle, "protocol": "obd2"}]},
        "workbook-loads/<int:load_id>/withdraw": {"reason": "the book of another fleet"},
        "settlements/<int:settlement_id>/withdraw": {"reason": "of another vehicle"},
        "readings/<int:reading_id>/settle": {"action": "reject", "reason": "typed by mistake"},
        "duty/overrides": {
            **of,
            "compartment": "engine",
            "duty_class": "severe",
            "from_on": str(today),
            "until_on": str(today + timedelta(days=30)),
        },
        "work-orders": {"vehicle": vehicle, "services": [service]},
        "work-orders/release": {"orders": [{"number": there["number"], "version": 1}]},
        "work-orders/outside": {
            "vehicle": vehicle,
            "services": [service],
            "done_on": str(today),
            "workshop_name": "An outside workshop",
            "invoice_number": "R-1",
        },
        "other-work": {"vehicle": vehicle, **in_words},
        "other-work/<int:work_id>/correct": in_words,
        "other-work/<int:work_id>/end": {"ending": "done"},
        "bays": {"depot": there["depot"], "name": "Pit", "source": INVENTED},
        "bays/<int:bay_id>/correct": {"name": "Lift", "source": INVENTED},
        "mechanics": {"depot": there["depot"], "name": "Mia", "source": INVENTED},
        "mechanics/<int:mechanic_id>/correct": {"name": "Mika", "source": INVENTED},
        "service-needs": {"vehicle_type": "van", "service": "other", "source": INVENTED},
        "service-needs/<int:need_id>/correct": {"second_min": 10, "source": INVENTED},
        "absences": {"vehicle": vehicle, "from_on": str(today), "until_on": str(today)},
        "blocked-days": {
            **{"depot": there["depot"], "from_on": str(today), "until_on": str(today)},
            "reason": "a test",
        },
        "plan": {"depot": there["depot"]},
        "visits/publish": {
            **{"depot": there["depot"], "plan": there["plan"], "version": 1},
            "until": str(today + timedelta(days=60)),
        },
        "visits/<int:visit_id>/move": {"version": 1, "on": str(today + timedelta(days=40))},
        "visits/<int:visit_id>/lock": {"version": 1},
        "visits/<int:visit_id>/unlock": {"version": 1},
        "visits/<int:visit_id>/promise": {"version": 1, "told_to": "the driver"},
        "findings": {
            "vehicle": vehicle,
            "kind": "leak",
            "severity": "soon",
            "text": "drips",
            "client_key": "a-new-leak",
        },
        "do-not-use": of,
        "stock-moves": {
            **{"kind": "counted", "depot": "plain", "item": "washer", "quantity": 9},
            "reason": "a test",
        },
        "what-ifs": {"changes": [{"what": "sell", "which": vehicle}]},
        "used-fluid": {
            **{"depot": "plain", "waste_class": "used oil", "litres": 9, "carrier": "a carrier"},
            **{"note_number": "N-1", "collected_on": str(today)},
        },
        "deferrals": {**of, "service": service, "until_on": str(today)},
        "trials/<slug:trial>/ratings": {
            "rows": [{"client_key": "a-new-rating", "vehicle": vehicle, "value": 4, "by": "Dana"}]
        },
        "trials/<slug:trial>/samples": {
            "rows": [
                {
                    "client_key": "a-new-sample",
                    "vehicle": vehicle,
                    "property": "iron",
                    "drawn_on": str(today),
                    "value": 20,
                    "report": "L-1",
                }
            ]
        },
        "trials/<slug:trial>/samples/<int:sample_id>/take-back": {"reason": "misread"},
        "substitutes": {**of, "compartment": "engine", "product": "wrong", "source": "a bulletin"},
        "chosen-fluids": {
            **{"vehicle": vehicle, "compartment": "engine", "product": "wrong"},
            **{"because": "quieter", "source": "our choice"},
        },
    }


@pytest.fixture
def call() -> Caller:
    """A client signed in as a person, as a page of theirs would be."""

    def signed_in(person: Person) -> APIClient:
        client = APIClient()
        client.force_authenticate(person)
        return client

    return signed_in


@kept
def shop(running: Cast) -> Workshop:
    """With its order begun."""
    made = open_workshop(running)
    made.start()
    return made


@pytest.fixture
def mechanic(shop: Workshop, call: Caller) -> APIClient:
    return call(shop.people.mechanic)
