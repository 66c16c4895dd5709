"""API reference: the schema as a page, drawn by what the packages bring along."""

from django.http import HttpResponse
from django.views.decorators.http import require_GET

from fleet.dashboard.frame import SignedIn, scope_of, show


@require_GET
def api_reference(request: SignedIn) -> HttpResponse:
    return show(request, "api-reference", scope_of(request), {})
