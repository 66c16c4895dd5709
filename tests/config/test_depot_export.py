"""One depot for whoever takes it over: whole, readable by any program, and nothing of others."""

import csv
import io
import json
import stat
import zipfile
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.apps import apps
from django.conf import settings
from django.utils import timezone

from config import depot_export
from config.cli import main
from fleet import copies, handover
from fleet.due.models import Fill, Service
from fleet.faults import Fault
from fleet.people import tokens
from fleet.people.models import Person, Role
from fleet.readings.models import Reading
from fleet.stores.models import Item, Product, StockMove
from fleet.trials.models import Trial, TrialVehicle
from fleet.vehicles.models import Depot, Vehicle
from fleet.workorders.models import DoNotUse, Finding, Job, Photo, WorkOrder
from tests.cast import Cast, cast, driven, oil_change
from tests.scene import NOW
from tests.stores import shelf
from tests.trials.field import Field, begun, person

Tables = dict[str, list[dict[str, Any]]]


@pytest.fixture
def people(db: None) -> Cast:
    people = cast()
    driven(people, timezone.now())
    return people


def order(number: str, vehicle: Vehicle, at: Depot, service: Service) -> WorkOrder:
    made = WorkOrder.objects.create(number=number, vehicle=vehicle, depot=at)
    made.jobs.create(
        vehicle=vehicle, service=service, title="Engine oil", minutes=40, state=Job.State.DONE
    )
    return made


def photo(path: str, by: Person, **of: Any) -> Photo:
    of |= {"client_key": path, "width_px": 640, "height_px": 480, "performed_at": timezone.now()}
    return Photo.objects.create(path=path, person=by, **of)


def tables(depot: Depot, now: datetime | None = None) -> Tables:
    return {
        table.name: [dict(zip(table.columns, row, strict=True)) for row in table.rows]
        for table in handover.of_depot(depot.pk, "default", now or timezone.now())
    }


def test_every_table_is_decided() -> None:
    every = {one._meta.label: handover.ways(one) for one in copies.tables()}
    assert [name for name, ways in every.items() if not (ways or name in handover.DECIDED)] == []
    of_one_list = [one for some in handover.LEFT_OUT.values() for one in some]
    of_one_list += [*handover.SHARED, *handover.SHARED_EARLIER, *handover.NAMED]
    assert sorted(of_one_list) == sorted(handover.DECIDED)  # none stands in two of them
    assert every.keys() >= handover.DECIDED


def test_readings_and_vehicles_of_the_depot_only(people: Cast) -> None:
    found = tables(people.plain)
    assert {row["fleet_number"] for row in found["vehicles_vehicle"]} == {"V-101", "V-102"}
    assert len(found["readings_reading"]) == 20  # ten weeks of two vans
    assert {row["vehicle_id"] for row in found["readings_reading"]} == {
        people.van.pk,
        people.second_van.pk,
    }
    assert [row["slug"] for row in found["vehicles_depot"]] == ["plain"]


def test_what_was_done_elsewhere_goes_with_the_vehicle_and_stays_with_who_did_it(
    people: Cast,
) -> None:
    service = oil_change(people)
    there = order("W-1", people.van, people.hill, service)  # a guest at the other depot
    own = order("W-2", people.van, people.plain, service)
    order("W-3", people.hill_van, people.hill, service)
    of_plain, of_hill = tables(people.plain), tables(people.hill)
    assert {row["number"] for row in of_plain["workorders_workorder"]} == {"W-1", "W-2"}
    assert {row["order_id"] for row in of_plain["workorders_job"]} == {there.pk, own.pk}
    assert {row["number"] for row in of_hill["workorders_workorder"]} == {"W-1", "W-3"}
    # the guest is named there, but its readings are not
    assert {row["fleet_number"] for row in of_hill["vehicles_vehicle"]} == {"V-101", "V-201"}
    assert {row["vehicle_id"] for row in of_hill["readings_reading"]} == {people.hill_van.pk}
    assert {row["slug"] for row in of_plain["vehicles_depot"]} == {"plain", "hill"}


def test_no_key_leads_nowhere(people: Cast) -> None:
    service = oil_change(people)
    made = order("W-1", people.van, people.hill, service)
    made.assigned_to = people.outsider
    made.save()
    raised = Finding.objects.create(
        vehicle=people.van,
        order=made,
        severity="soon",
        text="seal",
        person=people.mechanic,
        performed_at=timezone.now(),
    )
    photo("photos/1.jpg", people.mechanic, finding=raised)
    found = tables(people.plain)
    looked_at = 0
    for name, rows in found.items():
        for column, other in handover.keys_of(name):
            ids = {row["id"] for row in found.get(other, [])}
            wanted = {row[column] for row in rows} - {None}
            # what is kept of earlier rows may name what is gone since
            assert wanted <= ids or "_historical" in name, (name, column)
            looked_at += len(wanted)
    assert looked_at > 40
    names = {row["username"] for row in found["people_person"]}
    assert names == {"sura", "mika", "cleo", "vito", "otto"}
    hill = tables(people.hill)
    assert {row["username"] for row in hill["people_person"]} == {"otto", "mika"}


def test_of_people_nothing_goes_out_but_who_they_are(people: Cast) -> None:
    Person.objects.update(email="somebody@example.org")
    (row,) = (one for one in tables(people.plain)["people_person"] if one["username"] == "sura")
    assert row == {"id": row["id"], "username": "sura", "first_name": "Sura", "last_name": ""}


def test_shared_rows_go_along_whole(people: Cast) -> None:
    oil_change(people)
    found = tables(people.hill)
    assert [row["name"] for row in found["due_service"]] == ["Engine oil"]
    assert len(found["due_limit"]) == 2


def test_files_are_those_of_its_orders_and_findings(people: Cast) -> None:
    service = oil_change(people)
    own = order("W-1", people.van, people.plain, service)
    own.document = "papers/W-1.pdf"
    own.save()
    other = order("W-2", people.hill_van, people.hill, service)
    photo("photos/a.jpg", people.mechanic, order=own)
    photo("photos/b.jpg", people.outsider, order=other)
    assert handover.files_of(people.plain.pk, "default") == ["papers/W-1.pdf", "photos/a.jpg"]
    assert handover.files_of(people.hill.pk, "default") == ["photos/b.jpg"]


def test_an_order_without_a_vehicle_of_its_own_depot_still_has_its_job(people: Cast) -> None:
    service = oil_change(people)
    order("W-1", people.hill_van, people.plain, service)
    (job,) = tables(people.plain)["workorders_job"]
    assert job["vehicle_id"] == people.hill_van.pk
    assert Job.objects.get().pk == job["id"]


@pytest.mark.django_db(transaction=True)
def test_one_file_that_any_program_reads(tmp_path: Path, capsys: Any) -> None:
    people = cast()
    driven(people, timezone.now())
    _, secret = tokens.issue(
        person=people.supervisor,
        label="phone",
        scopes=["vehicles:read"],
        days=5,
        depots=[people.plain],
    )
    people.van.note = '=1+1, "quoted"\nand on'
    people.van.save()
    made = order("W-1", people.van, people.plain, oil_change(people))
    for name in ("photos/there.jpg", "photos/gone.jpg"):
        photo(name, people.mechanic, order=made)
    there = settings.DATA_DIR / "files" / "photos" / "there.jpg"
    there.parent.mkdir(parents=True, exist_ok=True)
    there.write_bytes(b"as taken")
    path = tmp_path / "plain.zip"
    try:
        assert main(["export", "--depot", "plain", "--json", str(path)]) == 0
    finally:
        there.unlink()
    told = json.loads(capsys.readouterr().out)
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        assert archive.read("files/photos/there.jpg") == b"as taken"
        rows = {
            name: list(csv.reader(io.StringIO(archive.read(f"rows/{name}.csv").decode())))
            for name in told["rows"]
        }
        read_me = archive.read("read-me.txt").decode()
        everything = b"".join(archive.read(name) for name in names).decode()
    assert (told["depot"], told["files"]) == ("plain", 1)
    assert told["missing"] == ["photos/gone.jpg"]
    assert {name: len(lines) - 1 for name, lines in rows.items()} == told["rows"]
    assert (
        told["rows"]["readings_reading"]
        == 20
        == Reading.objects.exclude(vehicle=people.hill_van).count()
    )
    headings, *vans = rows["vehicles_vehicle"]
    notes = {van[headings.index("fleet_number")]: van[headings.index("note")] for van in vans}
    assert notes == {"V-101": '\'=1+1, "quoted"\nand on', "V-102": ""}
    assert "readings_reading: 20 rows\n" in read_me
    assert "vehicles_depot: 1 row\n" in read_me
    assert {van[headings.index("declared_use")] for van in vans} == {"[]"}  # as JSON
    columns, *taken = rows["readings_reading"]
    first = min(line[columns.index("taken_at")] for line in taken)
    assert first == Reading.objects.order_by("taken_at")[0].taken_at.isoformat()
    assert first.endswith("+00:00")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "    vehicle_id: vehicles_vehicle\n" in read_me
    assert "named by a row and not found: photos/gone.jpg" in read_me
    assert secret not in everything
    assert "password" not in everything
    assert "V-201" not in everything


@pytest.mark.django_db
def test_a_depot_that_is_not_there_is_said_with_those_that_are(tmp_path: Path) -> None:
    cast()
    with pytest.raises(Fault, match="no depot valley: name one of hill, plain"):
        depot_export.export("valley", tmp_path / "x.zip", lambda words: None)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.django_db
def test_nothing_is_overwritten_unasked(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "plain.zip"
    path.write_text("mine")
    assert main(["export", "--depot", "plain", str(path)]) != 0
    assert "exists already" in capsys.readouterr().err
    assert path.read_text() == "mine"


# --- a blinded trial -----------------------------------------------------------------------------
def poured(field: Field) -> TrialVehicle:
    """A van of a trial with an order on which its gearbox oil was poured, and a rinse of stores."""
    place = field.places[0]
    van, service = place.vehicle, field.trial.service
    made = order("W-9", van, van.depot, service)
    made.jobs.get().fluids.create(
        client_key="w9",
        person=person("Mika", Role.MECHANIC, van.depot),
        performed_at=NOW,
        compartment=service.compartment,
        way="filled",
        quantity_ml=1_500,
        product=place.group.product,
        batch="B-77",
    )
    item = shelf.item("oil")
    Item.objects.filter(pk=item.pk).update(product=place.group.product)
    StockMove.objects.create(
        depot=van.depot,
        item=item,
        kind="used",
        quantity=-1_500,
        at=NOW,
        order_number="W-9",
        key="W-9:1:used:x:0",
    )
    return place


def test_the_product_of_a_blinded_trial_is_held_back_until_it_is_over(db: None) -> None:
    field = begun(4)
    place = poured(field)
    depot, product = place.vehicle.depot, place.group.product_id

    def told(now: datetime = NOW) -> set[object]:
        found = tables(depot, now)
        mine = [row for row in found["due_fill"] if row["vehicle_id"] == place.vehicle_id]
        chosen = [row for row in found["due_chosenfluid"] if row["vehicle_id"] == place.vehicle_id]
        rows = [*mine, *chosen, *found["workorders_fluidrecord"]]
        (move,) = found["stores_stockmove"]
        assert len(mine) == 1
        assert len(chosen) == 1
        return {
            *(row["product_id"] for row in rows),
            *(row["batch"] for row in found["workorders_fluidrecord"]),
            move["order_number"],
        }

    assert told() == {None}
    assert told(NOW.replace(year=2027)) == {product, "B-77", "W-9"}
    Trial.objects.update(blinded=False)
    assert told() == {product, "B-77", "W-9"}


def test_texts_about_a_vehicle_of_a_blinded_trial_do_not_name_its_products(
    db: None,
) -> None:
    """Put together by the program, copied from there, or typed by people."""
    field = begun(4)
    place = poured(field)
    van, depot, trial = place.vehicle, place.vehicle.depot, field.trial
    name = place.group.product.name
    (other,) = trial.groups.exclude(pk=place.group_id).values_list("product__name", flat=True)
    said = f"Gearbox accepts none; {name.upper()} claims none of it, unlike {other}."
    free = Vehicle.objects.create(
        fleet_number="free", vehicle_type=van.vehicle_type, depot=depot, joined_on=van.joined_on,
        joined_as=van.joined_as,
    )  # fmt: skip
    for one in (van, free):
        Finding.objects.create(
            vehicle=one, text=said, kind="wrong fluid", severity="watch", performed_at=NOW,
            client_key=one.fleet_number,
        )  # fmt: skip
    DoNotUse.objects.create(vehicle=van, reason=said, set_at=NOW)
    made = WorkOrder.objects.get(number="W-9")
    item = Item.objects.get(product=place.group.product)
    Item.objects.filter(pk=item.pk).update(name="Drum of it")
    for reason in (f"{name}s are not meant", "Drum of it"):
        made.events.create(what="note", reason=reason, performed_at=NOW)

    hidden = said.replace(name.upper(), handover.BLINDED).replace(other, handover.BLINDED)
    found = tables(depot, NOW)
    texts = {row["vehicle_id"]: row["text"] for row in found["workorders_finding"]}
    assert texts == {van.pk: hidden, free.pk: said}
    assert [row["reason"] for row in found["workorders_donotuse"]] == [hidden]
    reasons = [row["reason"] for row in found["workorders_orderevent"]]
    assert reasons == [f"{name}s are not meant", handover.BLINDED]  # a word of its own
    assert [row["key"] for row in found["stores_stockmove"]] == [None]
    after = tables(depot, NOW.replace(year=2027))
    assert {row["text"] for row in after["workorders_finding"]} == {said}
    assert [row["key"] for row in after["stores_stockmove"]] == ["W-9:1:used:x:0"]


def test_the_read_me_tells_which_texts_are_blinded(transactional_db: None, tmp_path: Path) -> None:
    place = poured(begun(4))
    depot = place.vehicle.depot
    DoNotUse.objects.create(
        vehicle=place.vehicle, reason=f"{place.group.product.name} leaks", set_at=NOW
    )
    packed = tmp_path / "depot.zip"
    with time_machine.travel(NOW, tick=False):
        told = depot_export.export(depot.slug, packed, lambda _: None)
    assert told.blinded["workorders_donotuse.reason"] == 1
    with zipfile.ZipFile(packed) as archive:
        read_me = archive.read("read-me.txt").decode()
        rows = archive.read("rows/workorders_donotuse.csv").decode()
    assert f"{handover.BLINDED} where they named it." in read_me
    assert "    workorders_donotuse.reason: 1 text\n" in read_me
    assert f"{handover.BLINDED} leaks" in rows


def test_lists_within_a_cell_are_blinded_too() -> None:
    blind = handover.blinding(["Gold", "Gold plus"])
    cell = {"words": ["gold PLUS, then Gold", 5], "golden": None}
    assert blind(cell) == {
        "words": [f"{handover.BLINDED}, then {handover.BLINDED}", 5],
        "golden": None,
    }
    assert blind(None) is None


def test_what_is_no_part_of_the_trial_is_told_as_it_is(db: None) -> None:
    field = begun(4)
    place = poured(field)
    engine = place.vehicle.vehicle_type.compartments.get(slug="engine")
    Fill.objects.filter(vehicle=place.vehicle).update(compartment=engine)
    (fill,) = [r for r in tables(place.vehicle.depot, NOW)["due_fill"]
               if r["vehicle_id"] == place.vehicle_id]  # fmt: skip
    assert fill["product_id"] == place.group.product_id


def test_every_row_of_a_vehicle_that_names_a_product_is_held_back() -> None:
    named = {
        one._meta.label
        for one in copies.tables()
        if handover.ways(one) and any(f.related_model is Product for f in one._meta.fields)
    }
    assert named <= handover.HELD_BACK.keys()
    for label, (_, _, blank) in handover.HELD_BACK.items():
        assert {*blank} <= {field.attname for field in apps.get_model(label)._meta.fields}
