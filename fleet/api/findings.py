"""Findings: what looked wrong, followed up and closed; and vehicles that must not be used."""

from http import HTTPStatus
from typing import Any

from django.db.models import F, Q
from django.http import HttpResponseBase
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.acting import (
    Act,
    Record,
    actor,
    as_number,
    compartment_named,
    order_id_or_404,
    rest,
    services_named,
    with_tag,
)
from fleet.api.fields import Day, Text, body, query
from fleet.api.order_actions import ReasonGiven
from fleet.api.order_records import JPEG, JpegRenderer, PhotoGiven, keep_photo, picture_of
from fleet.api.order_shapes import OrderShape, PhotoShape
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.signin import depots_for
from fleet.api.work_orders import made
from fleet.people.roles import Right
from fleet.workorders import findings
from fleet.workorders.models import DoNotUse, Finding, WorkOrder

NEWEST_FIRST = Order("findings", ("id",), descending=True)
MARKS = Order("do not use", ("id",), descending=True)
COLUMNS = (
    *("id", "client_key", "kind", "severity", "found_by", "text", "performed_at", "recorded_at"),
    *("closed_at", "closed_reason"),
)
MARK_COLUMNS = ("id", "reason", "set_at", "cleared_at", "cleared_reason")
STATES = OPEN, CLOSED = ("open", "closed")
REPORTERS = [one for one in Finding.FoundBy.choices if one[0] != Finding.FoundBy.PROGRAM]


class FindingQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)
    state = serializers.ChoiceField(STATES, required=False)
    order = Text(required=False, help_text="Number of the order it was found on")


class FindingShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    compartment = serializers.SlugField(allow_null=True)
    order = serializers.CharField(allow_null=True, help_text="Number")
    kind = serializers.ChoiceField(Finding.Kind.choices)
    severity = serializers.ChoiceField(Finding.Severity.choices)
    found_by = serializers.ChoiceField(Finding.FoundBy.choices)
    text = serializers.CharField()
    person = serializers.CharField(allow_null=True)
    performed_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)
    closed_by = serializers.CharField(allow_null=True)
    closed_reason = serializers.CharField()


class FindingGiven(Record):
    vehicle = Text(max_length=40, help_text="Fleet number")
    compartment = Text(max_length=40, required=False)
    order = Text(max_length=20, required=False, help_text="Number of an order of this vehicle")
    kind = serializers.ChoiceField(Finding.Kind.choices)
    severity = serializers.ChoiceField(
        Finding.Severity.choices, help_text="`before use` also sets do not use"
    )
    found_by = serializers.ChoiceField(REPORTERS, default=Finding.FoundBy.MECHANIC)
    text = Text(max_length=250)


class FollowGiven(Act):
    what = Text(max_length=120, help_text="What puts it right")
    minutes = serializers.IntegerField(min_value=0, max_value=6_000, default=0)
    services = serializers.ListField(child=Text(max_length=40), max_length=50, default=list)
    planned_on = Day(required=False)
    re_check_days = serializers.IntegerField(
        min_value=1,
        max_value=366,
        allow_null=True,
        default=findings.RE_CHECK_DAYS,
        help_text="After a leak: look again so many days from now; null: never",
    )


class MarkQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)


class MarkShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    reason = serializers.CharField()
    set_by = serializers.CharField(allow_null=True)
    set_at = serializers.DateTimeField()
    cleared_by = serializers.CharField(allow_null=True)
    cleared_at = serializers.DateTimeField(allow_null=True)
    cleared_reason = serializers.CharField()


class MarkGiven(ReasonGiven):
    vehicle = Text(max_length=40, help_text="Fleet number")


class Findings(Resource):
    scope = "findings"
    rights = {"GET": Right.SEE, "POST": Right.REPORT_FINDING}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="findings_list",
        parameters=[FindingQuery],
        responses=page_shape("FindingPage", FindingShape),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, FindingQuery)
        rows = _values(_seen(request).filter(of_vehicles(asked), _in_state(asked)))
        on_page, following = page(request, rows, NEWEST_FIRST, asked)
        return listed([_row(row) for row in on_page], following)

    @extend_schema(
        operation_id="findings_report", request=FindingGiven, responses={201: FindingShape}
    )
    def post(self, request: Request) -> Response:
        given = body(request, FindingGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        named = {
            "vehicle": vehicle,
            "compartment": compartment_named(vehicle, given.get("compartment")),
            "order": _order(request, given.get("order")),
        }

        def effect() -> Answer:
            row = findings.report(actor(request, given), **{**rest(given), **named})
            return Answer(one_finding(row.pk), HTTPStatus.CREATED)

        return once(request, effect)


class CloseFinding(Resource):
    scope = "findings"
    rights = {"POST": Right.RECORD_WORK}
    repeatable = ("POST",)

    @extend_schema(operation_id="findings_close", request=ReasonGiven, responses=FindingShape)
    def post(self, request: Request, finding_id: int) -> Response:
        found = finding_or_404(request, finding_id)
        given = body(request, ReasonGiven)

        def effect() -> Answer:
            findings.close(actor(request, given), found.pk, reason=given["reason"])
            return Answer(one_finding(found.pk))

        return once(request, effect)


class FollowUp(Resource):
    """Draft the order that puts a finding right; after a leak a re-check falls due."""

    scope = "findings"
    rights = {"POST": Right.RELEASE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="findings_follow_up", request=FollowGiven, responses={201: OrderShape}
    )
    def post(self, request: Request, finding_id: int) -> Response:
        found = finding_or_404(request, finding_id)
        given = body(request, FollowGiven)
        services = services_named(found.vehicle, given.pop("services"))

        def effect() -> Answer:
            order = findings.follow_up(
                actor(request, given),
                found.pk,
                service_ids=[service.pk for service in services],
                **rest(given),
            )
            return made(order)

        def then(answer: Answer) -> Answer:
            chain.refresh([found.vehicle_id], timezone.now())
            return answer

        return with_tag(once(request, effect, then))


class FindingPhotos(Resource):
    scope = "findings"
    rights = {"POST": Right.REPORT_FINDING}
    repeatable = ("POST",)
    parser_classes = [MultiPartParser]

    @extend_schema(
        operation_id="findings_photo",
        request={"multipart/form-data": PhotoGiven},
        responses={201: PhotoShape},
    )
    def post(self, request: Request, finding_id: int) -> Response:
        found = finding_or_404(request, finding_id)
        return keep_photo(request, body(request, PhotoGiven), finding=found)


class FindingPhoto(Resource):
    """The picture itself, always JPEG."""

    scope = "findings"
    renderer_classes = [JpegRenderer, JSONRenderer]

    @extend_schema(operation_id="findings_photo_content", responses=JPEG)
    def get(self, request: Request, finding_id: int, photo_id: int) -> HttpResponseBase:
        return picture_of(photo_id, finding=finding_or_404(request, finding_id))


class Marks(Resource):
    scope = "findings"
    rights = {"GET": Right.SEE, "POST": Right.SEE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="do_not_use_list",
        parameters=[MarkQuery],
        responses=page_shape("DoNotUsePage", MarkShape),
        description="Those in force.",
    )
    def get(self, request: Request) -> Response:
        asked = query(request, MarkQuery)
        rows = _marks(_marks_seen(request).filter(of_vehicles(asked), cleared_at=None))
        on_page, following = page(request, rows, MARKS, asked)
        return listed([_mark(row) for row in on_page], following)

    @extend_schema(operation_id="do_not_use_set", request=MarkGiven, responses={201: MarkShape})
    def post(self, request: Request) -> Response:
        given = body(request, MarkGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])

        def effect() -> Answer:
            row = findings.set_do_not_use(
                actor(request, given), vehicle=vehicle, reason=given["reason"]
            )
            return Answer(_one_mark(row.pk), HTTPStatus.CREATED)

        return once(request, effect)


class ClearMark(Resource):
    scope = "findings"
    rights = {"POST": Right.CLEAR_DO_NOT_USE}
    repeatable = ("POST",)

    @extend_schema(operation_id="do_not_use_clear", request=ReasonGiven, responses=MarkShape)
    def post(self, request: Request, mark_id: int) -> Response:
        if not _marks_seen(request).filter(pk=mark_id).exists():
            raise NotFound(f"There is no such mark {mark_id} within your depots.")
        given = body(request, ReasonGiven)

        def effect() -> Answer:
            findings.clear_do_not_use(actor(request, given), mark_id, reason=given["reason"])
            return Answer(_one_mark(mark_id))

        return once(request, effect)


def finding_or_404(request: Request, finding_id: int) -> Finding:
    found: Finding | None = _seen(request).select_related("vehicle").filter(pk=finding_id).first()
    if found is None:
        raise NotFound(f"There is no finding {finding_id} within your depots.")
    return found


def of_vehicles(asked: Row) -> Q:
    wanted = Q()
    if "depot" in asked:
        wanted &= Q(vehicle__depot__slug=asked["depot"])
    if "vehicle" in asked:
        wanted &= Q(vehicle__fleet_number__iexact=asked["vehicle"].strip())
    return wanted


def _order(request: Request, number: str | None) -> WorkOrder | None:
    return None if number is None else WorkOrder.objects.get(pk=order_id_or_404(request, number))


def _in_state(asked: Row) -> Q:
    wanted = Q(order__number=as_number(asked["order"])) if "order" in asked else Q()
    if "state" in asked:
        wanted &= Q(closed_at__isnull=asked["state"] == OPEN)
    return wanted


def _seen(request: Request) -> Any:
    return Finding.objects.filter(vehicle__depot__in=depots_for(request), withdrawn_by=None)


def _values(found: Any) -> Any:
    return found.values(
        *COLUMNS,
        number=F("vehicle__fleet_number"),
        at=F("vehicle__depot__slug"),
        part=F("compartment__slug"),
        on_order=F("order__number"),
        who=F("person__username"),
        closer=F("closed_by__username"),
    )


def _row(row: Row) -> Row:
    return {
        **{name: row[name] for name in COLUMNS},
        "vehicle": row["number"],
        "depot": row["at"],
        "compartment": row["part"],
        "order": row["on_order"],
        "person": row["who"],
        "closed_by": row["closer"],
    }


def one_finding(pk: int) -> Row:
    return _row(_values(Finding.objects.filter(pk=pk)).get())


def _marks_seen(request: Request) -> Any:
    return DoNotUse.objects.filter(vehicle__depot__in=depots_for(request))


def _marks(found: Any) -> Any:
    return found.values(
        *MARK_COLUMNS,
        number=F("vehicle__fleet_number"),
        at=F("vehicle__depot__slug"),
        setter=F("set_by__username"),
        clearer=F("cleared_by__username"),
    )


def _mark(row: Row) -> Row:
    return {
        **{name: row[name] for name in MARK_COLUMNS},
        "vehicle": row["number"],
        "depot": row["at"],
        "set_by": row["setter"],
        "cleared_by": row["clearer"],
    }


def _one_mark(pk: int) -> Row:
    return _mark(_marks(DoNotUse.objects.filter(pk=pk)).get())
