"""What a form of a page asks for: tried once, and told in words."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.dashboard.frame import SignedIn, View
from fleet.dashboard.whole_numbers import whole_numbers
from fleet.faults import Fault, Forbidden, Question
from fleet.people.actor import Actor

Enter = Callable[..., str | HttpResponse]


def act(
    back: str | View, *, refused: View | None = None, asked: View | None = None
) -> Callable[[Enter], View]:
    """A view that tries what a form asks for, says what came of it or the fault, and goes back.

    Parameters
    ----------
    back
        Name of the page to go back to, or a view for it.
    refused
        Answers a fault in its own way instead: request, fault, and what the address names.
    asked
        The same for a question; without it a question is said like a fault.

    Returns
    -------
    Callable
        Decorates ``enter(request, actor, **named) -> said``; an answer of its own goes out as it
        is.
    """

    def decorated(enter: Enter) -> View:
        @require_POST
        @wraps(enter)
        def view(request: SignedIn, **named: Any) -> HttpResponse:
            try:
                said = enter(request, Actor(request.user, "page", timezone.now()), **named)
            except Forbidden as fault:
                raise PermissionDenied(str(fault)) from fault
            except Fault as fault:
                own = asked if asked and isinstance(fault, Question) else refused
                if own is not None:
                    return own(request, fault, **named)
                messages.error(request, str(fault))
            else:
                if isinstance(said, HttpResponse):
                    return said
                messages.success(request, said)
            return redirect(back) if isinstance(back, str) else back(request, **named)

        return view

    return decorated


def back(request: SignedIn, page: str, query: str = "") -> HttpResponse:
    """To the page that a form belongs to; to the overview, where it was sent from there."""
    return to_overview(request) or redirect(f"{reverse(page)}{'?' if query else ''}{query}")


def to_overview(request: SignedIn) -> HttpResponse | None:
    """To the overview, where a form was sent from there."""
    named, _, own = request.POST.get("back", "").partition("?")
    if named != "overview":
        return None
    return redirect(f"{reverse(named)}{'?' if own else ''}{own[:100]}")


def numbers(request: SignedIn, name: str, most: int) -> list[int]:
    """Ids of the rows that were chosen."""
    return whole_numbers(request.POST.getlist(name)[:most])
