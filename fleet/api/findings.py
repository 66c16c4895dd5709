"""Findings: what looked wrong, followed up and closed; and vehicles that must not be used."""

from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from django.db.models import Q, QuerySet
from django.http import HttpResponseBase
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import (
    Act,
    Record,
    as_number,
    compartment_named,
    order_id_or_404,
    rest,
    sender,
    services_named,
    with_tag,
)
from fleet.api.fields import Day, Text, body, query
from fleet.api.orders.actions import ReasonGiven
from fleet.api.orders.records import JPEG, JpegRenderer, PhotoGiven, keep_photo, picture_of
from fleet.api.orders.shapes import OrderShape, PhotoShape
from fleet.api.orders.work_orders import made
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.repeats import Answer, once, refreshed
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.rows import Rows
from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.visits import order_days
from fleet.workorders import findings
from fleet.workorders.findings import Report
from fleet.workorders.models import DoNotUse, Finding, Photo, WorkOrder
from fleet.workorders.photos import of_findings

NEWEST_FIRST = Order("findings", ("id",), descending=True)
MARKS = Order("do not use", ("id",), descending=True)
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
    photos = serializers.ListField(child=serializers.IntegerField(), help_text="Ids, oldest first")


SHOWN = Rows(Finding, FindingShape, depot="vehicle__depot__slug", photos="")


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
    override_reason = Text(
        max_length=300,
        allow_blank=True,
        default="",
        help_text="Why a day stands on which the vehicle cannot come in; asked for",
    )
    join = Text(
        max_length=20,
        allow_blank=True,
        default="",
        help_text="Number of an open order of the vehicle that it is put on; empty: a new order",
    )
    re_check_days = serializers.IntegerField(
        min_value=1,
        max_value=366,
        allow_null=True,
        default=findings.RE_CHECK_DAYS,
        help_text="After a leak: re-check so many days from now; null: never",
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


SHOWN_MARKS = Rows(DoNotUse, MarkShape, depot="vehicle__depot__slug")


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
        """What looked wrong on vehicles, newest first; without findings that were taken back."""
        asked = query(request, FindingQuery)
        rows = SHOWN.values(_asked_for(request, asked))
        on_page, following = page(request, rows, NEWEST_FIRST, asked)
        return listed(_with_photos(on_page), following)

    @extend_schema(
        operation_id="findings_report", request=FindingGiven, responses={201: FindingShape}
    )
    def post(self, request: Request) -> Response:
        """Reports what looked wrong on a vehicle. Of severity `before use` it also keeps the
        vehicle from being used.
        """
        given = body(request, FindingGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        named = {
            "vehicle": vehicle,
            "compartment": compartment_named(vehicle, given.get("compartment")),
            "order": _order(request, given.get("order")),
        }

        def effect() -> Answer:
            row = findings.report(sender(request, given), Report(**{**rest(given), **named}))
            return Answer(one_finding(row.pk), HTTPStatus.CREATED)

        return once(request, effect)


class CloseFinding(Resource):
    scope = "findings"
    rights = {"POST": Right.RECORD_WORK}
    repeatable = ("POST",)

    @extend_schema(operation_id="findings_close", request=ReasonGiven, responses=FindingShape)
    def post(self, request: Request, finding_id: int) -> Response:
        """Closes a finding and says what became of it; a mark that it set on the vehicle stays.
        Refused where it is closed already.
        """
        found = finding_or_404(request, finding_id)
        given = body(request, ReasonGiven)

        def effect() -> Answer:
            findings.close(sender(request, given), found.pk, reason=given["reason"])
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
            acting, more = sender(request, given), rest(given)
            on, because = more.pop("planned_on", None), more.pop("override_reason")
            order = findings.follow_up(
                acting, found.pk, service_ids=[service.pk for service in services], **more
            )
            if on and not more["join"]:
                order = order_days.plan(acting, order.pk, planned_on=on, override_reason=because)
            return made(order)

        return with_tag(once(request, effect, refreshed(found.vehicle_id)))


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
        """Keeps a photo of a finding: its pixels only, no place and no camera."""
        found = finding_or_404(request, finding_id)
        return keep_photo(request, body(request, PhotoGiven), finding=found)


class FindingPhoto(Resource):
    """A picture of a finding itself, always JPEG."""

    scope = "findings"
    renderer_classes = [JpegRenderer, JSONRenderer]

    @extend_schema(operation_id="findings_photo_content", responses=JPEG)
    def get(self, request: Request, finding_id: int, photo_id: int) -> HttpResponseBase:
        return picture_of(
            Photo.objects.filter(finding=finding_or_404(request, finding_id)), photo_id
        )


class Marks(Resource):
    scope = "findings"
    rights = {"GET": Right.SEE, "POST": Right.SEE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="do_not_use_list",
        parameters=[MarkQuery],
        responses=page_shape("DoNotUsePage", MarkShape),
    )
    def get(self, request: Request) -> Response:
        """Vehicles that must not be used: the marks in force, newest first."""
        asked = query(request, MarkQuery)
        in_force = findings.marks_in_force().filter(vehicle__depot__in=depots_for(request))
        return SHOWN_MARKS.page(request, in_force.filter(of_vehicles(asked)), MARKS, asked)

    @extend_schema(operation_id="do_not_use_set", request=MarkGiven, responses={201: MarkShape})
    def post(self, request: Request) -> Response:
        """Marks a vehicle as not to be used, with the reason. Anybody who sees the vehicle may."""
        given = body(request, MarkGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])

        def effect() -> Answer:
            row = findings.set_do_not_use(
                sender(request, given), vehicle=vehicle, reason=given["reason"]
            )
            return Answer(_one_mark(row.pk), HTTPStatus.CREATED)

        return once(request, effect)


class ClearMark(Resource):
    scope = "findings"
    rights = {"POST": Right.CLEAR_DO_NOT_USE}
    repeatable = ("POST",)

    @extend_schema(operation_id="do_not_use_clear", request=ReasonGiven, responses=MarkShape)
    def post(self, request: Request, mark_id: int) -> Response:
        """Clears a mark that keeps a vehicle from being used. Refused to whoever set it, and where
        it was cleared already.
        """
        one_or_404(
            _marks_seen(request).filter(pk=mark_id),
            f"There is no such mark {mark_id} within your depots.",
        )
        given = body(request, ReasonGiven)

        def effect() -> Answer:
            findings.clear_do_not_use(sender(request, given), mark_id, reason=given["reason"])
            return Answer(_one_mark(mark_id))

        return once(request, effect)


def finding_or_404(request: Request, finding_id: int) -> Finding:
    return one_or_404(
        _seen(request).select_related("vehicle").filter(pk=finding_id),
        f"There is no finding {finding_id} within your depots.",
    )


def of_vehicles(asked: Row) -> Q:
    wanted = Q()
    if "depot" in asked:
        wanted &= Q(vehicle__depot__slug=asked["depot"])
    if "vehicle" in asked:
        wanted &= Q(vehicle__fleet_number__iexact=asked["vehicle"].strip())
    return wanted


def _order(request: Request, number: str | None) -> WorkOrder | None:
    return None if number is None else WorkOrder.objects.get(pk=order_id_or_404(request, number))


def _asked_for(request: Request, asked: Row) -> Any:
    rows = _seen(request, asked.get("state")).filter(of_vehicles(asked))
    return rows.filter(order__number=as_number(asked["order"])) if "order" in asked else rows


def _seen(request: Request, state: str | None = None) -> QuerySet[Finding]:
    reads = {None: findings.standing, OPEN: findings.open_findings}
    rows = reads.get(state, findings.closed_findings)()
    return rows.filter(vehicle__depot__in=depots_for(request))


def _with_photos(found: Sequence[Row]) -> list[Row]:
    pictures = of_findings([row["id"] for row in found])
    return [
        {**SHOWN.row(row), "photos": [one.pk for one in pictures.get(row["id"], [])]}
        for row in found
    ]


def one_finding(pk: int) -> Row:
    return _with_photos([SHOWN.values(Finding.objects.filter(pk=pk)).get()])[0]


def _marks_seen(request: Request) -> Any:
    return DoNotUse.objects.filter(vehicle__depot__in=depots_for(request))


def _one_mark(pk: int) -> Row:
    return SHOWN_MARKS.one(DoNotUse.objects.filter(pk=pk))
