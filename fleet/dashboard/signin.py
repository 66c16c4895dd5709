"""Signing in by password or by a single-use link, and signing out."""

from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from fleet.dashboard.frame import home_of
from fleet.people.attempts import WAIT_S, refused
from fleet.people.links import redeem
from fleet.people.models import Person

BACKEND = "fleet.people.attempts.SlowedBackend"


class SignIn(LoginView):
    template_name = "dashboard/sign-in.html"
    redirect_authenticated_user = True

    def get_default_redirect_url(self) -> str:
        """Where a person's work begins."""
        person = self.request.user
        return reverse(home_of(person)) if isinstance(person, Person) else reverse("sign-in")

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        name = self.request.POST.get("username", "")
        waits = refused(name, self.request.META.get("REMOTE_ADDR", ""))
        return self.render_to_response(
            self.get_context_data(form=form, wait_min=WAIT_S // 60 if waits else None)
        )


sign_in = SignIn.as_view()
sign_out = LogoutView.as_view(next_page="sign-in")


@login_not_required
@never_cache
@require_GET
def sign_in_by_link(request: HttpRequest, secret: str) -> HttpResponse:
    person = redeem(secret, request.META.get("REMOTE_ADDR", ""))
    if person is None:
        return render(request, "dashboard/sign-in-link.html", status=403)
    login(request, person, backend=BACKEND)
    return redirect(home_of(person))
