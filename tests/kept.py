"""Scenes that outlast a test: built once for the tests that begin with them.

A test spends more on its scene than on its question. So the scene is built in a transaction
around those of the tests: each test writes within its own, which is undone, and gets copies of
the objects. Tests of one module that begin alike run one after the other.

    @kept
    def bay() -> Bay: ...

    @kept
    def job(bay: Bay) -> Job: ...  # takes other kept scenes, and nothing else

A test in real transactions, and one whose scene stands on a fixture of its own, builds anew.
"""

import copy
import functools
import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pytest
from django.db import connection, transaction
from django.utils import timezone

Build = Callable[..., Any]


@dataclass(frozen=True)
class Open:
    build: Build
    made: Any
    around: transaction.Atomic
    hour: str  # some scenes are of today, and days begin by the zone of a depot


_open: list[Open] = []


def kept(build: Build) -> Any:
    """Make a fixture of a function that builds a scene; its parameters are kept scenes."""
    before = inspect.signature(build).parameters.values()

    @functools.wraps(build)
    def handed_out(kept_scenes: dict[Build, Any], **scenes: Any) -> Any:
        return kept_scenes[build] if build in kept_scenes else build(**scenes)

    first = inspect.Parameter("kept_scenes", inspect.Parameter.POSITIONAL_OR_KEYWORD)
    handed_out.__signature__ = inspect.Signature([first, *before])  # type: ignore[attr-defined]
    handed_out.builds = build  # type: ignore[attr-defined]
    return pytest.fixture(handed_out)


def begins_with(item: pytest.Item) -> list[Build]:
    """The scenes of a test that can be kept, each after what it takes."""
    if in_real_transactions(item):
        return []
    found: dict[str, Build | None] = {}

    def look(name: str) -> bool:
        if name not in found:
            definitions = item._fixtureinfo.name2fixturedefs.get(name, ())  # type: ignore[attr-defined]
            build = getattr(definitions[-1].func, "builds", None) if definitions else None
            if build and False in [look(one) for one in inspect.signature(build).parameters]:
                build = None
            found[name] = build
        return found[name] is not None

    for name in sorted(getattr(item, "fixturenames", ())):
        look(name)
    return [build for build in found.values() if build]


def in_real_transactions(item: pytest.Item) -> bool:
    mark = item.get_closest_marker("django_db")
    return {"transactional_db", "live_server", "django_db_reset_sequences"}.intersection(
        getattr(item, "fixturenames", ())
    ) != set() or bool(mark and (mark.args or mark.kwargs))


def open_for(wanted: Sequence[Build]) -> None:
    """Leave open what the test begins with, close the rest and build what is missing."""
    hour = f"{timezone.now():%Y-%m-%d %H}"
    same = 0
    while same < min(len(_open), len(wanted)) and _same(_open[same], wanted[same], hour):
        same += 1
    close(same)
    for build in wanted[same:]:
        around = transaction.atomic()
        around._from_testcase = True  # type: ignore[attr-defined]  # a durable block may stand in it
        around.__enter__()
        _open.append(Open(build, None, around, hour))
        earlier = {one.build.__name__: one.made for one in _open}
        try:
            made = build(**{name: earlier[name] for name in inspect.signature(build).parameters})
            connection.check_constraints()  # as at the end of a test
        except BaseException:
            close()
            raise
        _open[-1] = Open(build, made, around, hour)


def _same(one: Open, build: Build, hour: str) -> bool:
    return one.build is build and one.hour == hour and not connection.closed_in_transaction


def close(down_to: int = 0) -> None:
    """Undo the scenes, the newest first."""
    while len(_open) > down_to:
        around = _open.pop().around
        transaction.set_rollback(True)
        around.__exit__(None, None, None)


def forget() -> None:
    """Leave what is open as it is, at the end: the database goes, and whoever served pages to a
    browser has closed the connection by then."""
    _open.clear()


def copies() -> dict[Build, Any]:
    """What was built, as a test may change it; what two scenes share stays shared."""
    return copy.deepcopy({one.build: one.made for one in _open})


def together(items: list[pytest.Item]) -> None:
    """One after the other what begins alike: modules by the first scene of theirs, and within each
    module the tests, so that as little as can be is undone and built anew. Else in the order given.
    """
    begin = {item: tuple(begins_with(item)) for item in items}
    places: dict[Any, int] = {}
    first: dict[Any, Build] = {}
    for item, scenes in begin.items():
        for build in scenes:
            first.setdefault(item.path, build)
            places.setdefault(build, len(places))
        places.setdefault(item.path, len(places))

    def place(item: pytest.Item) -> tuple[int, int, list[int]]:
        scenes = [places[build] for build in begin[item]]
        return places.get(first.get(item.path), -1), places[item.path], scenes

    items.sort(key=place)
