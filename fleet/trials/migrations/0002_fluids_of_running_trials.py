"""Vehicles of trials that were drawn before are to get the product of their group, as new ones."""

from typing import Any

from django.db import migrations


def choose(apps: Any, schema_editor: Any) -> None:
    chosen = apps.get_model("due", "ChosenFluid")
    events = apps.get_model("trials", "TrialEvent")
    rows = apps.get_model("trials", "TrialVehicle").objects.select_related(
        "trial__service", "group"
    )
    drawn = {row.trial_id: row for row in events.objects.filter(what="groups drawn")}
    chosen.objects.bulk_create(
        chosen(
            vehicle_id=row.vehicle_id,
            compartment_id=row.trial.service.compartment_id,
            product_id=row.group.product_id,
            because=f"field trial: {row.trial.name}"[:300],
            source=f"drawn by field trial {row.trial.slug}",
            from_on=row.trial.starts_on,
            until_on=row.trial.ends_on,
            person_id=drawn[row.trial_id].person_id,
            chosen_at=drawn[row.trial_id].performed_at,
        )
        for row in rows
        if row.trial_id in drawn
    )


class Migration(migrations.Migration):
    dependencies = [("trials", "0001_initial"), ("due", "0008_chosen_fluid")]
    operations = [migrations.RunPython(choose, migrations.RunPython.noop)]
