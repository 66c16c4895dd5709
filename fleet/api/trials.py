"""Field trials: what is compared, what was felt and measured, what it shows."""

from http import HTTPStatus
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound, PermissionDenied
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Happened, sender, wrong
from fleet.api.fields import Day, Number, Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.signin import caller, depots_for
from fleet.calc.trial_power import BEST, WORST
from fleet.people.roles import Right
from fleet.trials.blind import knows_products, trials_at
from fleet.trials.evaluate import evaluate
from fleet.trials.listing import counted_at, samples_of
from fleet.trials.models import LabProperty, Rating, Trial, TrialResult, TrialVehicle
from fleet.trials.outcome import as_shown, shown
from fleet.trials.rate import Felt, Measured, Places, add_samples, places_of, rate
from fleet.trials.set_up import needed_in_all
from fleet.trials.take_back import take_back_sample

BY_SLUG = Order("trials", ("slug",))
COLUMNS = ("slug", "name", "question", "starts_on", "ends_on", "assignment", "blinded")
OUTCOME = (
    *("as_of_on", "state", "difference", "low", "high", "p_value", "verdict"),
    *("vehicles_needed", "break_even_km"),
)
MOST_ROWS = 500  # our choice


class TrialShape(serializers.Serializer[Any]):
    slug = serializers.SlugField()
    name = serializers.CharField()
    service = serializers.SlugField()
    vehicle_type = serializers.SlugField()
    question = serializers.CharField(help_text="What raters are asked")
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    assignment = serializers.ChoiceField(Trial.Assignment.choices)
    blinded = serializers.BooleanField(
        help_text="Raters see no letter, product or result until the end"
    )
    vehicles = serializers.IntegerField()


class TrialGroupShape(serializers.Serializer[Any]):
    letter = serializers.CharField()
    product = serializers.SlugField()
    tried = serializers.BooleanField()
    vehicles = serializers.ListField(
        child=serializers.CharField(), help_text="Fleet numbers within your depots"
    )


class LabPropertyShape(serializers.Serializer[Any]):
    slug = serializers.SlugField()
    name = serializers.CharField()
    unit = serializers.CharField()
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    source = serializers.CharField()  # type: ignore[assignment]


class OneTrialShape(TrialShape):
    groups = TrialGroupShape(many=True, help_text="Empty for raters of a blinded trial")
    taking_part = serializers.ListField(
        child=serializers.CharField(), help_text="Fleet numbers within your depots"
    )
    properties = LabPropertyShape(many=True)
    interval_km = serializers.FloatField(help_text="Fluid ages up to here are compared")
    run_in_km = serializers.FloatField()
    run_in_d = serializers.FloatField()
    smallest_difference = serializers.FloatField()
    vehicles_needed = serializers.IntegerField(allow_null=True)


class TrialResultShape(serializers.Serializer[Any]):
    trial = serializers.SlugField()
    as_of_on = serializers.DateField()
    state = serializers.ChoiceField(
        TrialResult.State.choices,
        help_text="interim: an estimate, no interval, p or verdict; evaluated once, at the end",
    )
    difference = serializers.FloatField(
        allow_null=True, help_text="Tried less usual product, on the scale of 1 to 5"
    )
    low = serializers.FloatField(allow_null=True, help_text="Of the 95 % interval")
    high = serializers.FloatField(allow_null=True)
    p_value = serializers.FloatField(allow_null=True, help_text="Null while interim")
    verdict = serializers.CharField()
    ended_reason = serializers.CharField(help_text="Why a supervisor ended it early, if so")
    can_pay = serializers.ListField(
        child=serializers.CharField(), help_text="Vehicles that reach the break-even in time"
    )
    cannot_pay = serializers.ListField(
        child=serializers.CharField(),
        help_text="Vehicles for which the calendar asks for a change before the break-even",
    )
    confounds = serializers.ListField(
        child=serializers.CharField(), help_text="What no computation takes out"
    )
    vehicles_needed = serializers.IntegerField(allow_null=True, help_text="Of both groups together")
    break_even_km = serializers.FloatField(allow_null=True)
    unequal_start = serializers.BooleanField()


class FeltGiven(Strict):
    client_key = Text(min_length=8, max_length=64, help_text="Made by the sender")
    vehicle = Text(max_length=40, help_text="Fleet number")
    value = serializers.IntegerField(
        min_value=WORST, max_value=BEST, help_text="1 (worst) to 5 (best)"
    )
    rated_at = Happened(required=False, help_text="By default now; at most 60 days ago")
    temperature_c = Number(required=False, min_value=-60, max_value=60, help_text="Outside")
    warmth = serializers.ChoiceField(Rating.Warmth.choices, required=False)
    by = Text(max_length=80, required=False, help_text="A driver without an account")
    corrects = serializers.BooleanField(
        required=False, help_text="It takes the place of the rater's first one of that day"
    )


class FeltRows(Strict):
    rows = serializers.ListField(child=FeltGiven(), min_length=1, max_length=MOST_ROWS)


class MeasuredGiven(Strict):
    client_key = Text(min_length=8, max_length=64, help_text="Made by the sender")
    vehicle = Text(max_length=40, help_text="Fleet number")
    property = Text(max_length=40, help_text="Slug, as the trial names it")
    drawn_on = Day()
    value = Number(help_text="In the unit of the property")
    report = Text(max_length=120, help_text="The laboratory's paper")
    why_it_stands = Text(
        max_length=300, required=False, help_text="Of a value that was asked about"
    )


class MeasuredRows(Strict):
    rows = serializers.ListField(child=MeasuredGiven(), min_length=1, max_length=MOST_ROWS)


class RatingShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    value = serializers.IntegerField()
    fluid_age_km = serializers.FloatField(allow_null=True)
    fluid_age_d = serializers.FloatField(allow_null=True)


class SampleShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    client_key = serializers.CharField()
    value = serializers.FloatField()


class WhyBack(Strict):
    reason = Text(max_length=300, help_text="Why it is wrong; kept with it")


class SampleTakenBack(SampleShape):
    taken_back_at = serializers.DateTimeField()
    taken_back_because = serializers.CharField()


class RatingRows(serializers.Serializer[Any]):
    rows = RatingShape(many=True, help_text="In the order in which they were sent")


class SampleRows(serializers.Serializer[Any]):
    rows = SampleShape(many=True, help_text="In the order in which they were sent")


class Trials(Resource):
    scope = "trials"

    @extend_schema(operation_id="trials_list", parameters=[PageQuery],
                   responses=page_shape("TrialPage", TrialShape))  # fmt: skip
    def get(self, request: Request) -> Response:
        """Field trials that vehicles of your depots take part in."""
        rows = counted_at(depots_for(request)).values(
            *COLUMNS, "service__slug", "service__vehicle_type__slug", "count"
        )
        on_page, following = page(request, rows, BY_SLUG, query(request, PageQuery))
        return listed([_row(row) for row in on_page], following)


class OneTrial(Resource):
    scope = "trials"

    @extend_schema(operation_id="trials_one", responses=OneTrialShape)
    def get(self, request: Request, trial: str) -> Response:
        """One trial; raters of a blinded one see no groups before its end."""
        return Response(_one(request, trial_or_404(request, trial)))


class Result(Resource):
    scope = "trials"
    rights = {"GET": Right.SEE, "POST": Right.RUN_TRIAL}
    repeatable = ("POST",)

    @extend_schema(operation_id="trials_result", responses=TrialResultShape)
    def get(self, request: Request, trial: str) -> Response:
        """What the trial showed last; refused to raters of a blinded one before its end."""
        one = trial_or_404(request, trial)
        _must_know(request, one)
        found = shown(one)
        if found is None:
            raise NotFound("This trial was not evaluated yet: the next night does it.")
        return Response(_result(found))

    @extend_schema(operation_id="trials_evaluate", request=None, responses=TrialResultShape)
    def post(self, request: Request, trial: str) -> Response:
        """Evaluates the trial now: an estimate or, at its end, once and for all."""
        found = trial_or_404(request, trial)
        return once(request, lambda: Answer(_result(as_shown(evaluate(found, timezone.now())))))


class Ratings(Resource):
    """How vehicles felt; all rows are taken, or none."""

    scope = "trials"
    rights = {"POST": Right.RATE}
    repeatable = ("POST",)

    @extend_schema(operation_id="trials_rate", request=FeltRows, responses={201: RatingRows})
    def post(self, request: Request, trial: str) -> Response:
        found, given = trial_or_404(request, trial), body(request, FeltRows)["rows"]
        actor, now = sender(request, {}), timezone.now()
        places = places_of(found, depots_for(request))
        felt = [
            Felt(
                trial_vehicle=_place(places, row["vehicle"], found),
                value=row["value"],
                rated_at=row.get("rated_at", now),
                client_key=row["client_key"],
                temperature_c=row.get("temperature_c"),
                warmth=row.get("warmth", ""),
                by=row.get("by", ""),
                corrects=row.get("corrects", False),
            )
            for row in given
        ]

        def effect() -> Answer:
            rows = [_rating(one) for one in rate(actor, felt)]
            return Answer({"rows": rows}, HTTPStatus.CREATED)

        return once(request, effect)


class Samples(Resource):
    """What the laboratory found; all rows are taken, or none."""

    scope = "trials"
    rights = {"POST": Right.RUN_TRIAL}
    repeatable = ("POST",)

    @extend_schema(operation_id="trials_sample", request=MeasuredRows, responses={201: SampleRows})
    def post(self, request: Request, trial: str) -> Response:
        found, given = trial_or_404(request, trial), body(request, MeasuredRows)["rows"]
        properties = {one.slug: one for one in found.properties.all()}
        places = places_of(found, depots_for(request))
        measured = [_measured(found, places, row, properties) for row in given]

        def effect() -> Answer:
            kept = add_samples(sender(request, {}), measured)
            rows = [
                {"id": one.pk, "client_key": one.client_key, "value": one.value} for one in kept
            ]
            return Answer({"rows": rows}, HTTPStatus.CREATED)

        return once(request, effect)


class TakeBackSample(Resource):
    """A sample that was wrong: it stays on record and counts no more."""

    scope = "trials"
    rights = {"POST": Right.RUN_TRIAL}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="trials_take_back_sample", request=WhyBack, responses=SampleTakenBack
    )
    def post(self, request: Request, trial: str, sample_id: int) -> Response:
        rows = samples_of(trial_or_404(request, trial), depots_for(request))
        told = f"There is no sample {sample_id} of this trial within your depots."
        sample, given = one_or_404(rows.filter(pk=sample_id), told), body(request, WhyBack)

        def effect() -> Answer:
            back = take_back_sample(sender(request, {}), sample, reason=given["reason"])
            return Answer(SampleTakenBack(back).data)

        return once(request, effect)


def trial_or_404(request: Request, slug: str) -> Trial:
    seen = trials_at(depots_for(request)).select_related("service__vehicle_type")
    return one_or_404(seen.filter(slug=slug), f"There is no trial {slug[:40]} within your depots.")


def _row(row: Row) -> Row:
    return {
        **{name: row[name] for name in COLUMNS},
        "service": row["service__slug"],
        "vehicle_type": row["service__vehicle_type__slug"],
        "vehicles": row["count"],
    }


def _one(request: Request, trial: Trial) -> Row:
    knows = knows_products(caller(request), trial, timezone.now())
    places = trial.vehicles.filter(vehicle__depot__in=depots_for(request))
    numbers: dict[int, list[str]] = {}
    for group_id, number in places.values_list("group_id", "vehicle__fleet_number"):
        numbers.setdefault(group_id, []).append(number)
    return {
        **{name: getattr(trial, name) for name in COLUMNS},
        "service": trial.service.slug,
        "vehicle_type": trial.service.vehicle_type.slug,
        "vehicles": trial.vehicles.count(),
        "groups": [
            {
                "letter": group.letter,
                "product": group.product.slug,
                "tried": group.tried,
                "vehicles": numbers.get(group.pk, []),
            }
            for group in trial.groups.select_related("product")
            if knows
        ],
        "taking_part": sorted(number for of_group in numbers.values() for number in of_group),
        "properties": list(
            trial.properties.values("slug", "name", "unit", "low", "high", "source")
        ),
        **{name: getattr(trial, name) for name in ("interval_km", "run_in_km", "run_in_d")},
        "smallest_difference": trial.smallest_difference,
        "vehicles_needed": needed_in_all(trial),
    }


def _must_know(request: Request, trial: Trial) -> None:
    if not knows_products(caller(request), trial, timezone.now()):
        raise PermissionDenied("This trial is blinded: raters see its result after its end.")


def _result(result: TrialResult) -> Row:
    paying = result.details["cost"].get("paying") or {}
    return {
        "trial": result.trial.slug,
        **{name: getattr(result, name) for name in OUTCOME},
        "unequal_start": result.details["start"]["unequal"],
        "ended_reason": result.ended_reason,
        "can_pay": paying.get("can", []),
        "cannot_pay": paying.get("cannot", []),
        "confounds": result.details.get("confounds", []),
    }


def _rating(one: Rating) -> Row:
    return {
        "id": one.pk,
        "client_key": one.client_key,
        "value": one.value,
        "fluid_age_km": one.age_km,
        "fluid_age_d": one.age_d,
    }


def _place(places: Places, number: str, trial: Trial) -> TrialVehicle:
    place = places.get(number.strip().upper())
    if place is None:
        raise wrong("rows", f"No vehicle {number.strip()} of your depots is in {trial}.")
    return place


def _measured(
    trial: Trial, places: Places, row: Row, properties: dict[str, LabProperty]
) -> Measured:
    if row["property"] not in properties:
        named = ", ".join(properties) or "none yet"
        raise wrong("rows", f"{trial} has no property {row['property']}; it has {named}.")
    return Measured(
        trial_vehicle=_place(places, row["vehicle"], trial),
        property=properties[row["property"]],
        drawn_on=row["drawn_on"],
        value=row["value"],
        report=row["report"],
        client_key=row["client_key"],
        why_it_stands=row.get("why_it_stands", ""),
    )
