import gc
import ipaddress
import os
import socket
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from django.core.management.commands import flush
from django.db import connection
from django.db.backends.base.operations import BaseDatabaseOperations
from django.db.models.expressions import Col
from django.test import Client
from hypothesis import HealthCheck, settings
from pytest_django.plugin import blocking_manager_key
from simple_history.manager import HistoryManager
from whitenoise.middleware import WhiteNoiseMiddleware

from config import whereabouts
from tests import kept
from tests.as_read import close_up

# one tree, one verdict; `--hypothesis-profile=search` looks further than the examples of a run
SLOW = [HealthCheck.too_slow]  # a busy machine is no fault
settings.register_profile("same", derandomize=True, deadline=None, suppress_health_check=SLOW)
settings.register_profile("search", deadline=None, suppress_health_check=SLOW)
settings.load_profile("same")

ORDER = 7  # of tests, as drawn; any would do
# begun first, so that no processor is left with one of them while the others have nothing to do
LONG = {
    *("test_demo.py", "test_fuzz.py", "test_faults.py"),
    *("test_compose.py", "test_serve.py", "test_rights.py"),
    *("test_database.py", "test_backup.py", "test_pass_marks.py", "test_accessible.py"),
}
MOST_PROCESSES = 4  # our choice: each has a database and starts programs of its own


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share a whole run between processors; what is named on the command line runs here."""
    return min(os.cpu_count() or 1, MOST_PROCESSES) if _whole(config) else 0


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--moments", type=int, default=1, help="at how many moments each fault strikes"
    )
    parser.addoption(
        "--requests", type=int, help="how many requests of each kind any operation is asked"
    )


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """The same order in every run, unless asked for another."""
    if getattr(config.option, "randomly_seed", None) == "default":
        config.option.randomly_seed = ORDER


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """What is collected stays to the end: garbage is looked for after it, and less often."""
    gc.disable()
    result = yield
    gc.collect()
    gc.freeze()
    gc.set_threshold(400_000, 20, 20)  # our choice: for 15 MB more, a collection in some seconds
    gc.enable()
    return result


def pytest_configure_node(node: Any) -> None:
    node.workerinput["whole"] = _whole(node.config)


def _whole(config: pytest.Config) -> bool:
    """Whether nothing was named on the command line; a worker is told."""
    here = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    return bool(getattr(config, "workerinput", {}).get("whole", here))


@pytest.fixture(scope="session", autouse=True)
def no_network() -> Any:
    """Connections leave this machine from no test."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if self.family != socket.AF_UNIX and not _is_here(str(address[0])):
            raise OSError(f"A test tried to reach {address[0]}.")
        connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", guarded)
        yield


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


@pytest.fixture(scope="session")
def django_db_modify_db_settings(request: pytest.FixtureRequest) -> None:
    """Parallel tests share a PostgreSQL server, but each has a data folder of its own."""
    from django.conf import settings

    if settings.SERVED:
        request.getfixturevalue("django_db_modify_db_settings_parallel_suffix")


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Django made the tables from the models; the rest of a new database as in use."""
    from config.database import build

    with django_db_blocker.unblock():
        build([])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(type(connection.ops), "sql_flush", _delete_what_is_there)
        patch.setattr(flush, "emit_post_migrate_signal", lambda *_: None)  # its rows stay there
        yield
    kept.forget()


_truncate = type(connection.ops).sql_flush
# rows that say which models there are; to write them anew after each test takes long
OF_THE_MODELS = {"django_content_type", "auth_permission"}


def _delete_what_is_there(
    operations: BaseDatabaseOperations, style: Any, tables: Sequence[str], **how: Any
) -> list[str]:
    """After a test in real transactions most tables are empty; to truncate each takes seconds."""
    emptied = [table for table in tables if table not in OF_THE_MODELS]
    anew = how.get("reset_sequences")  # asked for by a test itself: numbers begin at 1 again
    if anew and connection.vendor == "sqlite":
        return _truncate(operations, style, emptied, **how)
    quoted = [operations.quote_name(table) for table in emptied]
    with connection.cursor() as cursor:
        cursor.execute(
            " UNION ALL ".join(
                f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM {name})" for name in quoted
            )
        )
        there = [f"DELETE FROM {name};" for (name,) in cursor.fetchall()]
    sequences = connection.introspection.sequence_list() if anew else []
    numbered = [one for one in sequences if one["table"] not in OF_THE_MODELS]
    return [*there, *operations.sequence_reset_by_name_sql(style, numbered)]


@pytest.fixture(scope="session", autouse=True)
def static_files_found_once() -> Iterator[None]:
    """Every client of a test starts the middleware anew; what files there are does not change."""
    look, found = WhiteNoiseMiddleware.add_files_from_finders, {}

    def once(middleware: WhiteNoiseMiddleware) -> None:
        if not found:
            look(middleware)
            found.update(middleware.files)
        middleware.files.update(found)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(WhiteNoiseMiddleware, "add_files_from_finders", once)
        yield


@pytest.fixture(scope="session", autouse=True)
def the_database_of_tests_is_there() -> Iterator[None]:
    """A command in this process uses it, wherever the environment says that one is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whereabouts, "must_be_there", lambda: None)
        yield


@pytest.fixture(scope="session", autouse=True)
def columns_told_apart_quickly() -> Iterator[None]:
    """Django looks up what rows are ordered by among all columns shown, in every question. It
    takes a column's whole identity for that; alike columns have the same name in the same table."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Col, "__hash__", lambda column: hash((column.alias, column.target.name)))
        yield


@pytest.fixture(scope="session", autouse=True)
def managers_of_history_made_once() -> Iterator[None]:
    """The library makes the class of a row's history anew whenever a row is saved."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(HistoryManager, "from_queryset", cache(HistoryManager.from_queryset))
        yield


@pytest.fixture(scope="session", autouse=True)
def pages_as_read() -> Iterator[None]:
    """What a client of a test is sent is closed up as a browser does."""
    send = Client.request

    def sent(client: Client, **asked: Any) -> Any:
        response = send(client, **asked)
        close_up(response)
        return response

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Client, "request", sent)
        yield


# --- what a second database can change -------------------------------------------------------
OF_PROCESSES = {"config", "jobs", "runs", "served"}  # may reach a service without a fixture
OF_NO_DATABASE = {"calc", "units"}


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    from django.conf import settings

    return (settings.SERVED and _whole(config) and collection_path.name in OF_NO_DATABASE) or None


def _leave_to_sqlite(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On PostgreSQL and Redis, a whole run leaves out what neither of them can change."""
    from django.conf import settings

    if not settings.SERVED:
        return
    left = [item for item in items if not _may_tell_databases_apart(item)]
    config.hook.pytest_deselected(items=left)
    items[:] = [item for item in items if _may_tell_databases_apart(item)]


def _may_tell_databases_apart(item: pytest.Item) -> bool:
    if item.get_closest_marker("any_database") is not None:
        return False
    return (
        item.get_closest_marker("django_db") is not None
        or "_django_db_helper" in getattr(item, "fixturenames", ())
        or item.path.parent.name in OF_PROCESSES
    )


# --- scenes that outlast a test, see kept.py -------------------------------------------------
@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if _whole(config):
        _leave_to_sqlite(config, items)
    kept.together(items)
    items.sort(key=lambda item: item.path.name not in LONG)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """A test without a kept scene, or without a database, finds no rows and no transaction.

    Before its fixtures: the transaction of a class of tests begins before any of a test.
    """
    if not kept.begins_with(item):
        with item.config.stash[blocking_manager_key].unblock():
            kept.close()


@pytest.hookimpl(tryfirst=True)
def pytest_fixture_setup(fixturedef: Any, request: pytest.FixtureRequest) -> None:
    """Before the transaction of a test begins, what it begins with is there."""
    if fixturedef.argname == "_django_db_helper":
        with request.getfixturevalue("django_db_blocker").unblock():
            kept.open_for(kept.begins_with(request.node))


@pytest.fixture
def kept_scenes(db: None) -> dict[kept.Build, Any]:
    return kept.copies()


def require_service(found: bool, what: str) -> None:
    """Skip, saying so, where a service is missing; in CI that is a failure."""
    if found:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"{what} is missing, and CI must have it.")
    pytest.skip(f"{what} is missing: not tested here.")
