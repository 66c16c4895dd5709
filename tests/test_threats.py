"""What somebody who means harm could try, where no other test looks (see DEVELOPERS.md).

The tests of rights, signing in, logs and uploads lie with what they are about.
"""

import importlib
import re
import time
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth import hashers
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from python_calamine import load_workbook

import config
import fleet
from fleet.people.models import Person
from fleet.readings.models import Upload
from fleet.tables import FORMULA_STARTS, csv_bytes, csv_line, xlsx_bytes
from tests.cast import Cast, cast
from tests.kept import kept

SECRET_KEY = "secret-key"
BASE = Path(settings.BASE_DIR)


@kept
def people() -> Cast:
    return cast()


# --- path traversal --------------------------------------------------------------------------
@pytest.mark.parametrize(
    "path",
    [
        "/static/../config/settings.py",
        "/static/..%2f..%2fconfig/settings.py",
        "/static/dashboard/../../../pyproject.toml",
        "/static//etc/passwd",
        "/static/dashboard/%2e%2e/%2e%2e/secret-key",
        "/evidence/../secret-key",
        "/readings/uploads/..%2fsecret-key.csv",
        "/work-orders/..%2f..%2fsecret-key/papers",
    ],
)
def test_no_address_leads_out_of_the_folders_for_files(people: Cast, path: str) -> None:
    client = Client()
    client.force_login(people.supervisor)
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("name", ["../../secret-key", "/etc/passwd", "..\\..\\a.csv", "a\x00.csv"])
def test_the_name_of_an_upload_is_only_shown(people: Cast, name: str) -> None:
    client = Client()
    client.force_login(people.clerk)
    key = (settings.DATA_DIR / SECRET_KEY).read_bytes()
    sheet = SimpleUploadedFile("a.csv", b"Vehicle,Date,Odometer\nV-101,2026-03-02,5000\n")
    sheet.name = name
    assert client.post("/readings/uploads", {"file": sheet}).status_code in {200, 302}
    assert (settings.DATA_DIR / SECRET_KEY).read_bytes() == key
    uploads = settings.DATA_DIR / "uploads"
    assert {path.name for path in uploads.iterdir()} >= {one.hash for one in Upload.objects.all()}
    assert all(re.fullmatch("[0-9a-f]{64}", path.name) for path in uploads.iterdir())


# --- formulas in files for spreadsheets ------------------------------------------------------
@pytest.mark.parametrize("start", FORMULA_STARTS)
def test_no_text_of_a_file_is_a_formula_to_a_spreadsheet(start: str) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @ tab or carriage return
    text = f"{start}HYPERLINK(1)"
    for told in (csv_bytes(["Name"], [[text]]).decode("utf-8-sig"), csv_line([text])):
        assert f"'{start}" in told
    workbook = load_workbook(BytesIO(xlsx_bytes(["Name"], [[text]]))).get_sheet_by_index(0)
    assert workbook.to_python()[1][0].strip() in {text.strip(), text}
    assert b"<f>" not in _parts(xlsx_bytes(["Name"], [[text]]))


def _parts(workbook: bytes) -> bytes:
    import zipfile

    with zipfile.ZipFile(BytesIO(workbook)) as parts:
        return b"".join(parts.read(name) for name in parts.namelist())


def test_a_single_place_writes_lists_for_spreadsheets() -> None:
    """Whoever writes a list elsewhere forgets the formulas."""
    allowed = {
        "tables.py",
        "write.py",  # the workbook: tests/workbook/test_round_trip.py
        "report.py",  # rows as they were given: tests/readings/test_intake.py
        "files.py",  # of the demo, which nobody types
    }
    writers = [
        path.name
        for path in Path(fleet.__path__[0]).rglob("*.py")
        if re.search(r"csv\.writer\(|xlsxwriter\.Workbook\(", path.read_text())
    ]
    assert set(writers) <= allowed


# --- who is there ----------------------------------------------------------------------------
def test_a_name_that_is_known_answers_like_one_that_is_not(
    people: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    Person.objects.create_user("ines", password="seven old vans")
    hashed = []
    encode = hashers.MD5PasswordHasher.encode

    def counted(self: object, password: str, salt: str) -> str:
        hashed.append(password)
        return str(encode(self, password, salt))  # type: ignore[arg-type]

    monkeypatch.setattr(hashers.MD5PasswordHasher, "encode", counted)
    answers = {}
    for name in ("ines", "nobody", people.clerk.username):  # the last has no password at all
        hashed.clear()
        given = {"username": name, "password": "wrong"}
        answer = Client().post("/sign-in", given)
        marks = '(value|content)="[^"]*"|/static/[^"]*|"X-CSRFToken": "[^"]*"'
        text = re.sub(marks, "", answer.content.decode())
        answers[name] = (answer.status_code, text.replace(name, "NAME"), len(hashed))
    assert answers["ines"] == answers["nobody"] == answers[people.clerk.username]


# --- expressions that take ever longer -------------------------------------------------------
USES = ("search", "match", "fullmatch", "sub", "split", "findall", "finditer")


def expressions() -> Iterator[tuple[str, re.Pattern[Any], set[str]]]:
    """Every expression of the program, with what is done with it in its own file."""
    for package in (fleet, config):
        for path in sorted(Path(package.__path__[0]).rglob("*.py")):
            if path.parent.name == "migrations":  # they read once what was stored already
                continue
            text, module = path.read_text(), ".".join(path.relative_to(BASE).with_suffix("").parts)
            for name in re.findall(r"^(\w+) = re\.compile\(", text, re.MULTILINE):
                found = getattr(importlib.import_module(module), name)
                used = set(re.findall(rf"\b{name}\.(\w+)", text)) & set(USES)
                yield f"{module}.{name}", found, used or set(USES)


PIECES = ("(", "[", " ", "0", "1,", "a", "-", ".", "/", "=", "\t", "a ", "1 ", "_", ":", "'", "<")
SHORT, LONG = 4_000, 16_000


def seconds(expression: re.Pattern[Any], used: set[str], text: str) -> float:
    given: Any = text.encode() if isinstance(expression.pattern, bytes) else text
    begun_s = time.process_time()
    for use in used:
        if use == "sub":
            expression.sub(given[:0], given)
        elif use == "finditer":
            list(expression.finditer(given))
        else:
            getattr(expression, use)(given)
    return time.process_time() - begun_s


@pytest.mark.parametrize(
    ("expression", "used"), [pytest.param(*found, id=name) for name, *found in expressions()]
)
def test_an_expression_takes_time_in_proportion_to_its_text(
    expression: re.Pattern[Any], used: set[str]
) -> None:
    for piece in PIECES:
        for end in ("", "!", "x"):
            took_s = seconds(expression, used, piece * (LONG // len(piece)) + end)
            if took_s > 0.1:  # four times the text: four times the time, sixteen if quadratic
                before_s = seconds(expression, used, piece * (SHORT // len(piece)) + end)
                assert took_s < 8 * before_s, (piece, end, took_s)


# --- cookies ---------------------------------------------------------------------------------
def test_cookies_go_by_tls_alone_where_it_is_there() -> None:
    import os
    import subprocess
    import sys

    script = (
        "import config.settings as s; print(s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE,"
        " s.SECURE_PROXY_SSL_HEADER, s.DEBUG)"
    )
    for given, told in (
        ({}, "False False None False"),
        (
            {"SUMPWISE_BEHIND_TLS": "1"},
            "True True ('HTTP_X_FORWARDED_PROTO', 'https') False",
        ),
    ):
        folder = {"SUMPWISE_DATA": str(settings.DATA_DIR), "PATH": os.environ["PATH"]}
        answer = subprocess.run(
            [sys.executable, "-c", script], env={**folder, **given}, cwd=settings.BASE_DIR,
            capture_output=True, text=True,
        )  # fmt: skip
        assert answer.stdout.strip() == told


# --- the list itself -------------------------------------------------------------------------
def test_every_test_that_contributors_are_told_of_is_there() -> None:
    told = (BASE / "DEVELOPERS.md").read_text()
    assert "Threats, and the test that answers each" in told
    named = set(re.findall(r"`(tests/[\w/]+\.py)`", told))
    assert {name for name in named if not (BASE / name).exists()} == set()
