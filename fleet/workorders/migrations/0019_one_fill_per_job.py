"""What a job filled and topped up is one fill with the running total, no longer one for each."""

import sys
from collections import defaultdict
from typing import Any

from django.db import migrations


def merge(apps: Any, schema_editor: Any) -> None:
    rows = (
        apps.get_model("workorders", "FluidRecord")
        .objects.filter(way__in=["filled", "topped up"], withdrawn_by=None, withdrawn_reason="")
        .select_related("job__order", "job__service", "product")
        .order_by("performed_at", "pk")
    )
    by_place: dict[tuple[int, int], list[Any]] = defaultdict(list)
    for row in rows:
        by_place[row.job_id, row.compartment_id].append(row)
    merged = sum(_merge(apps, key, found) for key, found in by_place.items())
    if merged:
        sys.stdout.write(f"\n    {merged} jobs had kept more than one fill or top-up; now one.")


def _merge(apps: Any, place: tuple[int, int], rows: list[Any]) -> int:
    fills = apps.get_model("due", "Fill").objects
    top_ups = apps.get_model("due", "TopUp").objects
    filled = [row for row in rows if row.way == "filled"]
    if not filled:
        return 0
    job, key = filled[0].job, f"job-{place[0]}-{place[1]}"
    changes = job.service is not None and job.service.kind == "change"
    joins = changes and job.service.compartment_id == place[1]
    topped_up = [row for row in rows if row.way == "topped up"] if joins else []
    there = _fills_of(fills, filled)
    if not there:
        return 0
    if len(there) == 1 and not topped_up:
        fills.filter(pk=there[0].pk).update(key=key)
        return 0
    last = there[-1]
    others = {row.product.name for row in [*filled, *topped_up] if row.product}
    others -= {filled[-1].product.name} if filled[-1].product else set()
    fills.filter(pk__in=[row.pk for row in there]).delete()
    top_ups.filter(client_key__in=[row.client_key for row in topped_up]).delete()
    fills.create(
        vehicle_id=last.vehicle_id,
        compartment_id=last.compartment_id,
        filled_on=last.filled_on,
        origin="unknown" if filled[-1].product_id is None else "product",
        product_id=filled[-1].product_id,
        quantity_ml=sum(row.quantity_ml for row in [*filled, *topped_up]),
        full_change=last.full_change,
        flushed=last.flushed,
        mixed_with=", ".join(sorted(others))[:120],
        source=last.source,
        key=key,
    )
    return 1


def _fills_of(fills: Any, filled: list[Any]) -> list[Any]:
    """The fill that each record had kept, each once."""
    found: list[Any] = []
    for row in filled:
        kept = fills.filter(
            vehicle_id=row.job.order.vehicle_id,
            compartment_id=row.compartment_id,
            product_id=row.product_id,
            quantity_ml=row.quantity_ml,
            source=f"work order {row.job.order.number}",
            key=None,
        )
        one = kept.exclude(pk__in=[kept.pk for kept in found]).order_by("pk").first()
        found += [one] if one else []
    return found


class Migration(migrations.Migration):
    dependencies = [
        ("workorders", "0018_fluid_as_typed"),
        ("due", "0016_fill_key_and_check_question"),
    ]

    operations = [migrations.RunPython(merge, migrations.RunPython.noop, elidable=False)]
