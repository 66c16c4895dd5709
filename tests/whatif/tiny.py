"""One van, one service every two months by the calendar alone: a year that can be counted."""

from datetime import date
from typing import Any

from django.apps import apps
from django.db import connection, transaction

from fleet.stores.models import Item
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.models import Bay, Mechanic, Workshop
from fleet.whatif.rows import understood
from fleet.whatif.year import Year, live
from fleet.workorders.models import LabourRate, Material, Procedure
from tests import scene
from tests.scene import INVENTED, NOW
from tests.stores import shelf

TODAY = NOW.date()
LAST_DONE_ON = date(2026, 5, 15)  # a month before today


def fleet() -> Item:
    """A van whose fluid of 1,500 mL is changed every second month: July, September … May.

    40 minutes by the book and 20 for the visit, every day of the week open.
    """
    at = scene.depot()
    Depot.objects.filter(pk=at.pk).update(working_days="1111111")
    brake = scene.service("engine", km=None, months=2)
    item: Item = shelf.item("brake-fluid", packs=(500,))
    procedure = Procedure.objects.create(
        service=brake, family="other", edition="1", source=INVENTED, minutes=40
    )
    Material.objects.create(
        procedure=procedure, kind="fluid", name="Brake fluid", item=item, quantity_ml=1_500,
        source=INVENTED,
    )  # fmt: skip
    Workshop.objects.create(depot=at, set_up_min=20, kept_share=0, source=INVENTED)
    Bay.objects.create(depot=at, name="Lift 1", source=INVENTED)
    Mechanic.objects.create(depot=at, name="Ann", minutes=480, works_on="1111111", source=INVENTED)
    LabourRate.objects.create(depot=at, rate_minor_per_h=6_000, source=INVENTED)
    scene.done(scene.van(), brake, LAST_DONE_ON, None)
    return item


def lived(*rows: dict[str, Any]) -> Year:
    """A year under some changes on the tests' own database, which is afterwards as it was."""
    depots = list(Depot.objects.order_by("slug"))
    with transaction.atomic():
        changes = understood(rows, depots, TODAY) if rows else []
        found = live(changes, depots, TODAY, NOW, lambda share, at: None)
        transaction.set_rollback(True)
    return found


def total(year: Year, name: str) -> float:
    """A figure of the whole year, the same in each future."""
    each = year.figures[name].sum(axis=(0, 1))
    assert each.min() == each.max()
    return float(each[0])


def row(what: str, which: str, value: object = "", on: str = "") -> dict[str, Any]:
    return {"what": what, "which": which, "value": value, "from": on}


def everything() -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table but those that questions are kept in."""
    kept = {"whatif_whatif", "whatif_whatif_depots", "runs_run"}
    found = {}
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            table = model._meta.db_table
            if table not in kept:
                cursor.execute(f'SELECT * FROM "{table}" ORDER BY 1')
                found[table] = cursor.fetchall()
    return found


def van() -> Vehicle:
    return Vehicle.objects.get(fleet_number="V-1")
