"""Uploads of sheets: sent, followed while they are taken in, and read back row by row."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import asdict
from functools import partial
from http import HTTPStatus
from typing import Any, Literal

from django.db import transaction
from django.db.models import F, QuerySet
from django.http import StreamingHttpResponse
from django.urls import reverse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import jobs
from fleet.api.etags import shown
from fleet.api.fields import Day, Number, Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.repeats import Answer, digest, once
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.rows import Rows
from fleet.api.signin import caller, depots_for
from fleet.api.tables import CSVRenderer, csv_response
from fleet.people.roles import Right
from fleet.readings import listing
from fleet.readings.correct import Given, correct
from fleet.readings.intake import Options, depots_of_upload, receive
from fleet.readings.kinds import as_json, kinds_of
from fleet.readings.mend import By, treat_as
from fleet.readings.models import RowCorrection, Upload, UploadRow
from fleet.readings.report import AS_GIVEN, cells_of, given_headings, with_decisive, with_now
from fleet.readings.roll import Roll
from fleet.readings.traces import Told, told_of
from fleet.readings.withdraw import withdraw
from fleet.tables import csv_line

NEWEST_FIRST = Order("uploads", ("id",), descending=True)
IN_ORDER = Order("upload rows", ("number",))
ROW_COLUMNS = ("id", "number", "sheet", "row", "column", "raw", "outcome", "message", "decisive_id")


class UploadShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField()
    size_bytes = serializers.IntegerField()
    person = serializers.CharField(allow_null=True)
    received_at = serializers.DateTimeField()
    state = serializers.ChoiceField(choices=Upload.State.choices)
    waiting_since = serializers.DateTimeField(
        allow_null=True, help_text="When it came, while no worker has taken it"
    )
    rows_read = serializers.IntegerField(help_text="Rows safely stored so far")
    rows_total = serializers.IntegerField(allow_null=True)
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="By outcome")
    message = serializers.CharField(help_text="Why a file was refused, and what to do")
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_by = serializers.CharField(allow_null=True)
    withdrawn_why = serializers.CharField(allow_null=True)
    drafts_cancelled = serializers.IntegerField(
        allow_null=True, help_text="Orders that rested on what was withdrawn"
    )


SHOWN = Rows(
    Upload,
    UploadShape,
    withdrawn_at="withdrawal__withdrawn_at",
    withdrawn_by="withdrawal__person__username",
    withdrawn_why="withdrawal__reason",
    drafts_cancelled="withdrawal__drafts",
)


class KindShape(serializers.Serializer[Any]):
    outcome = serializers.ChoiceField(choices=UploadRow.Outcome.choices)
    reason = serializers.CharField(help_text="A code, of what was judged")
    message = serializers.CharField(help_text="In words, with the count")
    count = serializers.IntegerField()
    first = serializers.CharField(help_text="Place of the first row")
    named = serializers.CharField(help_text="The vehicle as given, where nobody knows it")
    candidates = serializers.ListField(child=serializers.CharField(), help_text="Fleet numbers")


class OneUploadShape(UploadShape):
    kinds = KindShape(many=True, help_text="Rows that were not accepted, by kind")


class MendGiven(Strict):
    named = Text(max_length=40, help_text="The vehicle as the file names it")
    vehicle = Text(max_length=40, help_text="Fleet number of the vehicle that is meant")


class CorrectGiven(Strict):
    on = Day(required=False, help_text="At the depot; left out: as the row has it")
    at = serializers.TimeField(
        required=False,
        allow_null=True,
        help_text="Left out: as the row has it, if it has, in its cells or as a reading; null: it "
        "is not known",
    )
    value = Number(required=False, help_text="Left out: as the row has it")
    unit = serializers.ChoiceField(
        choices=("km", "mi", "h"), required=False, help_text="Left out: as the row has it"
    )
    vehicle = Text(
        max_length=40, required=False, help_text="Fleet number, of a row that names no vehicle"
    )
    reason = Text(
        max_length=300,
        default="",
        allow_blank=True,
        help_text="Why a reading that was taken is wrong; needed for those",
    )


class CorrectionShape(serializers.Serializer[Any]):
    outcome = serializers.ChoiceField(choices=UploadRow.Outcome.choices, help_text="Until then")
    message = serializers.CharField(help_text="Until then")
    reading = serializers.IntegerField(allow_null=True, help_text="That was put aside")
    hours_reading = serializers.IntegerField(allow_null=True, help_text="That was put aside")
    reason = serializers.CharField()
    person = serializers.CharField(allow_null=True)
    corrected_at = serializers.DateTimeField()


CORRECTIONS = Rows(RowCorrection, CorrectionShape)


class WithdrawUploadGiven(Strict):
    reason = Text(max_length=300, help_text="Why, in your words; kept with it")


class UploadGiven(Strict):
    file = serializers.FileField(help_text=".xlsx, .ods or .csv; told apart by content")
    unit = serializers.ChoiceField(
        choices=("km", "mi"), required=False, help_text="Of odometers for which the file names none"
    )
    depot = serializers.SlugField(required=False, help_text="Match vehicles of this depot only")


class UploadRowQuery(PageQuery):
    outcome = serializers.MultipleChoiceField(choices=UploadRow.Outcome.choices, required=False)


class UploadRowShape(serializers.Serializer[Any]):
    number = serializers.IntegerField()
    sheet = serializers.CharField()
    row = serializers.IntegerField(help_text="As the spreadsheet numbers it")
    column = serializers.CharField(help_text="Of a sheet with a column for each day")
    cells = serializers.ListField(help_text="As given")
    outcome = serializers.ChoiceField(choices=UploadRow.Outcome.choices)
    message = serializers.CharField(help_text="As it was said first")
    now = serializers.CharField(help_text="What stands of its reading now; empty: nothing else")
    vehicle = serializers.CharField(allow_null=True, help_text="Fleet number")
    reading = serializers.IntegerField(
        allow_null=True, help_text="Of odometer and engine hours the one that made the outcome"
    )
    corrections = CorrectionShape(many=True, help_text="What people corrected, the first one first")


class Uploads(Resource):
    scope = "uploads"
    rights = {"GET": Right.SEE, "POST": Right.ADD_READINGS}
    repeatable = ("POST",)
    parser_classes = [MultiPartParser]

    @extend_schema(operation_id="uploads_list", parameters=[PageQuery],
                   responses=page_shape("UploadPage", UploadShape))  # fmt: skip
    def get(self, request: Request) -> Response:
        """Sheets that you sent or that name vehicles of your depots, newest first."""
        asked = query(request, PageQuery)
        return SHOWN.page(request, jobs.with_waiting(_seen(request)), NEWEST_FIRST, asked)

    @extend_schema(
        operation_id="uploads_add",
        request={"multipart/form-data": UploadGiven},
        responses={200: UploadShape, 202: UploadShape},
        description="202: taken in from now on, follow Location. 200: this file came before.",
    )
    def post(self, request: Request) -> Response:
        given = body(request, UploadGiven)
        options = _options(request, given)

        def effect() -> Answer:
            upload = receive(given["file"], given["file"].name, caller(request), options)
            transaction.on_commit(partial(jobs.send, jobs.take_in_upload, upload.pk))
            row = _row(upload)
            status = HTTPStatus.OK if upload.seen_before else HTTPStatus.ACCEPTED
            return Answer(row, status, reverse("api-upload", args=[upload.pk]))

        content = [given["file"].name, digest(given["file"]), asdict(options)]
        return once(request, effect, content=content)


class OneUpload(Resource):
    scope = "uploads"

    @extend_schema(operation_id="uploads_one", responses=OneUploadShape)
    def get(self, request: Request, upload_id: int) -> Response:
        """One upload: how far it is taken in, and which kinds of rows were not accepted."""
        upload = upload_or_404(request, upload_id)
        row = _row(upload)
        response: Response = shown(request, {**row, "kinds": _kinds(request, upload)})
        return response


class Mend(Resource):
    """Take a name that nobody knew for a vehicle, in all rows of an upload."""

    scope = "uploads"
    rights = {"POST": Right.ADD_READINGS}
    repeatable = ("POST",)

    @extend_schema(operation_id="uploads_mend", request=MendGiven, responses={202: UploadShape})
    def post(self, request: Request, upload_id: int) -> Response:
        upload = upload_or_404(request, upload_id)
        given = body(request, MendGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])

        def effect() -> Answer:
            by = By(caller(request), "api", timezone.now())
            treat_as(upload, given["named"], vehicle, by)
            transaction.on_commit(partial(jobs.send, jobs.take_in_upload, upload.pk, again=True))
            row = _row(upload)
            return Answer(row, HTTPStatus.ACCEPTED, reverse("api-upload", args=[upload.pk]))

        return once(request, effect)


class CorrectRow(Resource):
    """Give the right day or value of a row; it is judged like any reading."""

    scope = "uploads"
    rights = {"POST": Right.ADD_READINGS}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="uploads_correct_row", request=CorrectGiven, responses={202: UploadShape}
    )
    def post(self, request: Request, upload_id: int, row_number: int) -> Response:
        upload = upload_or_404(request, upload_id)
        row = one_or_404(
            _visible(request, upload).filter(number=row_number),
            f"There is no row {row_number} of upload {upload_id} within your depots.",
        )
        given = body(request, CorrectGiven)
        if "vehicle" in given:
            given["vehicle"] = vehicle_or_404(request, given["vehicle"])
        if "at" in given:
            given["without_time"] = given["at"] is None

        def effect() -> Answer:
            correct(
                row.pk, Given(**given), person=caller(request), channel="api", now=timezone.now()
            )
            transaction.on_commit(partial(jobs.send, jobs.take_in_upload, upload.pk, again=True))
            told = _row(upload)
            return Answer(told, HTTPStatus.ACCEPTED, reverse("api-upload", args=[upload.pk]))

        return once(request, effect)


class Withdraw(Resource):
    """Reject all readings that only this upload brought, and judge their meters again."""

    scope = "uploads"
    rights = {"POST": Right.SETTLE_READINGS}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="uploads_withdraw", request=WithdrawUploadGiven, responses={202: UploadShape}
    )
    def post(self, request: Request, upload_id: int) -> Response:
        upload = upload_or_404(request, upload_id)
        given = body(request, WithdrawUploadGiven)

        def effect() -> Answer:
            withdraw(
                upload,
                person=caller(request),
                reason=given["reason"],
                channel="api",
                now=timezone.now(),
            )
            transaction.on_commit(partial(jobs.send, jobs.take_in_upload, upload.pk, again=True))
            row = _row(upload)
            return Answer(row, HTTPStatus.ACCEPTED, reverse("api-upload", args=[upload.pk]))

        return once(request, effect)


class UploadRows(Resource):
    """Rows as they stood in the file, with what became of them."""

    scope = "uploads"
    renderer_classes = [JSONRenderer, CSVRenderer]

    @extend_schema(
        operation_id="uploads_rows",
        parameters=[UploadRowQuery],
        responses={
            (200, "application/json"): page_shape("UploadRowPage", UploadRowShape),
            (200, "text/csv"): OpenApiTypes.STR,
        },
    )
    def get(self, request: Request, upload_id: int) -> Response | StreamingHttpResponse:
        asked = query(request, UploadRowQuery)
        found = _visible(request, upload_or_404(request, upload_id))
        if asked.get("outcome"):
            found = listing.with_outcomes(found, asked["outcome"])
        if request.accepted_renderer.format == "csv":
            return csv_response(f"upload-{upload_id}", _lines(found))
        on_page, following = page(request, _rows(found), IN_ORDER, asked)
        made = _corrections([row["id"] for row in on_page])
        told = told_of(on_page)
        cells = [_cells(row, told[row["id"]]) for row in on_page]
        both = zip(cells, on_page, strict=True)
        return listed([{**one, "corrections": made[row["id"]]} for one, row in both], following)


def _options(request: Request, given: dict[str, Any]) -> Options:
    """What is stated for the file; a call never reaches past its own depots."""
    unit: Literal["km", "mi"] | None = given.get("unit")
    depots = depots_for(request)
    if "depot" in given:
        depots = depots.filter(slug=given["depot"])
        if not depots.exists():
            wrong = f"{given['depot']} is not among your depots."
            raise serializers.ValidationError({"depot": [wrong]}, code="unknown")
    elif caller(request).is_superuser and request.auth is None:
        return Options(unit)
    return Options(unit, tuple(sorted(depots.values_list("slug", flat=True))))


def _row(upload: Upload) -> dict[str, Any]:
    return SHOWN.one(jobs.with_waiting(Upload.objects.filter(pk=upload.pk)))


def _seen(request: Request) -> QuerySet[Upload]:
    return listing.uploads_seen_by(caller(request), depots_for(request))


def _visible(request: Request, upload: Upload) -> QuerySet[UploadRow]:
    return listing.rows_seen_by(caller(request), upload, depots_for(request))


def upload_or_404(request: Request, upload_id: int) -> Upload:
    return one_or_404(
        _seen(request).filter(pk=upload_id),
        f"There is no upload {upload_id} of yours or within your depots.",
    )


def _kinds(request: Request, upload: Upload) -> list[dict[str, Any]]:
    reached = set(depots_for(request).values_list("slug", flat=True))
    own = reached & set(depots_of_upload(upload) or reached)
    roll = Roll(sorted(own), upload.options.get("treat_as"))
    return [as_json(kind) for kind in kinds_of(_visible(request, upload), roll)]


def _rows(found: QuerySet[UploadRow]) -> Any:
    return with_decisive(found).values(*ROW_COLUMNS, fleet_number=F("vehicle__fleet_number"))


def _corrections(row_ids: list[int]) -> dict[int, list[dict[str, Any]]]:
    found: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in CORRECTIONS.values(listing.corrections_of(row_ids), "row"):
        found[row["row"]].append(CORRECTIONS.row(row))
    return found


def _cells(row: dict[str, Any], told: Told) -> dict[str, Any]:
    names = ("number", "sheet", "row", "column", "outcome")
    return {
        **{name: row[name] for name in names},
        "message": told.first,
        "now": told.now,
        "cells": cells_of(row["raw"]),
        "vehicle": row["fleet_number"],
        "reading": row["decisive_id"],
    }


def _lines(rows: QuerySet[UploadRow]) -> Iterator[str]:
    """The rows as given; in front of the cells the outcome, what stands of it now, and what was
    said first."""
    given = [one.replace(AS_GIVEN, "cell") for one in given_headings(rows)]
    yield csv_line(["sheet", "row", "column", "outcome", "now", "message", *given])
    for row, told in with_now(rows.order_by("number")):
        place = [row["sheet"], row["row"], row["column"], row["outcome"]]
        yield csv_line([*place, *told, *cells_of(row["raw"])])
