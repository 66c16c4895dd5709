"""Rows as a shape shows them: each of its names is a column of the row, or stands beside it."""

from collections.abc import Iterable
from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db.models import Model, QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.paging import Order, Row, listed, page

NAMES = ("username", "fleet_number", "number", "tag", "slug")  # by which rows are addressed


class Rows:
    """Rows of a table in the shape in which they are shown.

    A name of the shape is the column of that name. A row of another table is shown by its own
    name (a user name, a fleet number, a slug), or by its id where the shape says a number.

    Parameters
    ----------
    beside
        By name of the shape, where it stands otherwise, as ``depot="vehicle__depot__slug"``; an
        empty place leaves the name out, for who shows the row to add.
    """

    def __init__(
        self, model: type[Model], shape: type[serializers.Serializer[Any]], **beside: str
    ) -> None:
        names = {
            name: beside[name] if name in beside else _column(model, name, field)
            for name, field in shape().fields.items()
        }
        self.columns = {name: column for name, column in names.items() if column}

    def values(self, found: QuerySet[Any], *more: str) -> Any:
        """A query for what is shown, with further columns that stay behind."""
        return found.values(*self.columns.values(), *more)

    def row(self, row: Row) -> Row:
        return {name: row[column] for name, column in self.columns.items()}

    def all(self, found: QuerySet[Any]) -> list[Row]:
        return [self.row(row) for row in self.values(found)]

    def one(self, found: QuerySet[Any]) -> Row:
        """The only row there is."""
        return self.row(self.values(found).get())

    def page(
        self, request: Request, found: QuerySet[Any], order: Order, asked: Row, *more: str
    ) -> Response:
        """The answer of a list; ``more`` are columns of its order that are not shown."""
        on_page, following = page(request, self.values(found, *more), order, asked)
        return listed([self.row(row) for row in on_page], following)


def _column(model: type[Model], name: str, field: serializers.Field[Any, Any, Any, Any]) -> str:
    try:
        other = model._meta.get_field(name).related_model
    except FieldDoesNotExist:
        return name
    if other is None or isinstance(field, serializers.IntegerField):
        return name
    return f"{name}__{_name_of(other._meta.get_fields())}"


def _name_of(fields: Iterable[Any]) -> str:
    known = {field.name for field in fields}
    return next(name for name in NAMES if name in known)
