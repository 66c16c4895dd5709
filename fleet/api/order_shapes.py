"""How orders, their jobs, history and records look."""

from datetime import timedelta
from typing import Any

from django.db.models import Aggregate, F, JSONField, QuerySet
from rest_framework import serializers

from fleet.workorders.downtime import SECONDS_PER_H, split
from fleet.workorders.models import (
    FluidRecord,
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
OWN = (
    *LISTED[1:],
    *("reason", "created_at", "released_at", "arrived_at", "started_at", "waited_s"),
    *("finished_at", "returned_at", "signed_off_at", "workshop_name", "invoice_number"),
    *("cost_minor",),
)
JOB_OWN = (*JOB_LISTED, "reason", "reason_text", "ended_at", "returned")
EVENT_OWN = (
    *("what", "from_state", "to_state", "channel", "reason", "performed_at", "recorded_at"),
)

Row = dict[str, Any]


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
    performed_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()


class OrderShape(OrderRow):
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
    workshop_name = serializers.CharField()
    invoice_number = serializers.CharField()
    cost_minor = serializers.IntegerField(allow_null=True)
    jobs = JobShape(many=True)
    events = EventShape(many=True, help_text="Oldest first")


class JobList(Aggregate):
    """The jobs of an order as one JSON array of arrays, in no certain order."""

    output_field = JSONField()
    template = "JSON_GROUP_ARRAY(JSON_ARRAY(%(expressions)s))"

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        template = "JSONB_AGG(JSONB_BUILD_ARRAY(%(expressions)s))"
        return self.as_sql(compiler, connection, template=template, **context)


def job_lists(order: Any) -> QuerySet[Any, Any]:
    """The jobs of an order within the query for the orders."""
    rows = Job.objects.filter(order=order).exclude(state=Job.State.DROPPED).order_by()
    found = JobList(*(F(name) for name in JOB_LISTED), F("service__slug"))
    return rows.values("order").annotate(found=found).values("found")


def listed_row(row: Row) -> Row:
    names = (*JOB_LISTED, "service")
    jobs = sorted(row["job_list"] or [])
    return {
        **{name: row[name] for name in LISTED[1:]},
        "vehicle": row["number_of_vehicle"],
        "registration": row["plate"],
        "depot": row["at"],
        "assigned_to": row["who"],
        "jobs": [dict(zip(names, job, strict=True)) for job in jobs],
    }


def whole(order_id: int) -> Row:
    """An order with its jobs and events: all that changes with its version."""
    row = WorkOrder.objects.values(
        *OWN,
        "follows",
        "reading",
        number_of_vehicle=F("vehicle__fleet_number"),
        plate=F("vehicle__registration"),
        at=F("depot__slug"),
        who=F("assigned_to__username"),
        finisher=F("finished_by__username"),
        signer=F("signed_off_by__username"),
    ).get(pk=order_id)
    return {
        **{name: row[name] for name in (*OWN, "follows", "reading")},
        **_downtime(row),
        "vehicle": row["number_of_vehicle"],
        "registration": row["plate"],
        "depot": row["at"],
        "assigned_to": row["who"],
        "finished_by": row["finisher"],
        "signed_off_by": row["signer"],
        "jobs": _jobs(order_id),
        "events": _events(order_id),
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


def _jobs(order_id: int) -> list[Row]:
    rows = Job.objects.filter(order=order_id).order_by("pk")
    found = rows.values(*JOB_OWN, slug=F("service__slug"), who=F("ended_by__username"))
    return [
        {**{name: row[name] for name in JOB_OWN}, "service": row["slug"], "ended_by": row["who"]}
        for row in found
    ]


def _events(order_id: int) -> list[Row]:
    rows = OrderEvent.objects.filter(order=order_id).order_by("pk")
    return [
        {**{name: row[name] for name in (*EVENT_OWN, "job")}, "person": row["who"]}
        for row in rows.values(*EVENT_OWN, "job", who=F("person__username"))
    ]


# --- records -------------------------------------------------------------------------------
class RecordShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    person = serializers.CharField(allow_null=True)
    performed_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    withdrawn_by = serializers.CharField(allow_null=True)
    withdrawn_reason = serializers.CharField()


class TorqueShape(RecordShape):
    job = serializers.IntegerField()
    fastener = serializers.CharField()
    fastener_name = serializers.CharField()
    reference_nm = serializers.FloatField()
    torque_nm = serializers.FloatField()
    to_the_figure = serializers.BooleanField()
    wrench = serializers.CharField(allow_null=True)
    question = serializers.CharField()
    override_reason = serializers.CharField()


class FluidShape(RecordShape):
    job = serializers.IntegerField()
    compartment = serializers.SlugField()
    way = serializers.ChoiceField(FluidRecord.Way.choices)
    litres = serializers.FloatField()
    look = serializers.CharField()
    product = serializers.SlugField(allow_null=True)
    batch = serializers.CharField()
    question = serializers.CharField()
    override_reason = serializers.CharField()


class MaterialShape(RecordShape):
    job = serializers.IntegerField()
    name = serializers.CharField()
    pieces = serializers.IntegerField(allow_null=True)
    litres = serializers.FloatField(allow_null=True)
    broken = serializers.BooleanField()


class NoteShape(RecordShape):
    text = serializers.CharField()


class PhotoShape(RecordShape):
    caption = serializers.CharField()
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()


class RecordsShape(serializers.Serializer[Any]):
    torques = TorqueShape(many=True)
    fluids = FluidShape(many=True)
    materials = MaterialShape(many=True)
    notes = NoteShape(many=True)
    photos = PhotoShape(many=True)


ELSEWHERE = {  # shown name to where it stands
    "person": "person__username",
    "withdrawn_by": "withdrawn_by__username",
    "wrench": "wrench__tag",
    "compartment": "compartment__slug",
    "product": "product__slug",
    "litres": "quantity_ml",
}
RECORDS = {
    TorqueRecord: TorqueShape,
    FluidRecord: FluidShape,
    MaterialUsed: MaterialShape,
    Note: NoteShape,
    Photo: PhotoShape,
}


def recorded(order_id: int) -> Row:
    return {
        "torques": records(TorqueRecord, job__order=order_id),
        "fluids": records(FluidRecord, job__order=order_id),
        "materials": records(MaterialUsed, job__order=order_id),
        "notes": records(Note, order=order_id),
        "photos": records(Photo, order=order_id),
    }


def records(kind: Any, **wanted: Any) -> list[Row]:
    """Records of a kind as they are shown, oldest first."""
    names = {name: ELSEWHERE.get(name, name) for name in map(str, RECORDS[kind]().fields)}
    rows = kind.objects.filter(**wanted).order_by("pk").values(*names.values())
    return [{name: _shown(name, row[at]) for name, at in names.items()} for row in rows]


def _shown(name: str, value: Any) -> Any:
    return value / 1000 if name == "litres" and value is not None else value
