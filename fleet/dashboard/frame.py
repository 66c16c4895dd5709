"""What every page shares: who is looking, at which depots, in which frame."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import wraps
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render

from fleet.faults import Question
from fleet.people.models import Person, Role
from fleet.people.roles import Right, depots_of, may, own_depots, whose_depots
from fleet.today import newest_day
from fleet.vehicles.find import numbered_now
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
        return [depot.slug for depot in self.chosen]

    @property
    def chosen(self) -> list[Depot]:
        return [depot for depot in self.depots if self.depot in ("", depot.slug)]

    @property
    def today(self) -> date:
        """The day at the depots chosen; around midnight, where it comes first."""
        return newest_day([depot.zone for depot in self.chosen])

    @property
    def clock(self) -> Depot | str:
        """By whose clock instants of no depot are told: of the depot chosen, else of the first."""
        return self.chosen[0] if self.chosen else "UTC"

    @property
    def names(self) -> str:
        return ", ".join(depot.name for depot in self.chosen)


View = Callable[..., HttpResponse]


def needs(right: Right) -> Callable[[View], View]:
    """Refuse whoever lacks the right before anything that was sent is looked at."""

    def decorated(view: View) -> View:
        @wraps(view)
        def refusing(request: SignedIn, *given: Any, **named: Any) -> HttpResponse:
            if not may(request.user, right):
                raise PermissionDenied(f"Your role does not include: {right.value}.")
            return view(request, *given, **named)

        return refusing

    return decorated


def is_demo_folder() -> bool:
    """Whether the data folder is marked as a demo, whose people and figures are all invented."""
    return bool((settings.DATA_DIR / "demo").exists())


def scope_of(request: SignedIn, asked: QueryDict | None = None) -> Scope:
    """The depots of the person; choosing a depot that is not theirs is as if it did not exist.

    ``asked``: what the address asked for from which a form was sent; None: this request's own.
    """
    user = request.user
    depots = tuple(depots_of(user) if user.is_superuser else own_depots(user))
    depot = (request.GET if asked is None else asked).get("depot", "")
    if depot and depot not in {one.slug for one in depots}:
        raise Http404
    return Scope(depots, depot)


def show(
    request: SignedIn, page: str, scope: Scope, context: Mapping[str, Any], status: int = 200
) -> HttpResponse:
    """A whole page in the common frame."""
    frame = {
        "page": page,
        "depots": scope.depots,
        "depot": scope.depot,
        "scope": scope,
        "every_depot": "" if page in ONE_DEPOT else _without_depot(request),
    }
    return render(request, f"dashboard/{page}.html", {**frame, **context}, status=status)


ONE_DEPOT = ("workshop-days", "publish-days")  # pages that are of one depot in any case


def _without_depot(request: HttpRequest) -> str:
    """The address of this page for all depots, everything else as it was asked for; empty: what
    was sent to it cannot be asked for again."""
    if request.method != "GET":
        return ""
    asked = request.GET.copy()
    asked.pop("depot", None)
    return f"{request.path}?{asked.urlencode()}" if asked else request.path


STANDS = "stands-"  # and what a doubt is about: why it stands


def answers(given: QueryDict) -> str | dict[str, str]:
    """Why what was asked about stands: for each thing its own reason, as ``_asked_back.html`` sends
    them; of a form that does not say what the reason is about, the reason."""
    reason = given.get("override_reason", "").strip()[:200]
    said = {
        name.removeprefix(STANDS): why.strip()[:200]
        for name, why in given.items()
        if isinstance(why, str) and name.startswith(STANDS)
    }
    about = given.get("override_about", "")
    return {**said, about: reason} if about else said or reason


def asked_about(request: SignedIn, question: Question) -> dict[str, Any]:
    """What ``_asked_back.html`` shows: the same form goes through with a reason, or with another
    value; nothing that was typed is lost."""
    typed_name = question.about if question.about in request.POST else ""
    left_out = {"csrfmiddlewaretoken", "override_reason", "override_about", typed_name}
    given = answers(request.POST)
    said = {} if isinstance(given, str) else given
    return {
        "question": str(question),
        "about": question.about,
        "candidates": question.candidates,
        "meant": (),  # the same, each as the field would hold it, where one tap can send it
        "fields": [
            (name, value)
            for name, values in request.POST.lists()
            for value in values
            if name not in left_out and not name.startswith(STANDS)
        ]
        + [(f"{STANDS}{about}", why) for about, why in said.items() if about != question.about],
        "typed_name": typed_name,
        "typed": request.POST.get(typed_name, ""),
        "is_day": typed_name.endswith("_on") or typed_name == "best_before",
        "files": list(request.FILES),
    }


def vehicle_seen_by(person: Person, fleet_number: str) -> Vehicle:
    """A vehicle in one of the person's depots; any other is not found."""
    found: Sequence[Vehicle] = numbered_now(whose_depots(person), fleet_number.strip())
    if not found:
        raise Http404
    return found[0]


@dataclass(frozen=True)
class Page:
    """A page of the masthead; its name is also that of its address."""

    name: str
    words: str
    by_depot: bool = False  # narrowed by the depot chosen


PAGES = (
    Page("overview", "Overview", by_depot=True),
    Page("due", "Due", by_depot=True),
    Page("work-orders", "Work orders", by_depot=True),
    Page("workshop-days", "Workshop days", by_depot=True),
    Page("todays-orders", "Today's orders", by_depot=True),
    Page("findings", "Findings", by_depot=True),
    Page("readings", "Readings", by_depot=True),
    Page("consumables", "Consumables", by_depot=True),
    Page("field-trials", "Field trials", by_depot=True),
    Page("stock", "Stock", by_depot=True),
    Page("costs", "Costs", by_depot=True),
    Page("runs", "Runs"),
    Page("method", "Method", by_depot=True),
    Page("people-and-tokens", "People and tokens"),
)
# what a role uses, the first one where its people land; a page left out is refused to nobody who
# may see it, it only stands in other pages' links
OF_ROLES: dict[Role, tuple[str, ...]] = {
    Role.SUPERVISOR: tuple(page.name for page in PAGES),
    Role.VIEWER: (
        *("overview", "due", "work-orders", "workshop-days", "findings", "field-trials", "costs"),
        *("method", "people-and-tokens"),
    ),
    Role.CLERK: ("readings", "due", "findings", "field-trials", "people-and-tokens"),
    Role.MECHANIC: (
        *("todays-orders", "work-orders", "workshop-days", "due", "findings", "readings"),
        "field-trials",
        "people-and-tokens",
    ),
    Role.STORES: (
        *("consumables", "stock", "costs", "work-orders", "findings", "people-and-tokens"),
    ),
    Role.ENGINEER: (
        *("field-trials", "due", "findings", "costs", "method"),
        "people-and-tokens",
    ),
}


def pages_of(person: Person) -> tuple[Page, ...]:
    """The pages of the masthead, in the order in which a role needs them; whoever stands in for
    somebody today also has what that role uses."""
    role = Role.SUPERVISOR if person.is_superuser else Role(person.role)
    all_of_them = role == Role.SUPERVISOR
    absent = () if all_of_them else person.stands_in_for
    roles = [role, *(Role(other.role) for other in absent)]
    wanted = dict.fromkeys(name for one in roles for name in OF_ROLES[one])
    named = {page.name: page for page in PAGES}
    return tuple(named[name] for name in wanted)


def home_of(person: Person) -> str:
    """The page that a person lands on."""
    return pages_of(person)[0].name
