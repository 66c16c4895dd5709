"""Lists that go on behind a row: a condition by which an index is entered at its very key."""

from collections.abc import Sequence
from typing import Any

from django.db.models import BooleanField, Expression, Func, Value


class Behind(Func):
    """Whether a row comes behind a key in the order of some columns, the first counting most.

    The columns are compared as one, ``(a, b) > (x, y)``: an index of them is entered at the key,
    where ``a > x OR (a = x AND b > y)`` makes PostgreSQL read all that shares the key's ``a``.

    Parameters
    ----------
    columns
        Names of columns or annotations, each never null, in the order in which rows are sorted.
    key
        Their values in the row behind which the list goes on.
    """

    output_field = BooleanField()

    def __init__(
        self, columns: Sequence[str], key: Sequence[Any], *, descending: bool = False
    ) -> None:
        super().__init__(*columns)
        self.key, self.descending = tuple(key), descending

    def as_sql(  # type: ignore[override]
        self, compiler: Any, connection: Any, **_: Any
    ) -> tuple[str, list[Any]]:
        columns: list[Expression] = self.get_source_expressions()
        values = [
            Value(value, output_field=column.output_field)
            for column, value in zip(columns, self.key, strict=True)
        ]
        left, of_left = self._row(columns, compiler)
        right, of_right = self._row(values, compiler)
        return f"{left} {'<' if self.descending else '>'} {right}", [*of_left, *of_right]

    @staticmethod
    def _row(parts: Sequence[Expression], compiler: Any) -> tuple[str, list[Any]]:
        compiled = [compiler.compile(part) for part in parts]
        named = ", ".join(sql for sql, _ in compiled)
        return f"({named})", [one for _, params in compiled for one in params]
