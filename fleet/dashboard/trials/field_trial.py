"""One field trial: what it shows, how sure that is, what is missing, and what it would cost."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_GET

from fleet import chain
from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.orders.changes import read_number
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.dashboard.trials import charts as trial_charts
from fleet.dashboard.trials import lines as trial_lines
from fleet.dashboard.trials.charts import RatingDot
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault, Forbidden
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.trials.approve import approve, requirements
from fleet.trials.assign import exclude
from fleet.trials.blind import knows_products, rates_own, trials_at
from fleet.trials.evaluate import end_early, evaluate
from fleet.trials.listing import rated_at_an_age, samples_of, tried_vehicles
from fleet.trials.models import Trial, TrialResult
from fleet.trials.outcome import as_shown, frozen_of, shown, today_of
from fleet.trials.paying import in_words
from fleet.trials.rate import LabLimits, name_property
from fleet.trials.take_back import take_back_sample
from fleet.trials.take_in import TakenIn, take_in_ratings, take_in_samples

CHARTS = ("run-in", "equal-age", "interval", "power", "cost")
TOLD_ROWS = 8
MOST_SHEET_BYTES = 10 << 20


def trial_seen_by(request: SignedIn, slug: str) -> Trial:
    seen = trials_at(depots_of(request.user)).select_related("service__vehicle_type")
    found = seen.filter(slug=slug).first()
    if found is None:
        raise Http404
    return found


@require_GET
def field_trial(request: SignedIn, slug: str) -> HttpResponse:
    trial, now = trial_seen_by(request, slug), timezone.now()
    knows = knows_products(request.user, trial, now)
    result = shown(trial) if knows else None
    context = {
        "trial": trial,
        "state": trial_lines.state_of(trial, today_of(trial, now)),
        "knows": knows,
        "result": result,
        "groups": trial.groups.select_related("product").order_by("tried") if knows else [],
        "needed": trial_lines.needed_words(trial),
        "excluded": trial.excluded.select_related("vehicle"),
        "vehicles": trial.vehicles.select_related("vehicle", "group__product"),
        "may_rate": may(request.user, Right.RATE),
        "rates_own": rates_own(request.user, trial),
        "may_run": may(request.user, Right.RUN_TRIAL),
        "may_approve": may(request.user, Right.APPROVE_INTERVAL),
        "may_end": may(request.user, Right.APPROVE_INTERVAL) and frozen_of(trial) is None,
        "map_style_id": MAP_STYLE_ID,
        **(_shown(trial, result) if result else {}),
        **_samples(request, trial),
    }
    return show(request, "field-trial", scope_of(request), context)


def _samples(request: SignedIn, trial: Trial) -> dict[str, Any]:
    """Samples that may be taken back, and those that were."""
    if not may(request.user, Right.RUN_TRIAL):
        return {}
    rows = samples_of(trial, depots_of(request.user))
    standing = [] if frozen_of(trial) else [row for row in rows if row.taken_back_at is None]
    return {
        "samples": standing,
        "gone_samples": [row for row in rows if row.taken_back_at is not None],
    }


def _shown(trial: Trial, result: TrialResult) -> dict[str, Any]:
    longer = requirements(trial, timezone.now())
    consent = [one for one in longer if one.what == "Warranty" and not one.met]
    return {
        "letters": result.details["letters"],
        "sceptic": trial_lines.sceptics_lines(trial, result),
        "bands": trial_lines.band_rows(result),
        "trend": trial_lines.trend_row(result),
        "standings": trial_lines.standing_rows(result),
        "missing": trial_lines.missing_lines(result),
        "costs": trial_lines.cost_rows(result),
        "paying": in_words(result.details["cost"].get("paying")),
        "pays_at": trial_lines.pays_at(result),
        "none_missing": trial_lines.none_missing(result),
        "fluid_only_km": result.details["cost"]["break_even_fluid_only_km"],
        "lab": trial_lines.lab_rows(result),
        "difference": trial_lines.signed(result.difference),
        "ends": [trial_lines.signed(end) for end in (result.low, result.high)],
        "longer": longer,
        "shown_to_last": all(one.met for one in longer),
        "may_last": all(one.met or one in consent for one in longer),
        "approved": trial.longer_intervals.select_related("person").first(),
    }


@require_GET
def field_trial_chart(request: SignedIn, slug: str, chart: str) -> HttpResponse:
    trial = trial_seen_by(request, slug)
    result = shown(trial)
    if result is None or not knows_products(request.user, trial, timezone.now()):
        raise Http404
    names = {("tried" if one.tried else "usual"): str(one.product) for one in _groups(trial)}
    return HttpResponse(
        _figure(trial, result, chart, names).to_json(), content_type="application/json"
    )


def _groups(trial: Trial) -> Any:
    return trial.groups.select_related("product")


def _figure(trial: Trial, result: TrialResult, chart: str, names: dict[str, str]) -> Any:
    details = result.details
    if chart == "run-in":
        return trial_charts.run_in(_dots(trial), names, trial.run_in_km)
    if chart == "equal-age":
        return trial_charts.equal_age(details["bands"], names)
    if chart == "power":
        power = details["power"]
        return trial_charts.power(power["curve"], power["wanted"], power["compared_per_group"])
    if chart == "interval" and result.low is not None and result.difference is not None:
        return trial_charts.interval(result.difference, result.low, result.high or 0.0)
    if chart == "cost" and result.break_even_km is not None:
        return trial_charts.cost(details["cost"], names)
    found = [one for one in details["lab"] if f"lab-{slugify(one['property'])}" == chart]
    if not found:
        raise Http404
    return trial_charts.lab(found[0], names)


def _dots(trial: Trial) -> list[RatingDot]:
    rows = rated_at_an_age(trial)
    return [
        RatingDot("tried" if tried else "usual", age_km or 0.0, value, number)
        for tried, age_km, value, number in rows.values_list(
            "trial_vehicle__group__tried", "age_km", "value", "trial_vehicle__vehicle__fleet_number"
        )
    ]


# --- changes -------------------------------------------------------------------------------
def _back(request: SignedIn, slug: str) -> HttpResponse:
    return redirect("field-trial", slug)


@act(_back)
def change_trial(request: SignedIn, actor: Actor, slug: str) -> str:
    """Evaluate, set days apart, name a property, take a sheet in or a sample back, approve."""
    change = CHANGES.get(request.POST.get("change", ""))
    if change is None:
        raise Http404
    return change(request, trial_seen_by(request, slug), actor)


def _evaluate(request: SignedIn, trial: Trial, actor: Actor) -> str:
    if not may(request.user, Right.RUN_TRIAL):
        raise Forbidden("Only who runs the trial evaluates it; each night does so too.")
    return f"As of today: {as_shown(evaluate(trial, actor.now)).verdict}."


def _end_early(request: SignedIn, trial: Trial, actor: Actor) -> str:
    result = end_early(actor, trial, reason=request.POST.get("reason", "")[:300])
    return f"Ended early: {result.verdict}."


def _exclude(request: SignedIn, trial: Trial, actor: Actor) -> str:
    number = request.POST.get("vehicle", "")
    place = trial.vehicles.select_related("vehicle").filter(vehicle__fleet_number=number).first()
    try:
        first, last = (date.fromisoformat(request.POST.get(name, "")) for name in ("from", "until"))
    except ValueError:
        raise Fault("Say the first and the last day that do not count.") from None
    period = exclude(
        actor,
        trial,
        from_on=first,
        until_on=last,
        reason=request.POST.get("reason", "")[:300],
        vehicle=place.vehicle if place else None,
    )
    evaluate(trial, actor.now)
    return f"Set apart: {period}."


def _name_property(request: SignedIn, trial: Trial, actor: Actor) -> str:
    posted = request.POST
    low, high = (
        read_number(posted[end], f"{end} limit") if posted.get(end, "").strip() else None
        for end in ("low", "high")
    )
    name = posted.get("name", "").strip()[:80]
    if not slugify(name):
        raise Fault("Name the property, such as Iron.")
    found = name_property(
        actor,
        trial,
        LabLimits(
            name=name,
            slug=slugify(name)[:40],
            unit=posted.get("unit", "")[:20],
            low=low,
            high=high,
            gathers=posted.get("gathers") == "yes",
            source=posted.get("source", "")[:300],
        ),
    )
    return f"Samples are tested for {found}."


def _take_back_sample(request: SignedIn, trial: Trial, actor: Actor) -> str:
    pk = request.POST.get("sample", "")
    seen = samples_of(trial, depots_of(request.user))
    sample = seen.filter(pk=whole_number(pk)).first()
    if sample is None:
        raise Fault("Choose the sample that is wrong.")
    take_back_sample(actor, sample, reason=request.POST.get("reason", ""))
    evaluate(trial, actor.now)
    vehicle = sample.trial_vehicle.vehicle
    return f"Taken back: {sample} of {vehicle}. Enter the right value as a sample of its own."


def _sheet(take: Callable[[Actor, Trial, Path], TakenIn], right: Right) -> Callable[..., str]:
    def change(request: SignedIn, trial: Trial, actor: Actor) -> str:
        if not may(request.user, right):
            raise Forbidden(f"{actor.person} may not {right}: ask a person who may.")
        file = request.FILES.get("file")
        if file is None or file.size is None or file.size > MOST_SHEET_BYTES:
            raise Fault("Choose a sheet (.csv, .xlsx or .ods) of at most 10 MB.")
        with TemporaryDirectory(prefix="sumpwise-") as folder:
            path = Path(folder) / "sheet"
            path.write_bytes(file.read())
            told = take(actor, trial, path)
        for row in [row for row in told.rows if row.outcome == "refused"][:TOLD_ROWS]:
            messages.warning(request, f"Row {row.row}: {row.message}")
        evaluate(trial, actor.now)
        return ", ".join(f"{number} {what}" for what, number in told.counts.items()) + "."

    return change


def _approve(request: SignedIn, trial: Trial, actor: Actor) -> str:
    decision = approve(
        actor,
        trial,
        reason=request.POST.get("reason", "")[:300],
        consent=request.POST.get("consent", "")[:300],
    )
    chain.refresh(tried_vehicles(trial), actor.now)
    return f"{decision.interval_km:,.0f} km is now a limit of the tried product."


CHANGES: dict[str, Callable[[SignedIn, Trial, Actor], str]] = {
    "evaluate": _evaluate,
    "end-early": _end_early,
    "exclude": _exclude,
    "property": _name_property,
    "ratings": _sheet(take_in_ratings, Right.RATE),
    "take-back-sample": _take_back_sample,
    "samples": _sheet(take_in_samples, Right.RUN_TRIAL),
    "approve": _approve,
}
