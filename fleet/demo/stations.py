"""What the fuel stations sent before the depots kept lists of their own: notes by the API."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.demo.drive import Drive
from fleet.demo.logbooks import Entry as Note
from fleet.readings.enter import Entry, enter, meters_of
from fleet.readings.models import Source
from fleet.vehicles.models import Vehicle


def send(notes: Sequence[Note], vans: Mapping[str, Drive]) -> None:
    """Store what can be read of some notes; its caller judges them."""
    rows = Vehicle.objects.select_related("depot").filter(fleet_number__in=vans)
    vehicles = {row.fleet_number: row for row in rows}
    readable = [note for note in notes if note.shown.isdigit() and note.number in vehicles]
    units = {note.number: vans[note.number].van["Odometer shows"] for note in readable}
    meters = meters_of({(vehicles[number].pk, "km"): unit for number, unit in units.items()})
    enter(
        [
            Entry(
                vehicle_id=vehicles[note.number].pk,
                meter_id=meters[vehicles[note.number].pk, "km"],
                taken_at=datetime.combine(
                    note.day, note.clock, ZoneInfo(vehicles[note.number].depot.zone)
                ),
                time_known=True,
                value=float(note.shown),
                unit=units[note.number],
                note=note.note,
            )
            for note in readable
        ],
        Source.API,
    )
