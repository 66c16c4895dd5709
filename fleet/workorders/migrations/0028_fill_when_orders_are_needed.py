"""Give open orders the day that their open jobs say; few of all orders ever made."""

from typing import Any

from django.db import migrations
from django.db.models import F, Min, OuterRef, Subquery

ORDERS_AT_ONCE = 500


def fill(apps: Any, schema_editor: Any) -> None:
    orders = apps.get_model("workorders", "WorkOrder").objects
    jobs = apps.get_model("workorders", "Job").objects.filter(
        order=OuterRef("pk"), state="open", vehicle__due_dates__service=F("service")
    )
    days = jobs.order_by().values("order").annotate(on=Min("vehicle__due_dates__bring_in_by_on"))
    still_open = orders.exclude(state__in=["signed off", "cancelled"]).order_by("pk")
    ids = list(still_open.values_list("pk", flat=True))
    for begin in range(0, len(ids), ORDERS_AT_ONCE):
        some = orders.filter(pk__in=ids[begin : begin + ORDERS_AT_ONCE])
        some.update(needed_on=Subquery(days.values("on")))


class Migration(migrations.Migration):
    atomic = False  # a batch holds its orders no longer than it takes

    dependencies = [
        ("due", "0022_one_number_for_all_dates"),
        ("workorders", "0027_orders_know_when_they_are_needed"),
    ]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
