"""The address without a page: the first page of whoever asks."""

from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_GET

from fleet.dashboard.frame import SignedIn, home_of


@require_GET
def home(request: SignedIn) -> HttpResponse:
    """Lead to the first page of the person's role; a list of due services kept as a bookmark
    from when it had this address is still found."""
    if request.GET:
        return redirect(f"{reverse('due')}?{request.GET.urlencode()}")
    return redirect(home_of(request.user))
