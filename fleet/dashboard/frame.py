"""What every page shares: who is looking, at which depots, in which frame."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.people.models import Person, Role
from fleet.people.roles import depots_of
from fleet.vehicles.models import Depot, Vehicle


class SignedIn(HttpRequest):
    """A request that the sign-in middleware let through."""

    user: Person


@dataclass(frozen=True)
class Scope:
    """The depots a person sees, and the one chosen in the masthead ('' = all of them)."""

    depots: tuple[Depot, ...]
    depot: str

    @property
    def slugs(self) -> list[str]:
        return [self.depot] if self.depot else [depot.slug for depot in self.depots]

    @property
    def names(self) -> str:
        chosen = [depot.name for depot in self.depots if depot.slug in self.slugs]
        return ", ".join(chosen)


def scope_of(request: SignedIn) -> Scope:
    """The depots of the person; choosing a depot that is not theirs is as if it did not exist."""
    depots = tuple(depots_of(request.user))
    depot = request.GET.get("depot", "")
    if depot and depot not in {one.slug for one in depots}:
        raise Http404
    return Scope(depots, depot)


def show(
    request: SignedIn, page: str, scope: Scope, context: Mapping[str, Any], status: int = 200
) -> HttpResponse:
    """A whole page in the common frame."""
    frame = {"page": page, "depots": scope.depots, "depot": scope.depot, "scope": scope}
    return render(request, f"dashboard/{page}.html", {**frame, **context}, status=status)


def vehicle_seen_by(person: Person, fleet_number: str) -> Vehicle:
    """A vehicle in one of the person's depots; any other is not found."""
    seen = Vehicle.objects.filter(depot__in=depots_of(person))
    named = seen.filter(fleet_number__iexact=fleet_number.strip())
    vehicle = named.select_related("vehicle_type", "depot").first()
    if vehicle is None:
        raise Http404
    return vehicle


@dataclass(frozen=True)
class Page:
    """A page of the masthead; its name is also that of its address."""

    name: str
    words: str
    by_depot: bool = False  # narrowed by the depot chosen


PAGES = (
    Page("due", "Due", by_depot=True),
    Page("work-orders", "Work orders", by_depot=True),
    Page("todays-orders", "Today's orders", by_depot=True),
    Page("findings", "Findings", by_depot=True),
    Page("readings", "Readings", by_depot=True),
    Page("consumables", "Consumables", by_depot=True),
    Page("field-trials", "Field trials", by_depot=True),
    Page("stock", "Stock", by_depot=True),
    Page("runs", "Runs"),
    Page("method", "Method", by_depot=True),
    Page("people-and-tokens", "People and tokens"),
)
# a mechanic's pages, the first one where they land; everybody else has them all, from Due on
OF_MECHANICS = (
    *("todays-orders", "work-orders", "due", "findings", "readings"),
    "field-trials",
    *("method", "people-and-tokens"),
)


def pages_of(person: Person) -> tuple[Page, ...]:
    """The pages of the masthead, in the order in which a role needs them."""
    if person.role != Role.MECHANIC:
        return PAGES
    named = {page.name: page for page in PAGES}
    return tuple(named[name] for name in OF_MECHANICS)


def home_of(person: Person) -> str:
    """The page that a person lands on."""
    return pages_of(person)[0].name
