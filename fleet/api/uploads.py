"""Uploads of sheets: sent, followed while they are taken in, and read back row by row."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from functools import partial
from http import HTTPStatus
from typing import Any, Literal

from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.http import StreamingHttpResponse
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import jobs
from fleet.api.conditions import shown
from fleet.api.fields import Strict, body, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.repeats import Answer, digest, once
from fleet.api.resource import Resource
from fleet.api.signin import caller, depots_for
from fleet.api.tables import CSVRenderer, csv_line, csv_response
from fleet.people.roles import Right
from fleet.readings.intake import Options, receive
from fleet.readings.models import Upload, UploadRow

NEWEST_FIRST = Order("uploads", ("id",), descending=True)
IN_ORDER = Order("upload rows", ("number",))
COLUMNS = (
    *("id", "name", "size_bytes", "received_at", "state", "rows_read", "rows_total"),
    *("counts", "message"),
)
ROW_COLUMNS = ("number", "sheet", "row", "column", "raw", "outcome", "message", "reading_id")


class UploadShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField()
    size_bytes = serializers.IntegerField()
    person = serializers.CharField(allow_null=True)
    received_at = serializers.DateTimeField()
    state = serializers.ChoiceField(choices=Upload.State.choices)
    rows_read = serializers.IntegerField(help_text="Rows safely stored so far")
    rows_total = serializers.IntegerField(allow_null=True)
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="By outcome")
    message = serializers.CharField(help_text="Why a file was refused, and what to do")


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
    message = serializers.CharField()
    vehicle = serializers.CharField(allow_null=True, help_text="Fleet number")
    reading = serializers.IntegerField(allow_null=True)


class Uploads(Resource):
    scope = "uploads"
    rights = {"GET": Right.SEE, "POST": Right.ADD_READINGS}
    repeatable = ("POST",)
    parser_classes = [MultiPartParser]

    @extend_schema(
        operation_id="uploads_list",
        parameters=[PageQuery],
        responses=page_shape("UploadPage", UploadShape),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, PageQuery)
        on_page, following = page(request, _values(_seen(request)), NEWEST_FIRST, asked)
        return listed([_row(row) for row in on_page], following)

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
            transaction.on_commit(partial(jobs.take_in_upload.delay, upload.pk))
            row = _row(_values(Upload.objects.filter(pk=upload.pk)).get())
            status = HTTPStatus.OK if upload.seen_before else HTTPStatus.ACCEPTED
            return Answer(row, status, reverse("api-upload", args=[upload.pk]))

        content = [given["file"].name, digest(given["file"]), asdict(options)]
        return once(request, effect, content=content)


class OneUpload(Resource):
    scope = "uploads"

    @extend_schema(operation_id="uploads_one", responses=UploadShape)
    def get(self, request: Request, upload_id: int) -> Response:
        row = _values(_seen(request)).filter(pk=upload_id).first()
        if row is None:
            raise _missing(upload_id)
        response: Response = shown(request, _row(row))
        return response


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
        if not _seen(request).filter(pk=upload_id).exists():
            raise _missing(upload_id)
        rows = _rows(request, upload_id, asked)
        if request.accepted_renderer.format == "csv":
            return csv_response(f"upload-{upload_id}", _lines(rows))
        on_page, following = page(request, rows, IN_ORDER, asked)
        return listed([_cells(row) for row in on_page], following)


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


def _seen(request: Request) -> QuerySet[Upload]:
    """Uploads of the caller and of people who share a depot with the caller."""
    if caller(request).is_superuser:
        return Upload.objects.all()
    shared = Q(person__in=type(caller(request)).objects.filter(depots__in=depots_for(request)))
    return Upload.objects.filter(shared | Q(person=caller(request)))


def _missing(upload_id: int) -> NotFound:
    return NotFound(f"There is no upload {upload_id} of yours or within your depots.")


def _values(found: QuerySet[Upload]) -> Any:
    return found.values(*COLUMNS, who=F("person__username"))


def _row(row: dict[str, Any]) -> dict[str, Any]:
    return {**{name: row[name] for name in COLUMNS}, "person": row["who"]}


def _rows(request: Request, upload_id: int, asked: dict[str, Any]) -> Any:
    visible = Q(vehicle=None) | Q(vehicle__depot__in=depots_for(request))
    found = UploadRow.objects.filter(visible, upload=upload_id)
    if asked.get("outcome"):
        found = found.filter(outcome__in=asked["outcome"])
    return found.values(*ROW_COLUMNS, fleet_number=F("vehicle__fleet_number"))


def _cells(row: dict[str, Any]) -> dict[str, Any]:
    names = ("number", "sheet", "row", "column", "outcome", "message")
    return {
        **{name: row[name] for name in names},
        "cells": json.loads(row["raw"]),
        "vehicle": row["fleet_number"],
        "reading": row["reading_id"],
    }


def _lines(rows: Any) -> Iterator[str]:
    """The rows as given, the outcome and its reason in front of the cells."""
    yield csv_line(["sheet", "row", "column", "outcome", "message"])
    for row in rows.order_by("number").iterator():
        told = [row["sheet"], row["row"], row["column"], row["outcome"], row["message"]]
        yield csv_line([*told, *json.loads(row["raw"])])
