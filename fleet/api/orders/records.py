"""What is recorded at the vehicle: added rows, each once under its key, until the sign-off."""

from http import HTTPStatus
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db.models import QuerySet
from django.http import HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import (
    Record,
    compartment_named,
    job_or_404,
    order_id_or_404,
    rest,
    sender,
    wrong,
)
from fleet.api.fields import Number, Text, body
from fleet.api.orders.shapes import (
    CheckShape,
    FluidShape,
    MaterialShape,
    NoteShape,
    PhotoShape,
    TorqueShape,
    check,
    records,
)
from fleet.api.repeats import Answer, digest, once, refreshed
from fleet.api.resource import Resource
from fleet.due.models import CheckFigure
from fleet.faults import Fault
from fleet.people.roles import Right
from fleet.stores.models import Product
from fleet.workorders import checks, fluids, late, photos, recording, torques
from fleet.workorders.fluids import Pouring
from fleet.workorders.makers_figure import MakersFigure
from fleet.workorders.models import (
    FluidRecord,
    Job,
    MaterialUsed,
    Note,
    Photo,
    TorqueRecord,
    WorkOrder,
)
from fleet.workorders.torques import Tightened


class JpegRenderer(BaseRenderer):
    """Names the type for content negotiation; the view answers with the file."""

    media_type = "image/jpeg"
    format = "jpg"


NOTED = {202: OpenApiResponse(NoteShape, "The order was cancelled meanwhile: kept as a note of it")}
NO_WORDS = ("client_key", "override_reason")
NUMBERS = ("torque_nm", "litres", "quantity")  # beside which a text as typed says no more
JPEG = {(200, JpegRenderer.media_type): OpenApiTypes.BINARY}


class Overridable(Record):
    typed_text = Text(
        max_length=40,
        allow_blank=True,
        default="",
        help_text="As typed: for its decimal places, and its unit if that is not N·m or litres; "
        "alone, without the number beside it, it is the value",
    )
    override_reason = Text(
        max_length=300, allow_blank=True, default="", help_text="Answers the question of a 409"
    )


FIGURE = ("figure_nm", "figure_max_nm", "figure_source")  # of the maker's book


class TorqueGiven(Overridable):
    fastener = Text(max_length=40, required=False, help_text="Slug, as on the card")
    name = Text(
        max_length=80, required=False, help_text="In words, where the card names no fasteners"
    )
    figure_nm = Number(required=False, help_text="Of the maker's book; of a range the lower end")
    figure_max_nm = Number(required=False, help_text="The upper end of a range")
    figure_source = Text(max_length=300, required=False, help_text="The book and its edition")
    point = Text(max_length=40, allow_blank=True, default="", help_text="Where it has several")
    torque_nm = Number(
        required=False,
        help_text="Left out, with no `typed_text`: tightened to the figure; of a range, say the "
        "value",
    )
    wrench = Text(max_length=40, allow_blank=True, default="", help_text="Tag, as engraved")


class FluidGiven(Overridable):
    way = serializers.ChoiceField(FluidRecord.Way.choices)
    litres = Number(required=False, help_text="Or `quantity`")
    quantity = Text(
        max_length=40,
        required=False,
        help_text="In place of `litres`: text that may carry a unit, such as `5.2 US qt`",
    )
    keep_quart = serializers.BooleanField(
        default=False, help_text="Keep US or imperial, as `quantity` says, for the depot"
    )
    compartment = Text(max_length=40, required=False, help_text="By default the service's")
    look = Text(max_length=60, allow_blank=True, default="", help_text="Of what came out")
    product = Text(max_length=60, required=False, help_text="Slug")
    batch = Text(max_length=60, allow_blank=True, default="")


class MaterialGiven(Record):
    name = Text(max_length=120)
    pieces = serializers.IntegerField(min_value=1, max_value=10_000, required=False)
    litres = Number(max_value=10_000, required=False)
    broken = serializers.BooleanField(default=False, help_text="It broke on removal")
    override_reason = Text(
        max_length=300, allow_blank=True, default="", help_text="Answers the question of a 409"
    )


class NoteGiven(Record):
    text = Text(max_length=1000)


class PhotoGiven(Record):
    photo = serializers.FileField(help_text="JPEG, PNG or WebP; told apart by content")
    caption = Text(max_length=200, allow_blank=True, default="")


class CheckGiven(Record):
    figure = Text(max_length=40, help_text="Slug of a check figure of the job's service")
    value = Number(help_text="In the figure's unit")
    override_reason = Text(
        max_length=300, allow_blank=True, default="", help_text="Answers the question of a 409"
    )
    test_method = Text(max_length=120, allow_blank=True, default="")


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
    @extend_schema(operation_id="jobs_torque", request=TorqueGiven,
                   responses={201: TightenedShape, **NOTED})  # fmt: skip
    def post(self, request: Request, job_id: int) -> Response:
        """Records a fastener as tightened, to its figure or to a value. Asked about: a value
        outside the tolerance, a wrench whose calibration had ended, just the same record twice.
        """
        job = job_or_404(request, job_id)
        given = body(request, TorqueGiven)

        def effect() -> Answer:
            if noted := _noted(request, job, "torque", given):
                return noted
            row = torques.torque(
                sender(request, given), job.pk, Tightened(**_tightened(rest(given)))
            )
            return _kept(TorqueRecord, row.pk, {"warning": torques.calibration_warning(row)})

        return once(request, effect)


def _tightened(given: dict[str, Any]) -> dict[str, Any]:
    """A torque as its verb takes it: by the card's fastener, or by one in words."""
    given_figure = {name: given.pop(name, None) for name in ("name", *FIGURE)}
    if given.setdefault("fastener", ""):
        return given
    if not given_figure["name"] or given_figure["figure_nm"] is None:
        raise Fault(
            "Give a fastener of the card, or its name, figure_nm and figure_source.",
            about="fastener",
        )
    figure = MakersFigure(
        name=given_figure["name"],
        torque_nm=given_figure["figure_nm"],
        torque_max_nm=given_figure["figure_max_nm"],
        source=given_figure["figure_source"] or "",
    )
    return {**given, "from_maker": figure}


class Fluids(Recording):
    @extend_schema(operation_id="jobs_fluid", request=FluidGiven,
                   responses={201: PouredShape, **NOTED})  # fmt: skip
    def post(self, request: Request, job_id: int) -> Response:
        """Records fluid that came out, went in or was topped up. More than the compartment takes is
        asked about, and so is a product that is not accepted there; with a reason it is kept and
        raises a finding and do not use.
        """
        job = job_or_404(request, job_id)
        given = body(request, FluidGiven)
        named = {
            "product": product_named(given["product"]) if "product" in given else None,
            "compartment": compartment_named(job.vehicle, given.get("compartment")),
        }

        def effect() -> Answer:
            if noted := _noted(request, job, "fluid", given):
                return noted
            poured = fluids.fluid(
                sender(request, given), job.pk, Pouring(**{**rest(given), **named})
            )
            raised = poured.raised.pk if poured.raised else None
            more = {"raised": raised, "proposals": list(poured.proposals)}
            return _kept(FluidRecord, poured.record.pk, more)

        return once(request, effect)


class Materials(Recording):
    @extend_schema(
        operation_id="jobs_material",
        request=MaterialGiven,
        responses={201: MaterialShape, **NOTED},
    )
    def post(self, request: Request, job_id: int) -> Response:
        """Records a part or material used on a job, in pieces or litres. Far more than the job is
        to take is asked about.
        """
        job = job_or_404(request, job_id)
        given = body(request, MaterialGiven)

        def effect() -> Answer:
            if noted := _noted(request, job, "material", given):
                return noted
            row = recording.material(sender(request, given), job.pk, **rest(given))
            return _kept(MaterialUsed, row.pk)

        return once(request, effect)


class Checks(Recording):
    """A measured value; what it calls for falls due at once."""

    @extend_schema(operation_id="jobs_check", request=CheckGiven,
                   responses={201: CheckShape, **NOTED})  # fmt: skip
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        given = body(request, CheckGiven)
        figure = _figure(job, given["figure"])

        def effect() -> Answer:
            if noted := _noted(request, job, "check", given):
                return noted
            measured = {**rest(given), "figure": figure}
            row = checks.measure(sender(request, given), job.order, **measured)
            return Answer(check(row), HTTPStatus.CREATED)

        return once(request, effect, refreshed(job.vehicle_id))


class Notes(Recording):
    @extend_schema(operation_id="work_orders_note", request=NoteGiven, responses={201: NoteShape})
    def post(self, request: Request, number: str) -> Response:
        """Adds a note to an order that was started. After its sign-off or cancelling only whoever
        worked on it adds what was noted before.
        """
        order_id = order_id_or_404(request, number)
        given = body(request, NoteGiven)

        def effect() -> Answer:
            row = recording.note(sender(request, given), order_id, **rest(given))
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
        """Keeps a photo of an order that was started, its pixels only. After its sign-off or
        cancelling only whoever worked on it adds what was taken before.
        """
        order_id = order_id_or_404(request, number)
        given = body(request, PhotoGiven)
        return keep_photo(request, given, order=WorkOrder.objects.get(pk=order_id))


class OnePhoto(Resource):
    """A picture of an order itself, always JPEG."""

    scope = "work-orders"
    renderer_classes = [JpegRenderer, JSONRenderer]

    @extend_schema(operation_id="work_orders_photo_content", responses=JPEG)
    def get(self, request: Request, number: str, photo_id: int) -> HttpResponseBase:
        order_id = order_id_or_404(request, number)
        return picture_of(Photo.objects.filter(order=order_id), photo_id)


def picture_of(photos: QuerySet[Photo], photo_id: int) -> HttpResponseBase:
    found = photos.filter(pk=photo_id).first()
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
            sender(request, given),
            picture,
            client_key=given["client_key"],
            caption=given["caption"],
            **place,
        )
        return _kept(Photo, row.pk)

    return once(request, effect, content=content)


def _noted(request: Request, job: Job, kind: str, given: dict[str, Any]) -> Answer | None:
    """The record as a note, where the order was cancelled after the work was done."""
    words = {name: value for name, value in rest(given).items() if name not in NO_WORDS}
    if any(name in words for name in NUMBERS):
        words.pop("typed_text", None)
    key = given["client_key"]
    row = late.as_note(sender(request, given), job.order_id, kind=kind, given=words, client_key=key)
    return (
        None
        if row is None
        else Answer(records(Note.objects.filter(pk=row.pk))[0], HTTPStatus.ACCEPTED)
    )


def _kept(kind: Any, pk: int, more: dict[str, Any] | None = None) -> Answer:
    (row,) = records(kind.objects.filter(pk=pk))
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
