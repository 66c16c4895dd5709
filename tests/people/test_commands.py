import fcntl
import io
import json
from pathlib import Path

import pytest
from django.test import override_settings
from pytest_django import Settings

from config.cli import main
from fleet.people import links, tokens
from fleet.people.models import Person, Token
from tests.cast import Cast


def output(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    assert main(argv) == 0
    return capsys.readouterr().out


def complaint(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    assert main(argv) == 1
    return capsys.readouterr().err


def test_a_person_is_added_with_a_password_shown_once(
    people: Cast, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("person", "add", "ada", "--role", "mechanic", "--depot", "plain", "--depot", "hill")
    said = output(capsys, *asked, "--full-name", "Ada Ort")
    ada = Person.objects.get(username="ada")
    assert ada.check_password(said.split()[-1])
    assert {depot.slug for depot in ada.depots.all()} == {"plain", "hill"}
    assert "Ada Ort" in output(capsys, "person", "list")


def test_a_password_can_come_from_the_standard_input(
    people: Cast, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("seven old vans\n"))
    said = output(capsys, "person", "add", "ada", "--role", "viewer", "--password-stdin")
    assert Person.objects.get(username="ada").check_password("seven old vans")
    assert "seven old vans" not in said


def test_a_person_is_changed(people: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    output(capsys, "person", "set", "cleo", "--role", "viewer", "--depot", "hill", "--no-active")
    cleo = Person.objects.get(username="cleo")
    assert (cleo.role, cleo.is_active, cleo.depots.get()) == ("viewer", False, people.hill)
    assert "cannot sign in" in output(capsys, "person", "list")


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        (("person", "add", "ada", "--role", "boss"), "no role boss"),
        (("person", "add", "ada", "--role", "clerk", "--depot", "moon"), "no depot moon"),
        (("person", "set", "ada", "--role", "clerk"), "no person ada"),
        (("token", "add", "ada", "--label", "x", "--scope", "readings:write"), "no person ada"),
        (("token", "add", "cleo", "--label", "x", "--scope", "all"), "no scope all"),
        (("token", "revoke", "99"), "no token 99"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    people: Cast, capsys: pytest.CaptureFixture[str], argv: tuple[str, ...], says: str
) -> None:
    assert says in complaint(capsys, *argv)


def test_a_token_is_made_listed_and_revoked(
    people: Cast, capsys: pytest.CaptureFixture[str]
) -> None:
    said = output(capsys, "token", "add", "cleo", "--label", "yard", "--scope", "readings:write")
    token = Token.objects.get()
    assert tokens.find(said.split()[-1], token.created_at) == token
    assert "yard" in output(capsys, "token", "list")
    output(capsys, "token", "revoke", str(token.pk))
    assert "revoked" in output(capsys, "token", "list")


@pytest.fixture
def demo(people: Cast, settings: Settings, tmp_path: Path) -> Path:
    settings.DATA_DIR = tmp_path
    (tmp_path / "demo").touch()
    return tmp_path


def test_a_sign_in_link_leads_to_what_is_served(
    people: Cast, demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (demo / "serve.lock").write_text(json.dumps({"pid": 1, "port": 9123}))
    with (demo / "serve.lock").open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        said = output(capsys, "sign-in", "cleo").strip()
    address, _, secret = said.partition(links.PATH)
    assert address == "http://127.0.0.1:9123"
    assert links.redeem(secret, "127.0.0.1") == people.clerk


@override_settings(SERVED=False)
def test_a_lock_left_behind_is_not_taken_for_a_server(
    people: Cast, demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (demo / "serve.lock").write_text(json.dumps({"pid": 1, "port": 9123}))
    assert main(("sign-in", "cleo")) == 0
    told = capsys.readouterr()
    assert told.out.startswith("http://127.0.0.1:8000/")
    assert "Nothing is served" in told.err


@pytest.mark.parametrize(
    ("origins", "hosts", "tls", "address"),
    [
        (["https://*.example", "https://a.example/"], ["b.example"], True, "https://a.example"),
        ([], ["localhost", ".example", "*", "b.example", "c.example"], True, "https://b.example"),
        ([], ["localhost", "127.0.0.1", "[::1]"], False, "http://127.0.0.1:8000"),
        ([], ["localhost", "b.example"], False, "http://b.example:8000"),
    ],
)
def test_a_server_gives_the_address_that_people_reach_it_by(
    people: Cast,
    demo: Path,
    capsys: pytest.CaptureFixture[str],
    origins: list[str],
    hosts: list[str],
    tls: bool,
    address: str,
) -> None:
    shown = {"CSRF_TRUSTED_ORIGINS": origins, "ALLOWED_HOSTS": hosts, "BEHIND_TLS": tls}
    with override_settings(SERVED=True, **shown):
        assert main(("sign-in", "cleo")) == 0
    told = capsys.readouterr()
    assert told.out.partition(links.PATH)[0] == address
    assert told.err == ""


def test_whoever_replaces_a_name_is_told_of_copies(
    people: Cast, capsys: pytest.CaptureFixture[str]
) -> None:
    told = "Backups and exports made before keep the name"
    assert main(("person", "forget", "--help")) == 0
    assert told in " ".join(capsys.readouterr().out.split())
    assert told in output(capsys, "person", "forget", "cleo", "--for-good")


def test_there_are_no_links_outside_a_demo(
    people: Cast, demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (demo / "demo").unlink()
    assert "is no demo" in complaint(capsys, "sign-in", "cleo")
