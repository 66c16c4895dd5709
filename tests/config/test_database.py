"""A new database built from the models equals one that went through every migration."""

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from django.conf import settings

from config.database import migrate, must_match, steps_behind
from fleet.faults import Fault

BUILT = """
from config.database import migrate; migrate()
import json; from tests.config.described import described; print(json.dumps(described()))
"""
# rows that old_rows.py writes, and what migrations make
OF_BEFORE = {
    **dict.fromkeys(("vehicles_depot", "vehicles_closure", "vehicles_vehicletype"), 1),
    **dict.fromkeys(("vehicles_compartment", "vehicles_vehicle", "due_service"), 1),
    **dict.fromkeys(("visits_bay", "visits_calendarfeed", "visits_plan"), 1),
    **dict.fromkeys(("visits_plannedservice", "stores_item", "stores_arrival"), 1),
    "workorders_finding": 5,
    **dict.fromkeys(("workorders_workorder", "workorders_job", "workorders_orderevent"), 2),
    "due_duedate": 1,
    # of its three open findings, and of one that was put in before
    **dict.fromkeys(("visits_otherwork", "visits_historicalotherwork"), 3 + 1),
    "duty_historicaldutyoverride": 1,  # of an override that was put in before
}
# it was written without a history, unlike all else
WITHOUT_HISTORY = [
    *("depot Plain", "vehicle type Van", "compartment Gearbox (Van)", "vehicle V-1", "item Plug"),
    *("service Gearbox oil (Van)", "bay Lift"),
]
# tables whose conditions ask for more than the kinds of their columns say, and what names them
NOT_BY_KIND = {
    *("due_deferral", "due_dueearlier", "due_fill", "due_limit", "visits_absence"),
    *("trials_excludedperiod", "trials_labproperty", "trials_labsample", "trials_longerinterval"),
    *("trials_rating", "trials_trial", "trials_trialevent", "trials_trialgroup"),
    *("trials_trialresult", "trials_trialvehicle", "workorders_material"),
}
Made = dict[str, Any]


@pytest.mark.django_db
def test_the_tests_own_database_lacks_no_migration() -> None:
    assert steps_behind() == 0


@pytest.mark.django_db(transaction=True)
def test_a_database_with_tables_is_migrated_not_built(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("config.database.build", lambda: pytest.fail("built over standing tables"))
    migrate()


@pytest.mark.parametrize("there_before", [False, True])
def test_the_embedded_database_is_its_owners_whatever_the_folder(
    tmp_path: Path, there_before: bool
) -> None:
    folder = tmp_path / "open"
    folder.mkdir(mode=0o755)
    if there_before:
        (folder / "sumpwise.sqlite3").touch(mode=0o644)
    script = (
        "import os; os.umask(0); import django; django.setup()\n"
        "from django.db import connection as c; c.cursor().execute('CREATE TABLE t (n)')\n"
        "c.cursor().execute('INSERT INTO t VALUES (1)')\n"
        f"print([[p.name, oct(p.stat().st_mode & 0o777)] for p in"
        f" sorted(__import__('pathlib').Path({str(folder)!r}).glob('*.sqlite3*'))])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script],
        env={"PATH": os.environ["PATH"], "DJANGO_SETTINGS_MODULE": "config.settings",
             "SUMPWISE_DATA": str(folder)},
        cwd=settings.BASE_DIR, capture_output=True, text=True, check=True,
    )  # fmt: skip
    found = dict(eval(answer.stdout))  # noqa: S307 - written above
    assert found == {f"sumpwise.sqlite3{end}": "0o600" for end in ("", "-shm", "-wal")}


@pytest.fixture(scope="module")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A new database that went through every migration, which takes most of a minute: one for all
    tests. On the way a row was put into each table as it first was, and then a small fleet."""
    return in_a_new_database("import tests.config.upgrading", tmp_path_factory.mktemp("migrated"))


def test_built_at_once_or_migrated_step_by_step_it_is_the_same(
    migrated: Made, tmp_path: Path
) -> None:
    built = in_a_new_database(BUILT, tmp_path)
    assert built["applied"] == migrated["applied"]
    put_in = Counter(OF_BEFORE) + Counter(migrated["filled"])
    assert {name: rows + put_in[name] for name, rows in built["rows"].items()} == migrated["rows"]
    limits = (settings.BASE_DIR / "fixtures" / "grades.csv").read_text().splitlines()
    assert built["rows"]["stores_gradelimit"] == len(limits) - 1  # a migration brings them
    assert built["tables"].keys() == migrated["tables"].keys()
    for name, columns in built["tables"].items():
        assert columns == migrated["tables"][name], name


def test_rows_of_the_first_steps_are_there_today(migrated: Made) -> None:
    assert migrated["kept"] == migrated["filled"]
    assert set(migrated["lacking"]) == NOT_BY_KIND
    assert len(migrated["filled"]) > 100


def test_after_a_night_what_was_there_before_agrees(migrated: Made) -> None:
    assert migrated["nights"] == ["done", "done"]  # a zone each
    lines = [f"{what}: its history does not say where it is from." for what in WITHOUT_HISTORY]
    assert migrated["amiss"] == ["\n".join(lines)]


def test_rows_of_before_are_there_after_the_newer_migrations(migrated: Made) -> None:
    assert migrated["fleet"] == {
        "works": [  # found at 23:00 UTC on 1 June, which is 2 June in Berlin; soon: 14 days
            ["F-3", "finding", "wear: of a hose", 30, None, None],
            ["F-2", "finding", "noise: of a bearing", 30, "2026-06-02", None],
            ["F-1", "finding", "drip: at the plug", 30, "2026-06-16", None],
            ["row from before", "finding", "seep: row from before", 30, None, None],
        ],
        "planned": [["gearbox-oil", None], ["row-from-before", None]],
        "bay": ["Lift", 3500, None, None],
        "depot": ["plain", ""],
        "closed": [False],
        "type": [None, None],
        "feed": ["digest", None],
        "needed": [["W-2", None], ["W-1", "2026-06-01"]],
        "arrival": [4, "", None],
    }


@pytest.mark.skipif(not settings.SERVED, reason="SQLite keeps every letter")
def test_a_database_made_where_no_language_was_set_is_refused(tmp_path: Path) -> None:
    with a_database("ENCODING 'SQL_ASCII' LOCALE 'C' TEMPLATE template0") as given:
        answer = subprocess.run(
            [sys.executable, "-m", "config", "migrate"],
            env={"PATH": os.environ["PATH"], "SUMPWISE_DATA": str(tmp_path), **given},
            cwd=settings.BASE_DIR, capture_output=True, text=True,
        )  # fmt: skip
    assert (answer.returncode, answer.stdout) == (1, "")
    assert answer.stderr == (
        "sumpwise: The database keeps text as SQL_ASCII, which lacks letters that names and units "
        "have: make a new one by createdb --template template0 --encoding UTF8 NAME.\n"
    )


@pytest.mark.django_db
@pytest.mark.skipif(not settings.SERVED, reason="SQLite keeps every letter")
def test_no_part_starts_on_a_database_that_lacks_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    must_match()
    monkeypatch.setattr("config.database._encoding", lambda: "LATIN1")
    with pytest.raises(Fault, match="keeps text as LATIN1"):
        must_match()


def in_a_new_database(script: str, folder: Path) -> Made:
    """What a script prints in a fresh process that has a database without tables."""
    given = {"PATH": os.environ["PATH"], "SUMPWISE_DATA": str(folder)}
    # each step makes all models anew: to look at them for garbage took a quarter of the time
    seldom = "import gc; gc.set_threshold(100_000, 20, 20)"
    script = f"{seldom}\nimport django; django.setup()\n{script}"
    if not settings.SERVED:
        return _answer(script, given)
    with a_database() as of_its_own:
        return _answer(script, given | of_its_own)


@contextmanager
def a_database(how: str = "") -> Iterator[dict[str, str]]:
    """A new one on the tests' server: what leads a process to it."""
    server, name = settings.DATABASE_URL.rpartition("/")[0], f"sumpwise_made_{uuid4().hex[:8]}"
    with closing(psycopg.connect(f"{server}/postgres", autocommit=True)) as owner:
        owner.execute(f"CREATE DATABASE {name} {how}")
        try:
            yield {
                "SUMPWISE_DATABASE_URL": f"{server}/{name}",
                "SUMPWISE_REDIS_URL": settings.REDIS_URL,
                "SUMPWISE_SECRET_KEY": uuid4().hex,
            }
        finally:
            owner.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _answer(script: str, given: dict[str, str]) -> Made:
    answer = subprocess.run(
        [sys.executable, "-c", script],
        env={"DJANGO_SETTINGS_MODULE": "config.settings", **given},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 0, answer.stderr
    described: Made = json.loads(answer.stdout)
    return described
