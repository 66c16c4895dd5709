"""People and tokens: who signs in with which role, and keys for programs and phones."""

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.orders.changes import read_date
from fleet.dashboard.typed import shown_again
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault
from fleet.people import manage, tokens
from fleet.people.actor import Actor
from fleet.people.forget import forget
from fleet.people.models import FluidUnit, Person, Role, TemperatureUnit, Token, TorqueUnit
from fleet.people.roles import Right, depots_of, managed_by, may, seen_by
from fleet.vehicles.models import Depot

DEFAULT_DAYS = 90


@never_cache
@require_GET
def people_and_tokens(request: SignedIn) -> HttpResponse:
    return _page(request, {})


def _refused(request: SignedIn, fault: Fault) -> HttpResponse:
    return shown_again(request, _page(request, {}), fault, redirect("people-and-tokens"))


def _page(request: SignedIn, context: dict[str, Any]) -> HttpResponse:
    managed = managed_by(request.user)
    seen, scope = seen_by(request.user), scope_of(request)
    people = list(seen.select_related("deputy").prefetch_related("depots"))
    alone = manage.without_deputy(people, [depot.pk for depot in scope.depots]) if people else []
    facts = {
        "people": people,
        "alone": [depot.name for depot in scope.depots if depot.pk in alone],
        "managed": set(managed.values_list("pk", flat=True)),
        "may_manage": may(request.user, Right.MANAGE_PEOPLE),
        "tokens": tokens_seen_by(request.user),
        "roles": Role.values,
        "scopes": tokens.SCOPES,
        "days": DEFAULT_DAYS,
        "longest_d": tokens.LONGEST_D,
        "now": timezone.now(),
        "fluid_units": FluidUnit.choices,
        "temperature_units": TemperatureUnit.choices,
        "torque_units": TorqueUnit.choices,
    }
    return show(request, "people-and-tokens", scope, {**facts, **context})


@require_POST
def read_in(request: SignedIn) -> HttpResponse:
    """Units in which one reads sums of fluid and temperatures oneself."""
    given = request.POST
    try:
        manage.read_in(
            request.user,
            fluid_unit=given.get("fluid_unit", ""),
            temperature_unit=given.get("temperature_unit", ""),
            torque_unit=given.get("torque_unit", ""),
        )
    except Fault as fault:
        return _refused(request, fault)
    messages.success(
        request,
        f"Sums of fluid in {request.user.get_fluid_unit_display()}, temperatures in "
        f"{request.user.temperature_unit}, torques in {request.user.torque_unit}.",
    )
    return redirect("people-and-tokens")


def tokens_seen_by(person: Person) -> QuerySet[Token]:
    """One's own tokens, and those of the people one manages."""
    rows = Token.objects.filter(person__in=managed_by(person)) | Token.objects.filter(person=person)
    return rows.distinct().select_related("person").prefetch_related("depots")


def _must_manage(person: Person) -> None:
    if not may(person, Right.MANAGE_PEOPLE):
        raise PermissionDenied("Your role does not manage people.")


def _chosen_depots(request: SignedIn) -> list[Depot]:
    return list(depots_of(request.user).filter(slug__in=request.POST.getlist("depot")))


@sensitive_post_parameters()
@never_cache
@require_POST
def add_person(request: SignedIn) -> HttpResponse:
    """Add a person; their password is shown on this answer and never again."""
    _must_manage(request.user)
    depots = _chosen_depots(request)
    password = manage.new_password()
    try:
        if not depots:
            raise Fault("Choose at least one depot of yours.")
        changes = manage.Changes(
            role=request.POST.get("role", ""),
            depots=depots,
            full_name=request.POST.get("full_name", ""),
            password=password,
        )
        added = manage.add(request.POST.get("name", "").strip(), changes)
    except Fault as fault:
        return _refused(request, fault)
    return _page(request, {"shown_once": password, "shown_for": f"password of {added.username}"})


@never_cache
@require_POST
def change_person(request: SignedIn, person_id: int) -> HttpResponse:
    """Change role, depots or leave to sign in, or give a new password."""
    _must_manage(request.user)
    if person_id == request.user.pk:
        raise PermissionDenied("Nobody changes their own role or depots: ask another supervisor.")
    other = get_object_or_404(managed_by(request.user), pk=person_id)
    fresh = manage.new_password() if request.POST.get("change") == "password" else None
    try:
        manage.change(other, _changes(request, fresh))
    except Fault as fault:
        return _refused(request, fault)
    if fresh:
        return _page(request, {"shown_once": fresh, "shown_for": f"password of {other.username}"})
    messages.success(request, f"{other} is changed.")
    return redirect("people-and-tokens")


@never_cache
@require_POST
def forget_person(request: SignedIn, person_id: int) -> HttpResponse:
    """Replace a person's name and address for good, once their name is typed again."""
    _must_manage(request.user)
    other = get_object_or_404(managed_by(request.user), pk=person_id)
    before = str(other)
    try:
        if request.POST.get("name", "").strip() != other.username:
            raise Fault(f"Type {other.username} to say that it is them: this cannot be undone.")
        now = forget(Actor(request.user, "page", timezone.now()), other)
    except Fault as fault:
        return _refused(request, fault)
    messages.success(request, f"{before} is called {now} everywhere now; their work stays.")
    return redirect("people-and-tokens")


@never_cache
@require_POST
def name_deputy(request: SignedIn, person_id: int) -> HttpResponse:
    """Say who decides in somebody's place, and on which days; one's own deputy included."""
    _must_manage(request.user)
    itself = person_id == request.user.pk
    person = request.user if itself else get_object_or_404(managed_by(request.user), pk=person_id)
    pk = request.POST.get("deputy", "")
    found = seen_by(request.user).filter(pk=whole_number(pk)).first()
    try:
        if pk and found is None:
            raise Fault("Choose the deputy among the people listed.")
        first, last = (read_date(request.POST, name) for name in ("from_on", "until_on"))
        manage.name_deputy(person, found, first, last)
    except Fault as fault:
        return _refused(request, fault)
    said = f"{found} decides for {person} from {first} to {last}." if found else None
    messages.success(request, said or f"{person} has no deputy any more.")
    return redirect("people-and-tokens")


def _changes(request: SignedIn, fresh: str | None) -> manage.Changes:
    if fresh:
        return manage.Changes(password=fresh)
    depots = _chosen_depots(request)
    if not depots:
        raise Fault("Choose at least one depot of yours.")
    active = request.POST.get("active") == "yes"
    return manage.Changes(role=request.POST.get("role", ""), depots=depots, active=active)


@never_cache
@require_POST
def add_token(request: SignedIn) -> HttpResponse:
    """Make a token for oneself, or for a program's person that one manages."""
    try:
        token, secret = tokens.issue(
            person=_token_person(request),
            label=request.POST.get("label", ""),
            scopes=request.POST.getlist("scope"),
            days=_days(request.POST.get("days", "")),
            depots=_token_depots(request),
        )
    except Fault as fault:
        return _refused(request, fault)
    return _page(request, {"shown_once": secret, "shown_for": f"token {token.label}"})


def _token_person(request: SignedIn) -> Person:
    pk = request.POST.get("person", "")
    if not pk or pk == str(request.user.pk):
        return request.user
    return get_object_or_404(managed_by(request.user), pk=whole_number(pk))


def _token_depots(request: SignedIn) -> Sequence[Depot]:
    depots = _chosen_depots(request)
    if not depots:
        raise Fault("Choose at least one depot that the token opens.")
    return depots


def _days(text: str) -> int:
    return int(text[:6]) if text.isdecimal() else 0


@require_POST
def revoke_token(request: SignedIn, token_id: int) -> HttpResponse:
    token = get_object_or_404(tokens_seen_by(request.user), pk=token_id)
    if tokens.revoke(token.pk, timezone.now()):
        messages.success(request, f"The token {token.label} is revoked.")
    else:
        messages.info(request, f"The token {token.label} was revoked before.")
    return redirect("people-and-tokens")
