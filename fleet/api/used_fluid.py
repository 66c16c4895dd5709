"""Used fluid: what was drained and collected, and the consignment notes."""

from http import HTTPStatus
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, sender
from fleet.api.fields import Day, Number, Strict, Text, body, query
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource
from fleet.api.signin import depots_for
from fleet.api.stock import depot_or_404
from fleet.people.roles import Right
from fleet.stores.models import UsedFluidCollected
from fleet.stores.used_fluid import Note, collect
from fleet.workorders.used_fluid import used_fluid

PLAIN = ("id", "waste_class", "quantity_ml", "tank", "carrier", "note_number", "collected_on")


class UsedFluidQuery(Strict):
    depot = Text(max_length=40, required=False)


class UsedFluidShape(serializers.Serializer[Any]):
    depot = serializers.SlugField()
    waste_class = serializers.CharField()
    drained_ml = serializers.IntegerField(help_text="As recorded on work orders")
    collected_ml = serializers.IntegerField(help_text="By consignment notes")
    left_ml = serializers.IntegerField(help_text="Below zero: more went than was recorded")


class UsedFluidAnswer(serializers.Serializer[Any]):
    rows = UsedFluidShape(many=True)


class CollectionGiven(Act):
    depot = Text(max_length=40)
    waste_class = Text(max_length=60)
    litres = Number(min_value=0, max_value=1e6)
    tank = Text(max_length=60, required=False)
    carrier = Text(max_length=120, help_text="The waste collector")
    note_number = Text(max_length=60, help_text="Of the consignment note")
    collected_on = Day()


class CollectionShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    depot = serializers.SlugField()
    waste_class = serializers.CharField()
    quantity_ml = serializers.IntegerField()
    tank = serializers.CharField()
    carrier = serializers.CharField(help_text="The waste collector")
    note_number = serializers.CharField(help_text="Of the consignment note")
    collected_on = serializers.DateField()


class UsedFluids(Resource):
    scope = "stock-moves"
    rights = {"GET": Right.SEE, "POST": Right.KEEP_STOCK}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="used_fluid_list", parameters=[UsedFluidQuery], responses=UsedFluidAnswer
    )
    def get(self, request: Request) -> Response:
        """Used fluid by depot and waste class: drained on work orders, collected by consignment
        notes, and left.
        """
        asked = query(request, UsedFluidQuery)
        depots = depots_for(request)
        if "depot" in asked:
            depots = depots.filter(slug=asked["depot"])
        found = used_fluid([depot.pk for depot in depots])
        names = list(UsedFluidShape().fields)
        rows = [{str(name): getattr(row, str(name)) for name in names} for row in found]
        return Response({"rows": rows})

    @extend_schema(
        operation_id="used_fluid_collected",
        request=CollectionGiven,
        responses={201: CollectionShape},
    )
    def post(self, request: Request) -> Response:
        """Record what a waste collector took, by the consignment note."""
        given = body(request, CollectionGiven)
        note = Note(
            depot=depot_or_404(request, given["depot"]),
            waste_class=given["waste_class"],
            quantity_ml=round(given["litres"] * 1000),
            tank=given.get("tank", ""),
            carrier=given["carrier"],
            note_number=given["note_number"],
            collected_on=given["collected_on"],
        )

        def effect() -> Answer:
            row = collect(sender(request, given), note)
            return Answer(_shown(row), HTTPStatus.CREATED)

        return once(request, effect)


def _shown(row: UsedFluidCollected) -> dict[str, Any]:
    return {"depot": row.depot.slug, **{name: getattr(row, name) for name in PLAIN}}
