"""What is entered about workshops: bays, mechanics, who is away, what services ask for."""

from dataclasses import asdict
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import query
from fleet.api.plans import DepotQuery, depots_asked
from fleet.api.resource import Resource
from fleet.api.shapes import shape_of
from fleet.visits.workshop_data import NeedRow, WorkshopRow, need_rows, workshop_rows

WorkshopShape = shape_of(WorkshopRow)
NeedShape = shape_of(NeedRow)


class WorkshopsAnswer(serializers.Serializer[Any]):
    rows = WorkshopShape(many=True)


class NeedsAnswer(serializers.Serializer[Any]):
    rows = NeedShape(many=True)


class Workshops(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="workshops_list",
        parameters=[DepotQuery],
        responses=WorkshopsAnswer,
        description="What each depot's plan rests on: opening, costs, bays, mechanics with minutes "
        "and skills, who and what is away, closed and blocked days, how many of a type can be "
        "spared. Days that are over are left out. `entered` false: nobody said what the workshop "
        "is like, and the usual figures stand. It is changed on the set-up pages and by workbook.",
    )
    def get(self, request: Request) -> Response:
        depots = depots_asked(request, query(request, DepotQuery))
        return Response({"rows": [asdict(row) for row in workshop_rows(depots, timezone.now())]})


class ServiceNeeds(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="service_needs_list",
        responses=NeedsAnswer,
        description="Services that ask for a skill or for a second person, with their minutes by "
        "the book; the same at every depot.",
    )
    def get(self, request: Request) -> Response:
        return Response({"rows": [asdict(row) for row in need_rows()]})
