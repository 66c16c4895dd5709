"""How orders, their jobs, history and records look."""

from datetime import timedelta
from typing import Any

from django.db.models import Q, QuerySet
from rest_framework import serializers

from fleet.api.fields import Strict, Text
from fleet.api.rows import Rows
from fleet.due.models import CheckResult
from fleet.people.models import TorqueUnit
from fleet.workorders.downtime import SECONDS_PER_H, split
from fleet.workorders.fit import told
from fleet.workorders.measured import of_order
from fleet.workorders.models import (
    ConfirmRecord,
    FluidRecord,
    Gap,
    Job,
    MaterialUsed,
    Note,
    OrderEvent,
    Photo,
    Raising,
    TorqueRecord,
    WorkOrder,
)

LISTED = (
    *("id", "number", "version", "state", "where", "planned_on", "raising", "waiting_for"),
    *("waiting_since", "fit_for_use", "restriction"),
)
JOB_LISTED = ("id", "title", "minutes", "state")
JOB_NAMES = {**{name: name for name in JOB_LISTED}, "service": "service__slug"}

Row = dict[str, Any]


class OtherWork(Strict):
    title = Text(max_length=120)
    minutes = serializers.IntegerField(min_value=0, max_value=6_000, default=0)


class JobRow(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    title = serializers.CharField()
    service = serializers.SlugField(allow_null=True, help_text="Null: other work, in words")
    minutes = serializers.IntegerField()
    state = serializers.ChoiceField(Job.State.choices)


class OrderRow(serializers.Serializer[Any]):
    number = serializers.CharField()
    version = serializers.IntegerField(help_text='In quotes the ETag: 7 is sent as `"7"`')
    state = serializers.ChoiceField(WorkOrder.State.choices)
    where = serializers.ChoiceField(WorkOrder.Where.choices)
    vehicle = serializers.CharField(help_text="Fleet number")
    registration = serializers.CharField()
    depot = serializers.SlugField()
    planned_on = serializers.DateField(allow_null=True)
    assigned_to = serializers.CharField(allow_null=True, help_text="User name")
    raising = serializers.ChoiceField(Raising.choices)
    waiting_for = serializers.CharField()
    waiting_since = serializers.DateTimeField(allow_null=True)
    fit_for_use = serializers.ChoiceField([*WorkOrder.Fit.choices, ""], help_text="Once finished")
    restriction = serializers.CharField()
    jobs = JobRow(many=True)


class JobShape(JobRow):
    spent_min = serializers.IntegerField(
        allow_null=True, help_text="On what was part done or not done, which costs these"
    )
    reason = serializers.ChoiceField([*Job.Reason.choices, ""])
    reason_text = serializers.CharField()
    ended_at = serializers.DateTimeField(allow_null=True)
    ended_by = serializers.CharField(allow_null=True)
    returned = serializers.BooleanField(help_text="Waits for the supervisor's decision")


class EventShape(serializers.Serializer[Any]):
    what = serializers.CharField()
    job = serializers.IntegerField(allow_null=True)
    from_state = serializers.CharField()
    to_state = serializers.CharField()
    person = serializers.CharField(allow_null=True, help_text="Null: the program")
    channel = serializers.CharField()
    reason = serializers.CharField()
    planned_on = serializers.DateField(allow_null=True, help_text="The day it was given")
    assigned_to = serializers.CharField(allow_null=True, help_text="Whom it was given to")
    emptied = serializers.BooleanField(help_text="Its day, or who had it, was taken off")
    performed_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()


class GapShape(serializers.Serializer[Any]):
    job = serializers.IntegerField()
    kind = serializers.ChoiceField(Gap.Kind.choices)
    words = serializers.CharField(help_text="What was expected and is not recorded")
    safety = serializers.BooleanField()
    reason = serializers.CharField(help_text="Done all the same, because")
    person = serializers.CharField(allow_null=True)
    performed_at = serializers.DateTimeField()


class OrderShape(OrderRow):
    why_it_stands = serializers.CharField(
        help_text="The planned day, although the vehicle cannot come in then"
    )
    reason = serializers.CharField(help_text="Why it was drafted by hand")
    follows = serializers.IntegerField(allow_null=True, help_text="Id of a finding")
    created_at = serializers.DateTimeField()
    released_at = serializers.DateTimeField(allow_null=True)
    arrived_at = serializers.DateTimeField(allow_null=True, help_text="Downtime begins")
    started_at = serializers.DateTimeField(allow_null=True)
    waited_s = serializers.IntegerField(help_text="In all, of past waits")
    downtime_s = serializers.IntegerField(allow_null=True, help_text="Until it was handed back")
    working_s = serializers.IntegerField(allow_null=True, help_text="Downtime without the waits")
    finished_at = serializers.DateTimeField(allow_null=True)
    finished_by = serializers.CharField(allow_null=True)
    reading = serializers.IntegerField(allow_null=True, help_text="Id of the odometer reading")
    returned_at = serializers.DateTimeField(allow_null=True, help_text="Downtime ends")
    signed_off_at = serializers.DateTimeField(allow_null=True)
    signed_off_by = serializers.CharField(allow_null=True)
    late_since = serializers.DateTimeField(
        allow_null=True, help_text="Records came after the sign-off that nobody has seen yet"
    )
    workshop_name = serializers.CharField()
    invoice_number = serializers.CharField()
    cost_minor = serializers.IntegerField(allow_null=True)
    jobs = JobShape(many=True)
    gaps = GapShape(many=True, help_text="What jobs that are done leave unrecorded")
    events = EventShape(many=True, help_text="Oldest first")


APART = dict.fromkeys(("downtime_s", "working_s", "jobs", "gaps", "events"), "")
SHOWN = Rows(WorkOrder, OrderShape, registration="vehicle__registration", **APART)
SHOWN_JOBS = Rows(Job, JobShape)
SHOWN_GAPS = Rows(Gap, GapShape)
SHOWN_EVENTS = Rows(OrderEvent, EventShape)


def listed_row(row: Row) -> Row:
    jobs = sorted(row["job_list"] or [])
    return {
        **{name: row[name] for name in LISTED[1:]},
        "vehicle": row["number_of_vehicle"],
        "registration": row["plate"],
        "depot": row["at"],
        "assigned_to": row["who"],
        "jobs": [dict(zip(JOB_NAMES, job, strict=True)) for job in jobs],
    }


def whole(order_id: int) -> Row:
    """An order with its jobs and events: all that changes with its version."""
    row = SHOWN.one(WorkOrder.objects.filter(pk=order_id))
    return {
        **row,
        **_downtime(row),
        "jobs": SHOWN_JOBS.all(Job.objects.filter(order=order_id).order_by("pk")),
        "gaps": SHOWN_GAPS.all(Gap.objects.filter(job__order=order_id).order_by("pk")),
        "events": SHOWN_EVENTS.all(OrderEvent.objects.filter(order=order_id).order_by("pk")),
    }


def _downtime(row: Row) -> Row:
    if row["arrived_at"] is None or row["returned_at"] is None:
        return {"downtime_s": None, "working_s": None}
    found = split(
        row["arrived_at"], row["returned_at"], timedelta(seconds=row["waited_s"]), running=False
    )
    return {
        "downtime_s": round(found.whole_h * SECONDS_PER_H),
        "working_s": round(found.working_h * SECONDS_PER_H),
    }


# --- records -------------------------------------------------------------------------------
class RecordShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    person = serializers.CharField(allow_null=True)
    performed_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    withdrawn_by = serializers.CharField(allow_null=True)
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_reason = serializers.CharField()


class TorqueShape(RecordShape):
    job = serializers.IntegerField()
    fastener = serializers.CharField()
    fastener_name = serializers.CharField()
    point = serializers.CharField()
    reference_nm = serializers.FloatField()
    figure_source = serializers.CharField(help_text="Book of the figure, where no card names it")
    torque_nm = serializers.FloatField()
    typed = serializers.CharField(help_text="As typed, where a unit other than N·m stood there")
    to_the_figure = serializers.BooleanField()
    wrench = serializers.CharField(allow_null=True)
    question = serializers.CharField()
    override_reason = serializers.CharField()


class FluidShape(RecordShape):
    job = serializers.IntegerField()
    compartment = serializers.SlugField()
    way = serializers.ChoiceField(FluidRecord.Way.choices)
    litres = serializers.FloatField()
    typed = serializers.CharField(help_text="As typed, where a unit other than litres stood there")
    look = serializers.CharField()
    product = serializers.SlugField(allow_null=True)
    batch = serializers.CharField()
    question = serializers.CharField()
    override_reason = serializers.CharField()


class ConfirmShape(RecordShape):
    job = serializers.IntegerField()
    rule = serializers.SlugField(allow_null=True)
    step = serializers.IntegerField(allow_null=True)
    about = serializers.CharField(help_text="The words of the step or rule")
    point = serializers.CharField()
    seen = serializers.BooleanField(help_text="As it should be")
    value = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    temperature_c = serializers.FloatField(allow_null=True)
    too_early = serializers.BooleanField(help_text="Kept, but the re-check still stands")
    question = serializers.CharField()
    override_reason = serializers.CharField()


class MaterialShape(RecordShape):
    job = serializers.IntegerField()
    name = serializers.CharField()
    pieces = serializers.IntegerField(allow_null=True)
    litres = serializers.FloatField(allow_null=True)
    broken = serializers.BooleanField()
    override_reason = serializers.CharField()


class NoteShape(RecordShape):
    text = serializers.CharField()


class PhotoShape(RecordShape):
    finding = serializers.IntegerField(allow_null=True, help_text="Null: of the order itself")
    caption = serializers.CharField()
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()


class CheckShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    figure = serializers.SlugField()
    value = serializers.FloatField()
    unit = serializers.CharField()
    outcome = serializers.ChoiceField(
        CheckResult.Outcome.choices,
        help_text="not judged: the figure has no limits, and nothing follows from the value",
    )
    test_method = serializers.CharField()
    measured_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    withdrawn_by = serializers.CharField(allow_null=True)
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_reason = serializers.CharField()


class RecordsShape(serializers.Serializer[Any]):
    torques = TorqueShape(many=True)
    fluids = FluidShape(many=True)
    materials = MaterialShape(many=True)
    confirms = ConfirmShape(many=True)
    notes = NoteShape(many=True)
    photos = PhotoShape(many=True)
    checks = CheckShape(many=True)


SHOWN_RECORDS = {
    TorqueRecord: Rows(TorqueRecord, TorqueShape),
    FluidRecord: Rows(FluidRecord, FluidShape, litres="quantity_ml"),
    MaterialUsed: Rows(MaterialUsed, MaterialShape, litres="quantity_ml"),
    ConfirmRecord: Rows(ConfirmRecord, ConfirmShape),
    Note: Rows(Note, NoteShape),
    Photo: Rows(Photo, PhotoShape),
}


def recorded(order_id: int) -> Row:
    return {
        "torques": records(TorqueRecord.objects.filter(job__order=order_id)),
        "fluids": records(FluidRecord.objects.filter(job__order=order_id)),
        "materials": records(MaterialUsed.objects.filter(job__order=order_id)),
        "confirms": records(ConfirmRecord.objects.filter(job__order=order_id)),
        "notes": records(Note.objects.filter(order=order_id)),
        "photos": records(Photo.objects.filter(Q(order=order_id) | Q(finding__order=order_id))),
        "checks": [check(row) for row in of_order(WorkOrder.objects.get(pk=order_id))],
    }


def check(row: CheckResult) -> Row:
    names = (
        *("id", "client_key", "value", "outcome", "test_method", "measured_at", "recorded_at"),
        *("withdrawn_at", "withdrawn_reason"),
    )
    by = row.withdrawn_by
    return {
        **{name: getattr(row, name) for name in names},
        "figure": row.figure.slug,
        "unit": row.figure.unit,
        "withdrawn_by": by.get_username() if by else None,
    }


def records(found: QuerySet[Any]) -> list[Row]:
    """Records of a kind as they are shown, oldest first."""
    rows = SHOWN_RECORDS[found.model].all(found.order_by("pk"))
    return [{name: _shown(name, value, row) for name, value in row.items()} for row in rows]


def _shown(name: str, value: Any, row: Row) -> Any:
    if value is None:
        return None
    if name.endswith("_nm") or (name == "value" and row["unit"] == TorqueUnit.NEWTON_METRES):
        return told(value)
    return value / 1000 if name == "litres" else value
