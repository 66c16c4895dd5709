"""Pages for what cannot be shown."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def not_allowed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "dashboard/403.html", {"reason": str(exception or "")}, status=403)


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "dashboard/404.html", status=404)


def broken(request: HttpRequest) -> HttpResponse:
    # after a fault nothing may be asked of the database, not even who is signed in
    return render(None, "dashboard/500.html", status=500)


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    return render(request, "dashboard/stale-form.html", status=403)
