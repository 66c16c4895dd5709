"""One file holds everything; whatever is brought back from it is compared row by row."""

import fcntl
import json
import os
import re
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from shutil import copytree

import psycopg
import pytest
from django.conf import settings
from django.db import connections

from fleet import copies
from tests.served.conftest import new_database

of_folders = pytest.mark.any_database  # from an embedded database into another

PHOTO = bytes(range(256))
WAYS_IN = {"django_session", "people_signinlink", "people_failures"}
Tables = dict[str, list[tuple[object, ...]]]


def program(*words: str, data: Path, **given: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", *words],
        env={"PATH": os.environ["PATH"], "HOME": "/nonexistent", "SUMPWISE_DATA": str(data)}
        | given,
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
    )


def done(*words: str, data: Path, **given: str) -> str:
    answer = program(*words, data=data, **given)
    assert answer.returncode == 0, answer.stderr
    return answer.stdout


def refused(*words: str, data: Path) -> str:
    answer = program("config", *words, data=data)
    assert answer.returncode in (1, 3), answer.stdout
    return answer.stderr


ONE_BY_ONE = """
import sys
from config.cli import main
sys.exit(min(main(["restore", path]) for path in sys.argv[1:]))
"""


def all_refused(paths: list[Path], data: Path) -> list[str]:
    """What is said of each, by one process: to start one takes longer than to refuse."""
    answer = subprocess.run(
        [sys.executable, "-c", ONE_BY_ONE, *map(str, paths)],
        env={"PATH": os.environ["PATH"], "HOME": "/nonexistent", "SUMPWISE_DATA": str(data)},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 1, answer.stderr
    return answer.stderr.splitlines()


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a fleet, a judged upload, due dates, a person signed in and a photo."""
    folder = tmp_path_factory.mktemp("kept") / "data"
    sheet = folder.parent / "odometers.csv"
    rows = [f"V-1,2026-0{month}-01,{40_000 + 2_000 * month}" for month in range(1, 7)]
    sheet.write_text("\n".join(["vehicle,date,odometer [km]", *rows, "V-1,2026-07-01,1"]))
    done("config", "migrate", data=folder)
    done("tests.served.set_up", data=folder)
    done("config", "upload", str(sheet), data=folder)
    done("config", "nightly", data=folder)
    (folder / "files" / "photos").mkdir(parents=True)
    (folder / "files" / "photos" / "1.jpg").write_bytes(PHOTO)
    with closing(sqlite3.connect(folder / "sumpwise.sqlite3")) as file:
        file.execute("INSERT INTO django_session VALUES ('a key', 'signed in', '2030-01-01')")
        file.commit()
    return folder


@pytest.fixture(scope="module")
def backup(data: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("backups") / "fleet.backup"
    assert f"{path}: 1 vehicle, " in done("config", "backup", str(path), data=data)
    return path


def everything(folder: Path) -> Tables:
    """All values of all tables, read without the program; who is signed in left out."""
    with closing(sqlite3.connect(folder / "sumpwise.sqlite3")) as file:
        names = file.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {
            name: [
                tuple(map(meant, row))
                for row in file.execute(f'SELECT * FROM "{name}" ORDER BY 1')  # noqa: S608
            ]
            for (name,) in names
            if name not in WAYS_IN | {"sqlite_sequence"}
        }


def meant(value: object) -> object:
    """An instant or a structure, whichever way its text is written."""
    if isinstance(value, str) and value[:1] in ("[", "{"):
        return json.loads(value)
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:.*", value):
        return datetime.fromisoformat(value).replace(tzinfo=UTC)
    return value


def ways_in(folder: Path) -> int:
    with closing(sqlite3.connect(folder / "sumpwise.sqlite3")) as file:
        found = [file.execute(f"SELECT count(*) FROM {name}").fetchone() for name in WAYS_IN]  # noqa: S608
    return sum(count for (count,) in found)


@of_folders
def test_all_of_it_comes_back_but_who_was_signed_in(
    data: Path, backup: Path, tmp_path: Path
) -> None:
    told = json.loads(done("config", "restore", str(backup), "--json", data=tmp_path / "new"))
    before, after = everything(data), everything(tmp_path / "new")
    assert len(before["readings_reading"]) == 7  # six good ones and a doubtful
    assert before["due_duedate"]
    assert before["readings_uploadrow"]
    assert after == before
    assert (told["rows"]["readings_reading"], told["files"]) == (7, 2)  # the photo, the sheet
    with zipfile.ZipFile(backup) as archive:
        assert told["made_at"] == json.loads(archive.read("sumpwise.json"))["made_at"]
    assert (tmp_path / "new" / "files" / "photos" / "1.jpg").read_bytes() == PHOTO
    assert ways_in(data) > ways_in(tmp_path / "new") == 0
    secrets = [(folder / "secret-key").read_text() for folder in (data, tmp_path / "new")]
    assert secrets[0] != secrets[1]
    assert (tmp_path / "new" / "sumpwise.sqlite3").stat().st_mode & 0o077 == 0
    assert backup.stat().st_mode & 0o077 == 0
    assert "well" in done("config", "check", data=tmp_path / "new")


def test_over_to_postgresql_and_back_nothing_changes(data: Path, tmp_path: Path) -> None:
    with new_database() as address:
        served = {"SUMPWISE_DATABASE_URL": address, "SUMPWISE_SECRET_KEY": "k" * 50}
        moved = done("config", "restore", str(data), data=tmp_path / "web", **served)
        assert "every row is as in the backup" in moved
        again = program("config", "restore", str(data), data=tmp_path / "web", **served)
        assert again.returncode == 1
        assert "is not empty" in again.stderr
        done("config", "person", "add", "runa", "--role", "clerk", data=tmp_path / "web", **served)
        with closing(psycopg.connect(address, autocommit=True)) as there:
            newest = there.execute("SELECT max(id) FROM people_person").fetchone()
            assert newest == (2,)  # numbers go on after those that came over
            there.execute("DELETE FROM people_historicalperson WHERE username = 'runa'")
            there.execute("DELETE FROM people_person WHERE username = 'runa'")
        done("config", "backup", str(tmp_path / "file"), data=tmp_path / "web", **served)
    done("config", "restore", str(tmp_path / "file"), data=tmp_path / "back")
    assert everything(tmp_path / "back") == everything(data)
    assert (tmp_path / "back" / "files" / "photos" / "1.jpg").read_bytes() == PHOTO


def test_a_row_that_does_not_fit_is_named_and_nothing_stays(data: Path, tmp_path: Path) -> None:
    copytree(data, tmp_path / "old")
    with closing(sqlite3.connect(tmp_path / "old" / "sumpwise.sqlite3")) as file:
        file.execute("UPDATE people_person SET first_name = ?", ("x" * 200,))  # SQLite takes it
        file.commit()
    with new_database() as address:
        served = {"SUMPWISE_DATABASE_URL": address, "SUMPWISE_SECRET_KEY": "k" * 50}
        answer = program(
            "config", "restore", str(tmp_path / "old"), data=tmp_path / "web", **served
        )
        assert answer.returncode == 1
        assert "people_person does not fit: value too long" in answer.stderr
        with closing(psycopg.connect(address)) as there:
            assert there.execute("SELECT count(*) FROM vehicles_vehicle").fetchone() == (0,)
    assert not (tmp_path / "web" / "files").exists()


@of_folders
def test_rows_of_an_older_version_are_brought_up_to_date(data: Path, tmp_path: Path) -> None:
    copytree(data, tmp_path / "old")
    older = ["django", "migrate", "people", "0001", "-v", "0"]
    done(*older, data=tmp_path / "old", DJANGO_SETTINGS_MODULE="config.settings")
    assert "people_failures" not in tables_of(tmp_path / "old")
    done("config", "restore", str(tmp_path / "old"), data=tmp_path / "new")
    assert "people_failures" in tables_of(tmp_path / "new")
    before, after = everything(data), everything(tmp_path / "new")
    unlike = {name for name in before if before[name] != after[name]}
    # the latter two went with the step
    assert unlike == {"django_migrations", "overview_workahead", "overview_vehicleahead"}


@of_folders
def test_rows_that_cannot_be_brought_up_to_date_are_refused_and_nothing_stays(
    data: Path, tmp_path: Path
) -> None:
    copytree(data, tmp_path / "old")
    with closing(sqlite3.connect(tmp_path / "old" / "sumpwise.sqlite3")) as file:
        # a step noted as not taken, whose table is there: taking it again cannot work
        file.execute("DELETE FROM django_migrations WHERE app = 'overview'")
        file.commit()
    said = refused("restore", str(tmp_path / "old"), data=tmp_path / "new")
    assert "The rows of the backup cannot be brought up to date" in said
    assert "already exists" in said
    assert not [one for one in (tmp_path / "new").iterdir() if one.name in ("files", "uploads")]
    assert not list((tmp_path / "new").glob(".sumpwise-*"))
    done("config", "restore", str(data), data=tmp_path / "new")  # the place is still empty


@pytest.mark.django_db
def test_one_changed_figure_is_named(data: Path, tmp_path: Path) -> None:
    for name in ("one", "other"):
        copies.copy_file(data / "sumpwise.sqlite3", tmp_path / name)
    with copies.opened(tmp_path / "one") as one, copies.opened(tmp_path / "other") as other:
        assert copies.difference(one, other) == ""
        with connections[other].cursor() as cursor:
            cursor.execute("UPDATE readings_reading SET value = value + 1 WHERE value = 46000")
            assert cursor.rowcount == 1  # of March, 40,000 and three times 2,000
        said = copies.difference(one, other)
    assert said.startswith("readings_reading: (")
    assert ("46000.0" in said, "46001.0" in said) == (True, True)


def tables_of(folder: Path) -> set[str]:
    with closing(sqlite3.connect(folder / "sumpwise.sqlite3")) as file:
        return {name for (name,) in file.execute("SELECT name FROM sqlite_master")}


def repacked(backup: Path, path: Path, name: str, change: Callable[[bytes], bytes]) -> Path:
    with zipfile.ZipFile(backup) as old, zipfile.ZipFile(path, "w") as new:
        for one in old.namelist():
            content = old.read(one)
            new.writestr(one, change(content) if one == name else content)
    return path


def newer(about: bytes) -> bytes:
    told = json.loads(about)
    told["steps"].append(["due", "9999_from_later"])
    return json.dumps(told).encode()


def holed(rows: bytes) -> bytes:
    half = len(rows) // 2
    return rows[:half] + b"\xff" * 8192 + rows[half + 8192 :]


@of_folders
def test_what_is_no_backup_or_a_damaged_or_newer_one_is_refused(
    backup: Path, tmp_path: Path
) -> None:
    (tmp_path / "text").write_text("no archive")
    (tmp_path / "half").write_bytes(backup.read_bytes()[: backup.stat().st_size // 2])
    with zipfile.ZipFile(tmp_path / "other", "w") as archive:
        archive.writestr("a.txt", "another archive")
    repacked(backup, tmp_path / "newer", "sumpwise.json", newer)
    repacked(backup, tmp_path / "holed", "rows.sqlite3", holed)
    (tmp_path / "empty").mkdir()
    new = tmp_path / "new"
    expected = {
        "text": "is no backup, or a damaged one",
        "half": "is no backup, or a damaged one",
        "other": "is no backup, or a damaged one",
        "newer": "newer than the program",
        "holed": "is damaged",
        "none": "There is no file",
        "empty": "holds no sumpwise.sqlite3",
    }
    told = all_refused([tmp_path / name for name in expected], data=new)
    for (name, said), line in zip(expected.items(), told, strict=True):
        assert said in line, name
    assert {one.name for one in new.iterdir()} <= {
        "queue", "queue-control", "secret-key", "serve.lock", "sumpwise.sqlite3",
    }  # fmt: skip
    done("config", "restore", str(backup), data=new)  # nothing stands in the way of a good one


@of_folders
def test_nothing_that_is_there_is_written_over(data: Path, backup: Path, tmp_path: Path) -> None:
    before = everything(data)
    assert "is not empty" in refused("restore", str(backup), data=data)
    assert "exists already" in refused("backup", str(backup), data=data)
    assert "is a folder" in refused("backup", str(tmp_path), data=data)
    assert "There is no folder" in refused("backup", str(tmp_path / "a" / "b"), data=data)
    (tmp_path / "new" / "files").mkdir(parents=True)
    (tmp_path / "new" / "files" / "a.jpg").write_bytes(PHOTO)
    assert "is there already" in refused("restore", str(backup), data=tmp_path / "new")
    assert everything(data) == before
    size = backup.stat().st_size
    done("config", "backup", "--force", str(backup), data=data)
    assert abs(backup.stat().st_size - size) < size / 10


@of_folders
def test_a_folder_that_is_served_is_neither_filled_nor_moved(
    data: Path, backup: Path, tmp_path: Path
) -> None:
    with (data / "serve.lock").open("a+") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert "end it first" in refused("restore", str(data), data=tmp_path / "new")
        done("config", "backup", str(tmp_path / "file"), data=data)  # this may be done meanwhile
    (tmp_path / "other").mkdir()
    with (tmp_path / "other" / "serve.lock").open("a+") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        said = refused("restore", str(backup), data=tmp_path / "other")
    assert "is being served already" in said


WHILE_COPYING = """
import sys; from pathlib import Path
from config.cli import set_up_django; set_up_django()
from fleet import copies
import psycopg; from fleet.vehicles.models import Depot;
Depot.objects.create(name="Before", slug="before", zone="UTC")
told = []
def meanwhile(table):
    told.append(table)
    if len(told) == 2:  # the first table is read
        with psycopg.connect(sys.argv[2], autocommit=True) as other:
            other.execute("DELETE FROM vehicles_depot")
            other.execute("DELETE FROM stores_gradelimit")
copies.snapshot(Path(sys.argv[1]), meanwhile)
print(len(told), Depot.objects.count())
"""


def test_what_others_write_while_a_copy_is_taken_does_not_tear_it(tmp_path: Path) -> None:
    with new_database() as address:
        served = {"SUMPWISE_DATABASE_URL": address, "SUMPWISE_SECRET_KEY": "k" * 50}
        done("config", "migrate", data=tmp_path, **served)
        answer = subprocess.run(
            [sys.executable, "-c", WHILE_COPYING, str(tmp_path / "rows"), address],
            env={"PATH": os.environ["PATH"], "SUMPWISE_DATA": str(tmp_path), **served},
            cwd=settings.BASE_DIR,
            capture_output=True,
            text=True,
        )
    assert answer.returncode == 0, answer.stderr
    tables, depots_left = map(int, answer.stdout.split())
    assert (tables > 50, depots_left) == (True, 0)
    with closing(sqlite3.connect(tmp_path / "rows")) as file:
        assert file.execute("SELECT slug FROM vehicles_depot").fetchall() == [("before",)]
        (grades,) = file.execute("SELECT count(*) FROM stores_gradelimit").fetchone()
    lines = (settings.BASE_DIR / "fixtures" / "grades.csv").read_text().splitlines()
    assert grades == len(lines) - 1
