"""Points of a step or of a re-check, confirmed one by one."""

from http import HTTPStatus

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.acting import Record, job_or_404, rest, sender
from fleet.api.fields import Number, Text, body
from fleet.api.orders.records import Recording
from fleet.api.orders.shapes import ConfirmShape, records
from fleet.api.repeats import Answer, once
from fleet.workorders import confirming, points
from fleet.workorders.confirming import PointSeen
from fleet.workorders.models import ConfirmRecord


class ConfirmGiven(Record):
    rule = Text(max_length=40, required=False, help_text="Slug of a re-check; or give a step")
    step = serializers.IntegerField(
        min_value=1, max_value=999, required=False, help_text="Its number on the card"
    )
    point = Text(max_length=40, allow_blank=True, default="", help_text="Where it has several")
    seen = serializers.BooleanField(
        required=False, allow_null=True, help_text="As it should be; by default what the value says"
    )
    value = Number(required=False, help_text="In its unit")
    unit = Text(
        max_length=12,
        allow_blank=True,
        default="",
        help_text="By default its figure's, of a torque N·m",
    )
    temperature_c = Number(required=False, help_text="At which a level was read")
    override_reason = Text(
        max_length=300, allow_blank=True, default="", help_text="Answers the question of a 409"
    )


class ConfirmedShape(ConfirmShape):
    raised = serializers.IntegerField(
        allow_null=True, help_text="Finding: it was not as it should be"
    )
    ended = serializers.BooleanField(help_text="It was the last point of a re-check")
    missing = serializers.ListField(
        child=serializers.CharField(), help_text="Points of the job that still want a record"
    )


class Confirms(Recording):
    """One point of a step or of a re-check, seen or measured."""

    @extend_schema(
        operation_id="jobs_confirm", request=ConfirmGiven, responses={201: ConfirmedShape}
    )
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        given = body(request, ConfirmGiven)

        def effect() -> Answer:
            made = confirming.confirm(sender(request, given), job.pk, PointSeen(**rest(given)))
            raised = made.raised.pk if made.raised else None
            left = [point.words for point in points.missing_points(made.record.job)]
            more = {"raised": raised, "ended": made.ended, "missing": left}
            (row,) = records(ConfirmRecord.objects.filter(pk=made.record.pk))
            return Answer({**row, **more}, HTTPStatus.CREATED)

        def afterwards(answer: Answer) -> Answer:
            if "rule" in given:
                chain.refresh([job.vehicle_id], timezone.now())
            return answer

        return once(request, effect, afterwards)
