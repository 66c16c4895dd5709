"""What is recorded at the vehicle: added rows, each once under its key, until the sign-off."""

from http import HTTPStatus
from pathlib import Path
from typing import Any

from django.conf import settings
from django.http import HttpResponse, HttpResponseBase
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.acting import (
    Act,
    Record,
    actor,
    compartment_named,
    job_or_404,
    order_id_or_404,
    rest,
    wrong,
)
from fleet.api.fields import Number, Text, body
from fleet.api.order_shapes import (
    FluidShape,
    MaterialShape,
    NoteShape,
    PhotoShape,
    TorqueShape,
    records,
)
from fleet.api.repeats import Answer, digest, once
from fleet.api.resource import Resource
from fleet.due.models import CheckFigure, CheckResult
from fleet.people.roles import Right
from fleet.stores.models import Product
from fleet.workorders import checks, photos, recording, withdraw
from fleet.workorders.models import (
    FluidRecord,
    Job,
    MaterialUsed,
    Note,
    Photo,
    TorqueRecord,
    WorkOrder,
)

WITHDRAWABLE: dict[str, tuple[Any, str]] = {
    "torques": (TorqueRecord, "job__order"),
    "fluids": (FluidRecord, "job__order"),
    "materials": (MaterialUsed, "job__order"),
    "notes": (Note, "order"),
    "photos": (Photo, "order"),
}


class JpegRenderer(BaseRenderer):
    """Names the type for content negotiation; the view answers with the file."""

    media_type = "image/jpeg"
    format = "jpg"


JPEG = {(200, JpegRenderer.media_type): OpenApiTypes.BINARY}


class Overridable(Record):
    typed_text = Text(
        max_length=40, allow_blank=True, default="", help_text="As typed, for its decimal places"
    )
    override_reason = Text(
        max_length=300, allow_blank=True, default="", help_text="Answers the question of a 409"
    )


class TorqueGiven(Overridable):
    fastener = Text(max_length=40, help_text="Slug, as on the card")
    torque_nm = Number(required=False, help_text="Left out: tightened to the figure")
    wrench = Text(max_length=40, allow_blank=True, default="", help_text="Tag, as engraved")


class FluidGiven(Overridable):
    way = serializers.ChoiceField(FluidRecord.Way.choices)
    litres = Number()
    compartment = Text(max_length=40, required=False, help_text="By default the service's")
    look = Text(max_length=60, allow_blank=True, default="", help_text="Of what came out")
    product = Text(max_length=60, required=False, help_text="Slug")
    batch = Text(max_length=60, allow_blank=True, default="")


class MaterialGiven(Record):
    name = Text(max_length=120)
    pieces = serializers.IntegerField(min_value=1, max_value=10_000, required=False)
    litres = Number(max_value=10_000, required=False)
    broken = serializers.BooleanField(default=False, help_text="It broke on removal")


class NoteGiven(Record):
    text = Text(max_length=1000)


class PhotoGiven(Record):
    photo = serializers.FileField(help_text="JPEG, PNG or WebP; told apart by content")
    caption = Text(max_length=200, allow_blank=True, default="")


class CheckGiven(Record):
    figure = Text(max_length=40, help_text="Slug of a check figure of the job's service")
    value = Number(help_text="In the figure's unit")
    test_method = Text(max_length=120, allow_blank=True, default="")


class WithdrawGiven(Act):
    reason = Text(max_length=300)


class CheckShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    figure = serializers.SlugField()
    value = serializers.FloatField()
    unit = serializers.CharField()
    outcome = serializers.ChoiceField(CheckResult.Outcome.choices)
    test_method = serializers.CharField()
    measured_at = serializers.DateTimeField()


class TightenedShape(TorqueShape):
    warning = serializers.CharField(help_text="Empty, or: the calibration of the wrench had ended")


class PouredShape(FluidShape):
    raised = serializers.IntegerField(allow_null=True, help_text="Finding: the wrong fluid")
    proposals = serializers.ListField(child=serializers.CharField(), help_text="Worth reporting")


class Recording(Resource):
    scope = "work-orders"
    rights = {"POST": Right.RECORD_WORK}
    repeatable = ("POST",)


class Torques(Recording):
    @extend_schema(operation_id="jobs_torque", request=TorqueGiven, responses={201: TightenedShape})
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        given = body(request, TorqueGiven)

        def effect() -> Answer:
            row = recording.torque(actor(request, given), job.pk, **rest(given))
            return _kept(TorqueRecord, row.pk, {"warning": recording.calibration_warning(row)})

        return once(request, effect)


class Fluids(Recording):
    @extend_schema(operation_id="jobs_fluid", request=FluidGiven, responses={201: PouredShape})
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        given = body(request, FluidGiven)
        named = {
            "product": product_named(given["product"]) if "product" in given else None,
            "compartment": compartment_named(job.vehicle, given.get("compartment")),
        }

        def effect() -> Answer:
            poured = recording.fluid(actor(request, given), job.pk, **{**rest(given), **named})
            raised = poured.raised.pk if poured.raised else None
            more = {"raised": raised, "proposals": list(poured.proposals)}
            return _kept(FluidRecord, poured.record.pk, more)

        return once(request, effect)


class Materials(Recording):
    @extend_schema(
        operation_id="jobs_material", request=MaterialGiven, responses={201: MaterialShape}
    )
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        given = body(request, MaterialGiven)

        def effect() -> Answer:
            row = recording.material(actor(request, given), job.pk, **rest(given))
            return _kept(MaterialUsed, row.pk)

        return once(request, effect)


class Checks(Recording):
    """A measured value; what it calls for falls due at once."""

    @extend_schema(operation_id="jobs_check", request=CheckGiven, responses={201: CheckShape})
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        given = body(request, CheckGiven)
        figure = _figure(job, given["figure"])

        def effect() -> Answer:
            measured = {**rest(given), "figure": figure}
            row = checks.measure(actor(request, given), job.order, **measured)
            return Answer(_check(row), HTTPStatus.CREATED)

        def then(answer: Answer) -> Answer:
            chain.refresh([job.vehicle_id], timezone.now())
            return answer

        return once(request, effect, then)


class Notes(Recording):
    @extend_schema(operation_id="work_orders_note", request=NoteGiven, responses={201: NoteShape})
    def post(self, request: Request, number: str) -> Response:
        order_id = order_id_or_404(request, number)
        given = body(request, NoteGiven)

        def effect() -> Answer:
            row = recording.note(actor(request, given), order_id, **rest(given))
            return _kept(Note, row.pk)

        return once(request, effect)


class Photos(Recording):
    parser_classes = [MultiPartParser]

    @extend_schema(
        operation_id="work_orders_photo",
        request={"multipart/form-data": PhotoGiven},
        responses={201: PhotoShape},
    )
    def post(self, request: Request, number: str) -> Response:
        order_id = order_id_or_404(request, number)
        given = body(request, PhotoGiven)
        return keep_photo(request, given, order=WorkOrder.objects.get(pk=order_id))


class OnePhoto(Resource):
    """The picture itself, always JPEG."""

    scope = "work-orders"
    renderer_classes = [JpegRenderer, JSONRenderer]

    @extend_schema(operation_id="work_orders_photo_content", responses=JPEG)
    def get(self, request: Request, number: str, photo_id: int) -> HttpResponseBase:
        return picture_of(photo_id, order=order_id_or_404(request, number))


def picture_of(photo_id: int, **place: Any) -> HttpResponseBase:
    found = Photo.objects.filter(pk=photo_id, **place).first()
    file = found and Path(settings.MEDIA_ROOT) / found.path
    if not file or not file.is_file():
        raise NotFound(f"There is no photo {photo_id} here.")
    return HttpResponse(file.read_bytes(), content_type=JpegRenderer.media_type)


def keep_photo(request: Request, given: dict[str, Any], **place: Any) -> Response:
    """Keep a photo of an order or a finding."""
    content = [digest(given["photo"]), given["client_key"]]
    picture = photos.decoded(given["photo"].read(photos.MOST_BYTES + 1))

    def effect() -> Answer:
        row = photos.add(
            actor(request, given),
            picture,
            client_key=given["client_key"],
            caption=given["caption"],
            **place,
        )
        return _kept(Photo, row.pk)

    return once(request, effect, content=content)


class Withdrawal(Recording):
    """Take a record back; the row stays, with who took it back and why."""

    @extend_schema(operation_id="work_orders_withdraw", request=WithdrawGiven,
                   responses={204: None})  # fmt: skip
    def post(self, request: Request, number: str, kind: str, record_id: int) -> Response:
        order_id = order_id_or_404(request, number)
        record = _record(order_id, kind, record_id)
        given = body(request, WithdrawGiven)

        def effect() -> Answer:
            acting = actor(request, given)
            withdraw.withdraw(acting, order_id, record, reason=given["reason"])
            return Answer(None, HTTPStatus.NO_CONTENT)

        def then(answer: Answer) -> Answer:
            vehicles = WorkOrder.objects.filter(pk=order_id).values_list("vehicle", flat=True)
            chain.refresh(list(vehicles), timezone.now())
            return answer

        return once(request, effect, then)


def _record(order_id: int, kind: str, record_id: int) -> Any:
    model, to_order = WITHDRAWABLE.get(kind, (None, ""))
    found = model and model.objects.filter(**{to_order: order_id}, pk=record_id).first()
    if not found:
        raise NotFound(f"This order has no such record; kinds are {', '.join(WITHDRAWABLE)}.")
    return found


def _kept(kind: Any, pk: int, more: dict[str, Any] | None = None) -> Answer:
    (row,) = records(kind, pk=pk)
    return Answer({**row, **(more or {})}, HTTPStatus.CREATED)


def product_named(slug: str) -> Product:
    found = Product.objects.filter(slug=slug).first()
    if found is None:
        raise wrong("product", f"There is no product {slug}.")
    return found


def _figure(job: Job, slug: str) -> CheckFigure:
    found = CheckFigure.objects.filter(service=job.service_id, slug=slug).first()
    if job.service_id is None or found is None:
        raise wrong("figure", f"{job.title} measures no {slug}.")
    return found


def _check(row: CheckResult) -> dict[str, Any]:
    names = ("id", "client_key", "value", "outcome", "test_method", "measured_at")
    shown = {name: getattr(row, name) for name in names}
    return {**shown, "figure": row.figure.slug, "unit": row.figure.unit}
