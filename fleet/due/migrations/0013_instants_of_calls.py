"""Give every call the instant it was made: that of the value measured, else its day's beginning."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db import migrations


def fill(apps, schema_editor):
    calls = apps.get_model("due", "DueEarlier").objects.filter(called_at=None)
    for call in calls.select_related("vehicle__depot", "service"):
        zone = ZoneInfo(call.vehicle.depot.zone)
        result = _result_of(apps, call, zone)
        call.called_at = datetime.combine(call.called_on, time(), zone).astimezone(UTC)
        if result is not None:
            call.result, call.called_at = result, result.measured_at
            call.called_on = _day(result, zone)
        if result is not None and result.outcome == "watch":
            call.anchor = _own_check(apps, call)
        call.save()


def _result_of(apps, call, zone):
    """The value whose words the call carries, measured on its day (the day before a *watch*)."""
    rows = apps.get_model("due", "CheckResult").objects.filter(vehicle=call.vehicle)
    for row in rows.select_related("figure").order_by("measured_at", "pk"):
        words = f"{row.figure.name} {row.value:g} {row.figure.unit}: {row.outcome} ("
        early = timedelta(days=1) if row.outcome == "watch" else timedelta()
        if call.reason.startswith(words) and _day(row, zone) == call.called_on - early:
            return row
    return None


def _day(result, zone):
    return result.measured_at.astimezone(zone).date()


def _own_check(apps, call):
    """The check that the value was measured at, recorded as done on the same day."""
    done = apps.get_model("due", "ServiceDone").objects.filter(
        vehicle=call.vehicle, service=call.service, done_on=call.called_on, void=False
    )
    return done.exclude(superseded_by__void=True).order_by("pk").first()


class Migration(migrations.Migration):
    dependencies = [("due", "0012_figures_follow_the_frost")]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
