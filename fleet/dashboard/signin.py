"""Signing in by password or by a single-use link, and signing out."""

from http import HTTPStatus

from django.conf import settings
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
from fleet.people.attempts import MARK_LASTS, address_of, mark_for, waits_s
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

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """Go on, in a browser that is known from now on."""
        response = super().form_valid(form)
        response.set_cookie(
            *mark_for(form.get_user().get_username()),
            max_age=MARK_LASTS,
            path=self.request.path,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Strict",
        )
        return response

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        """The form again; where there is a wait, with how long."""
        wait_s = waits_s(self.request.POST.get("username", ""), self.request)
        context = self.get_context_data(form=form, wait=wait_words(wait_s) if wait_s else "")
        if not wait_s:
            return self.render_to_response(context)
        retry = {"Retry-After": str(wait_s)}
        return self.render_to_response(context, status=HTTPStatus.TOO_MANY_REQUESTS, headers=retry)


def wait_words(wait_s: int) -> str:
    """A wait in words, rounded up."""
    if wait_s < 60:
        return f"{wait_s} seconds" if wait_s > 1 else "1 second"
    return f"{-(-wait_s // 60)} minutes" if wait_s > 60 else "1 minute"


sign_in = SignIn.as_view()
sign_out = LogoutView.as_view(next_page="sign-in")


@login_not_required
@never_cache
@require_GET
def sign_in_by_link(request: HttpRequest, secret: str) -> HttpResponse:
    person = redeem(secret, address_of(request))
    if person is None:
        return render(request, "dashboard/sign-in-link.html", status=403)
    login(request, person, backend=BACKEND)
    return redirect(home_of(person))
