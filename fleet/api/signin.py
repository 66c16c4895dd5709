"""Who calls, and how far the call reaches: a signed-in page or a token, its scopes and depots."""

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed, NotAuthenticated, PermissionDenied
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from fleet import trace
from fleet.people import tokens
from fleet.people.models import Person, Token
from fleet.people.roles import depots_listed, depots_of, may, whose_depots
from fleet.reads import Rows, prepared, prepared_copied
from fleet.today import NO_DEPOT, newest_day, today_at
from fleet.vehicles.models import Depot

if TYPE_CHECKING:
    from rest_framework.views import APIView  # which imports this file by its setting


class TokenAuthentication(BaseAuthentication):
    """``Authorization: Bearer …``."""

    def authenticate(self, request: Request) -> tuple[Person, Token] | None:
        kind, _, secret = get_authorization_header(request).partition(b" ")
        if kind.lower() != b"bearer":
            return None
        now = timezone.now()
        token = tokens.find(secret.strip().decode("latin-1"), now)
        if token is None:
            raise AuthenticationFailed("This token is unknown, has ended or was revoked.")
        tokens.mark_used(token, today_at(NO_DEPOT, now))
        return token.person, token

    def authenticate_header(self, request: Request) -> str:
        return 'Bearer realm="api"'


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = TokenAuthentication
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class Allowed(BasePermission):
    """The caller's role carries the right that the view names, and a token its scope."""

    def has_permission(self, request: Request, view: "APIView") -> bool:
        if not request.user.is_authenticated:
            return False
        method = "GET" if request.method == "HEAD" else str(request.method)
        right = view.rights.get(method)  # type: ignore[attr-defined]
        if right is None:
            return True  # no such method: answered with 405
        trace.PERSON.set(request.user.pk)
        if not may(request.user, right):
            raise PermissionDenied(f"Your role does not include: {right.value}.")
        scope = f"{view.scope}:{_way(method)}"  # type: ignore[attr-defined]
        if isinstance(request.auth, Token) and scope not in request.auth.scopes:
            raise PermissionDenied(f"This token lacks the scope {scope}.")
        return True


def _way(method: str) -> str:
    return "read" if method in SAFE_METHODS else "write"


def caller(request: Request) -> Person:
    """Who calls; the views let nobody else through."""
    if not isinstance(request.user, Person):
        raise NotAuthenticated
    return request.user


def depots_for(request: Request) -> QuerySet[Depot]:
    """The depots this call reaches: the person's, narrowed to the token's."""
    depots = depots_of(request.user)
    return depots.filter(tokens=request.auth) if isinstance(request.auth, Token) else depots


def reached_by(request: Request) -> Sequence[Depot]:
    """The same, to be read with other rows."""
    return _reached(*_who(request))


def zones_for(request: Request, slug: str | None = None) -> dict[int, str]:
    """Time zone by id of the depots this call reaches, or of the one of them that is named."""
    return dict(_zones(*_who(request), slug))


def _who(request: Request) -> tuple[int | None, int | None]:
    """On whom it depends which depots a call reaches: a person, none for every depot; a token."""
    token_id = request.auth.pk if isinstance(request.auth, Token) else None
    return whose_depots(caller(request)), token_id


@prepared_copied
def _reached(person_id: int | None, token_id: int | None) -> Rows:
    rows = depots_listed(person_id)
    return rows if token_id is None else rows.filter(tokens=token_id)


@prepared
def _zones(person_id: int | None, token_id: int | None, slug: str | None) -> Rows:
    rows = _reached.question(person_id, token_id)
    return (rows if slug is None else rows.filter(slug=slug)).values_list("pk", "zone")


def today_for(request: Request) -> date:
    """The day at the depots this call reaches; around midnight, where it comes first."""
    return newest_day(depots_for(request).values_list("zone", flat=True))
