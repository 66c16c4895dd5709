"""Pages for what cannot be shown."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleet import trace


def not_allowed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "dashboard/403.html", {"reason": str(exception or "")}, status=403)


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "dashboard/404.html", status=404)


def only_forms(request: HttpRequest) -> HttpResponse:
    """For an address that only takes what a form sends, as when its answer is loaded again."""
    return render(request, "dashboard/404.html", {"takes_forms": True}, status=405)


def broken(request: HttpRequest) -> HttpResponse:
    text = (
        "The page could not be made; what was saved before is safe. Load it again. If it happens "
        "again, quote the number below to whoever runs the program."
    )
    return said(500, text)


def said(status: int, text: str) -> HttpResponse:
    """One sentence and the number to quote; who is signed in is not asked of the database."""
    context = {"text": text, "number": trace.REQUEST.get()}
    return render(None, "dashboard/500.html", context, status=status)


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    return render(request, "dashboard/stale-form.html", status=403)
