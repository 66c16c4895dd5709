"""Lists by key: a page starts behind the last row of the one before, so that rows which come
and go meanwhile neither repeat nor hide others, and the last page costs what the first does."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.core import signing
from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.errors import QueryFault
from fleet.api.fields import Strict, Text
from fleet.behind import Behind

PAGE_ROWS, PAGE_ROWS_MAX = 50, 500  # our choice

Row = dict[str, Any]


class PageQuery(Strict):
    """Parameters that every list takes."""

    limit = serializers.IntegerField(min_value=1, max_value=PAGE_ROWS_MAX, default=PAGE_ROWS)
    cursor = Text(required=False, help_text="From `next` of the page before; not to be made up.")


@dataclass(frozen=True, slots=True)
class Order:
    """What a list sorts by: its last column tells rows apart, and all go the same way."""

    name: str
    columns: tuple[str, ...]
    descending: bool = False


def page(request: Request, rows: QuerySet[Any, Row], order: Order, asked: Row) -> tuple[Any, ...]:
    """Rows of this page and the address of the next (or None)."""
    after = position(order.name, asked, len(order.columns))
    rows = in_order(rows, order)
    if after is not None:
        rows = rows.filter(Behind(order.columns, after, descending=order.descending))
    found = list(rows[: asked["limit"] + 1])  # one row more instead of a count
    return split(request, order, found, asked["limit"])


def in_order(rows: QuerySet[Any, Row], order: Order) -> QuerySet[Any, Row]:
    sign = "-" if order.descending else ""
    return rows.order_by(*(sign + column for column in order.columns))


def split(
    request: Request, order: Order, found: Sequence[Row], limit: int
) -> tuple[Sequence[Row], str | None]:
    if len(found) <= limit:
        return found, None
    shown = found[:limit]
    return shown, _next(request, order.name, [shown[-1][column] for column in order.columns])


def position(name: str, asked: Row, columns: int) -> list[Any] | None:
    """The key that a cursor stands for."""
    if "cursor" not in asked:
        return None
    try:
        key = _signer(name).unsign_object(asked["cursor"])
    except (signing.BadSignature, ValueError):
        key = None
    if not isinstance(key, list) or len(key) != columns:
        wrong = "This cursor is not from this list: follow next, or start without one."
        raise QueryFault({"cursor": [serializers.ErrorDetail(wrong, code="cursor")]})
    return key


def listed(rows: Sequence[Row], following: str | None) -> Response:
    """The answer of every list; the way on stands in the body and as a link (RFC 8288)."""
    headers = {"Link": f'<{following}>; rel="next"'} if following else None
    return Response({"rows": rows, "next": following}, headers=headers)


def _signer(name: str) -> signing.Signer:
    """Without a time in it: the same page has the same address, and so the same tag."""
    return signing.Signer(salt=f"cursor of {name}")


def _next(request: Request, name: str, key: list[Any]) -> str:
    given = request.query_params.copy()
    plain = [value.isoformat() if isinstance(value, date) else value for value in key]
    given["cursor"] = _signer(name).sign_object(plain)
    return f"{request.path}?{given.urlencode()}"


def page_shape(name: str, row: type[serializers.Serializer[Any]]) -> type[Any]:
    """The schema of a list of these rows."""
    fields = {
        "rows": row(many=True),
        "next": serializers.CharField(allow_null=True, help_text="Address of the next page"),
    }
    return type(name, (serializers.Serializer,), fields)
