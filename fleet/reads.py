"""Reads asked together: one trip to the database a step, however many lists a page shows.

A read is rows (a queryset), or a generator that yields the rows it wants, goes on once they are
there and returns what it makes of them::

    def named(order: WorkOrder) -> Read[dict[int, str]]:
        rows = order.jobs.order_by("pk")
        yield [rows]
        return {row.pk: row.title for row in rows}

Under ``@reader`` it is read at once when it is called, ``named(order)``; its steps can be asked
together with those of others: ``together(named.steps(order), findings, …)``.

Django writes the SQL of a queryset anew each time, which costs more than most rows are worth. A
queryset that differs in plain values only is written once under ``@prepared``::

    @prepared
    def _of_orders(order_ids: Ids) -> Rows:
        return Job.objects.filter(order__in=order_ids).order_by("pk")

``_of_orders(ids)`` is rows like a queryset's, to be yielded, or to be read where they stand.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from contextlib import suppress
from copy import copy
from functools import cache, lru_cache, update_wrapper
from itertools import chain
from operator import itemgetter
from typing import Any, Generic, ParamSpec, TypeVar, overload

from django.core.exceptions import EmptyResultSet
from django.db import DEFAULT_DB_ALIAS, Error, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Field, Model, QuerySet
from django.db.models.query import ModelIterable

from fleet.prepared import Words, kind_of, plainly, stand_in, words
from fleet.rowcopies import RowCopies

T = TypeVar("T")
P = ParamSpec("P")
Rows = QuerySet[Any, Any]
Ids = Collection[int]
Found = list[tuple[Any, ...]]  # rows of the database
Read = Generator[Collection["Rows | Asked"], None, T]
MOST_PARAMS = 5_000  # of one statement for several: far below what any database takes; our choice
SEES_THE_SAME = "ISOLATION LEVEL REPEATABLE READ, READ ONLY"
MOST_WRITTEN = 500  # of a prepared question for values of different kinds; our choice
WHOLE = ("integer", "smallint")  # are read as the widest: a sum may be larger than its parts


def ask(read: Read[T]) -> T:
    """What a read makes of its rows, one statement a step."""
    while True:
        try:
            fetch(next(read))
        except StopIteration as ended:
            result: T = ended.value
            return result


class reader(Generic[P, T]):  # noqa: N801  # a decorator
    """A function whose read is asked when it is called."""

    def __init__(self, steps: Callable[P, Read[T]]) -> None:
        self.steps = steps
        update_wrapper(self, steps)

    def __call__(self, *given: P.args, **named: P.kwargs) -> T:
        return ask(self.steps(*given, **named))


def together(*reads: "Read[Any] | Rows | Asked") -> tuple[Any, ...]:
    """What several reads give, in their order; as many statements as the longest has steps."""
    return ask(side_by_side(*reads))


def side_by_side(*reads: "Read[Any] | Rows | Asked") -> Read[tuple[Any, ...]]:
    """Several reads as one, for a read that is made of others."""
    going = {
        at: _rows(one) if isinstance(one, QuerySet | Asked) else one for at, one in enumerate(reads)
    }
    given: dict[int, Any] = {}
    while going:
        wanted: list[Rows | Asked] = []
        for at, read in list(going.items()):
            try:
                wanted += next(read)
            except StopIteration as ended:
                given[at] = ended.value
                del going[at]
        if wanted:
            yield wanted
    return tuple(given[at] for at in range(len(reads)))


def _rows(rows: "Rows | Asked") -> "Read[Rows | Asked]":
    yield [rows]
    return rows


def referring(parents: Iterable[Model], *names: str, **beside: Collection[str]) -> Read[None]:
    """The rows that refer to some rows, for each of the relations named, perhaps with what they
    refer to beside them: after it ``parent.name.all()`` asks nothing."""
    listed = list(parents)
    if not listed:
        return
    pks = [parent.pk for parent in listed]
    fields: dict[str, Any] = {
        name: listed[0]._meta.get_field(name).remote_field for name in (*names, *beside)
    }
    found = {
        name: _referring(field, tuple(beside.get(name, ())))(pks) for name, field in fields.items()
    }
    yield found.values()
    for name, field in fields.items():
        by_parent: dict[int, list[Any]] = defaultdict(list)
        for row in found[name]:
            by_parent[getattr(row, field.attname)].append(row)
        for parent in listed:
            for row in by_parent[parent.pk]:
                field.set_cached_value(row, parent)
            lay_beside(parent, name, by_parent[parent.pk])


def lay_beside(parent: Model, name: str, rows: list[Any]) -> None:
    """Let ``parent.name.all()`` be rows that were read; what is filtered further is asked anew."""
    own: Any = _of_parent(parent, name)
    own._result_cache = rows
    # not in its ``__dict__``: the person of a request is a lazy object, which has one of its own
    laid: dict[str, Any] = getattr(parent, "_prefetched_objects_cache", {})
    parent._prefetched_objects_cache = laid | {name: own}  # type: ignore[attr-defined]


def _of_parent(parent: Model, name: str) -> Any:
    """The queryset of the rows that refer to a parent, written only if it comes to be asked: to
    write it costs more than all else that is done for a parent whose rows were read."""
    relation: Any = parent._meta.get_field(name)
    if not relation.one_to_many:
        return getattr(parent, name).all()
    field = relation.field
    own = relation.related_model._default_manager.get_queryset()
    own._deferred_filter = (False, (), {field.name: parent})
    own._known_related_objects = {field: {parent.pk: parent}}
    return own


@cache
def _referring(field: Any, beside: tuple[str, ...]) -> "prepared[[Ids]]":
    def rows(pks: Ids) -> Rows:
        found: Rows = field.model._default_manager.filter(**{f"{field.name}__in": pks})
        return found.select_related(*beside) if beside else found

    return prepared_copied(rows)


class _Part:
    """The rows of one queryset in a statement of several."""

    def __init__(self, rows: Rows, connection: BaseDatabaseWrapper) -> None:
        self.rows = rows
        self.compiler = rows.query.get_compiler(connection=connection)
        self.sql: str
        self.params: Sequence[Any]
        try:
            self.sql, self.params = self.compiler.as_sql()
        except EmptyResultSet:
            self.sql, self.params = "", ()
        if self.compiler.has_extra_select:
            raise TypeError("Rows that are distinct are ordered by what they show.")
        shown = [column.output_field for column, *_ in self.compiler.select or ()]
        self.kinds = tuple(_kind(field, connection.vendor) for field in shown)

    def fill(self, found: Sequence[tuple[Any, ...]]) -> None:
        """Let the queryset take rows of the database as if it had asked for them itself."""
        vars(self.compiler)["execute_sql"] = lambda *_, **__: [found]
        vars(self.rows.query)["get_compiler"] = lambda *_, **__: self.compiler
        try:
            self.rows._fetch_all()
        finally:
            del vars(self.rows.query)["get_compiler"]


def fetch(wanted: "Collection[Rows | Asked]") -> None:
    """Read several querysets at once; those that were read before are left alone.

    Each keeps its own order. What one prefetches costs its own statements, and what is asked for
    very many ids is asked alone.
    """
    # not ``django.db.connection``, which looks itself up at each of thousands of questions
    connection = connections[DEFAULT_DB_ALIAS]
    new = {id(rows): rows for rows in wanted if rows._result_cache is None}
    parts = [
        _PreparedPart(rows, connection) if isinstance(rows, Asked) else _Part(rows, connection)
        for rows in new.values()
    ]
    asked = [part for part in parts if part.sql]
    found = _found(asked, connection) if asked else []
    for part in parts:
        part.fill(found[asked.index(part)] if part.sql else [])


def _found(
    asked: "Sequence[_Part | _PreparedPart]", connection: BaseDatabaseWrapper
) -> list[Found]:
    """The rows of each part."""
    with connection.cursor() as cursor:
        if len(asked) == 1 or sum(len(part.params) for part in asked) > MOST_PARAMS:
            return [_alone(cursor, part) for part in asked]
        if connection.vendor == "postgresql":
            return _in_one_message(cursor, asked, in_own=not connection.in_atomic_block)
        return _in_one_statement(cursor, asked)


def _alone(cursor: Any, part: "_Part | _PreparedPart") -> Found:
    cursor.execute(part.sql, part.params)
    found: Found = cursor.fetchall()
    return found


def _in_one_message(
    cursor: Any, asked: "Sequence[_Part | _PreparedPart]", *, in_own: bool
) -> list[Found]:
    """Several statements sent at once, which PostgreSQL answers one after the other: to plan one
    of them all takes it longer than all else together.

    Parameters
    ----------
    in_own
        In a transaction of their own, in which all of them see the same; else in that around them.
    """
    texts, begin = [part.sql for part in asked], [f"BEGIN {SEES_THE_SAME}"] if in_own else []
    params = [*chain.from_iterable(part.params for part in asked)]
    try:
        cursor.execute("; ".join([*begin, *texts, *(["COMMIT"] if in_own else [])]), params)
    except BaseException:
        if in_own:
            with suppress(Error):  # where the connection is gone, so is the transaction
                cursor.execute("ROLLBACK")
        raise
    found = []
    for number in range(len(texts)):
        if number or in_own:
            cursor.nextset()
        found.append(cursor.fetchall())
    return found


def _in_one_statement(cursor: Any, asked: "Sequence[_Part | _PreparedPart]") -> list[Found]:
    """One statement whose rows are those of several, each with the number of its part."""
    heads, arms, picks = _shape(tuple(part.kinds for part in asked))
    named = ", ".join(f"{head} AS ({part.sql})" for head, part in zip(heads, asked, strict=True))
    params = [*chain.from_iterable(part.params for part in asked)]
    cursor.execute(f"WITH {named} {arms}", params)
    found: list[Found] = [[] for _ in asked]
    for row in cursor.fetchall():
        found[row[0]].append(picks[row[0]](row))
    return found


@lru_cache(maxsize=1_000)
def _shape(
    parts: tuple[tuple[str, ...], ...],
) -> tuple[list[str], str, list[Callable[[Sequence[Any]], tuple[Any, ...]]]]:
    """Columns of one kind share a place in the rows: a name for each part with its columns, what
    is read of all parts, and what picks each part's columns out of a row."""
    most: dict[str, int] = {}
    for kinds in parts:
        for kind in kinds:
            most[kind] = max(most.get(kind, 0), kinds.count(kind))
    slots = [kind for kind, count in most.items() for _ in range(count)]
    heads, arms, picks = [], [], []
    for number, kinds in enumerate(parts):
        free = {kind: slots.index(kind) for kind in most}
        own = []
        for kind in kinds:
            own.append(free[kind])
            free[kind] += 1
        names = [f"c{at}" for at in range(len(own))]
        named = dict(zip(own, names, strict=True))
        shown = ", ".join(named.get(at, "NULL") for at in range(len(slots)))
        heads.append(f"part_{number}({', '.join(names)})")
        arms.append(f"SELECT {number}, {shown} FROM part_{number}")  # noqa: S608
        picks.append(_picking([at + 1 for at in own]))  # behind the number of the part
    return heads, " UNION ALL ".join(arms), picks


def _picking(places: Sequence[int]) -> Callable[[Sequence[Any]], tuple[Any, ...]]:
    several: Callable[[Sequence[Any]], tuple[Any, ...]] = itemgetter(*places)
    return several if len(places) > 1 else lambda row: (row[places[0]],)


@lru_cache(maxsize=5_000)
def _kind(field: "Field[Any, Any]", vendor: str) -> str:
    """The kind of a column in the database, without its length."""
    kind = (field.db_type(connections[DEFAULT_DB_ALIAS]) or "text").partition("(")[0]
    return "bigint" if kind in WHOLE else str(kind)


# --- written once --------------------------------------------------------------------------
class prepared(Generic[P]):  # noqa: N801  # a decorator
    """A function that gives a queryset for plain values, asked for many values in the same words.

    The values are ids, other whole numbers, texts, days, none at all, or collections of these, and
    the queryset asks for each as it is: what it changes first, as ``icontains`` does, is refused.
    What it looks at itself is given as ``Fixed``. Whatever else the queryset depends on is as it
    was when it was first asked for.
    """

    def __init__(self, question: Callable[P, Rows], *, copied: RowCopies | None = None) -> None:
        self.question, self.copied = question, copied
        self.written = lru_cache(maxsize=MOST_WRITTEN)(self._written)
        update_wrapper(self, question)

    def __call__(self, *given: P.args, **named: P.kwargs) -> "Asked":
        if named:
            raise TypeError("Give the values of a prepared question in their order.")
        return Asked(self, [plainly(one) for one in given])

    def _written(self, vendor: str, kinds: tuple[Any, ...]) -> "tuple[_Part, Words]":
        """How it is asked on the database, which is of a vendor, for values of some kinds."""
        stand_ins = [stand_in(kind, at) for at, kind in enumerate(kinds)]
        part = _Part(self.question(*stand_ins), connections[DEFAULT_DB_ALIAS])  # type: ignore[call-arg]
        if self.copied is not None and not _is_of_plain_models(part.rows):
            raise TypeError("Only models with what is selected beside them are copied.")
        part.compiler.connection = None  # which is of one thread, and is closed some day
        return part, words(part.sql, part.params, stand_ins)


def prepared_copied(question: Callable[P, Rows]) -> prepared[P]:
    """``@prepared`` for models, most of which are as before: those are copied, not made anew."""
    return prepared(question, copied=RowCopies())


def _is_of_plain_models(rows: Rows) -> bool:
    return rows._iterable_class is ModelIterable and not vars(rows)["_prefetch_related_lookups"]


class Asked(Sequence[Any]):
    """The rows of a prepared question, read with those of others or once they are looked at."""

    def __init__(self, question: prepared[Any], given: Sequence[Any]) -> None:
        self.question, self.given = question, given
        self._result_cache: list[Any] | None = None  # named as a queryset's

    def __iter__(self) -> Iterator[Any]:
        return iter(self._all())

    def __len__(self) -> int:
        return len(self._all())

    @overload
    def __getitem__(self, at: int) -> Any: ...
    @overload
    def __getitem__(self, at: slice) -> list[Any]: ...
    def __getitem__(self, at: int | slice) -> Any:
        return self._all()[at]

    def _all(self) -> list[Any]:
        if self._result_cache is None:
            fetch([self])
        return self._result_cache or []


class _PreparedPart:
    """The rows of a prepared question in a statement of several."""

    def __init__(self, asked: Asked, connection: BaseDatabaseWrapper) -> None:
        self.asked, self.connection = asked, connection
        kinds = tuple(map(kind_of, asked.given))
        self.part, written = asked.question.written(connection.vendor, kinds)
        self.kinds = self.part.kinds
        self.sql, self.params = written.put_in(asked.given)

    def fill(self, found: Sequence[tuple[Any, ...]]) -> None:
        """Let what was asked have its rows, as a queryset like that of the question does."""
        copied = self.asked.question.copied
        made = self._made(found) if copied is None else copied.of(found, self._made)
        self.asked._result_cache = made

    def _made(self, found: Sequence[tuple[Any, ...]]) -> list[Any]:
        own = copy(self.part)  # others may be filled at the same time
        own.rows, own.compiler = own.rows.all(), copy(own.compiler)
        own.compiler.connection = self.connection
        own.fill(found)
        return list(own.rows)
