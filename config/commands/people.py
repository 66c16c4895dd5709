"""``sumpwise person``, ``sumpwise token`` and ``sumpwise sign-in``."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from fleet.faults import Fault

if TYPE_CHECKING:
    from fleet.people.manage import Changes
    from fleet.people.models import Person, Token

COPIES = (
    "Backups and exports made before keep the name: delete them where that may be, and after "
    "bringing one back replace the name again."
)


def register(commands: Any) -> None:
    _register_person(commands.add_parser("person", help="add, list and change people"))
    _register_token(commands.add_parser("token", help="make, list and revoke keys for programs"))
    sign_in = commands.add_parser(
        "sign-in",
        help="print another sign-in link of a demo person",
        description="Prints a link that signs a person of the demo in once, on this machine.",
    )
    sign_in.add_argument("name", metavar="NAME")
    sign_in.set_defaults(run=print_link)


def _register_person(person: argparse.ArgumentParser) -> None:
    person.set_defaults(run=list_people)
    actions = person.add_subparsers(metavar="ACTION")
    add = actions.add_parser("add", help="add a person")
    add.add_argument("name", metavar="NAME", help="to sign in by")
    _add_changes(add, "--password-stdin", "read the password from the standard input")
    add.set_defaults(run=add_person, new=True)
    change = actions.add_parser("set", help="change a person")
    change.add_argument("name", metavar="NAME")
    _add_changes(change, "--password-stdin", "read a new password from the standard input")
    change.add_argument("--new-password", action="store_true", help="make a new one, printed once")
    change.add_argument("--active", action=argparse.BooleanOptionalAction, help="may sign in")
    change.set_defaults(run=change_person)
    gone = actions.add_parser(
        "forget",
        help="replace a person's name and address for good; their work stays",
        description="Replaces name, address, password and tokens of a person everywhere, also in "
        f"what was before; work, decisions and signatures stay. It cannot be undone. {COPIES}",
    )
    gone.add_argument("name", metavar="NAME")
    gone.add_argument("--for-good", action="store_true", required=True, help="say that it is meant")
    gone.set_defaults(run=forget_person)
    actions.add_parser("list", help="list people").set_defaults(run=list_people)


def _add_changes(parser: argparse.ArgumentParser, stdin: str, words: str) -> None:
    parser.add_argument("--role", required=parser.prog.endswith("add"), help="supervisor, …")
    parser.add_argument("--depot", action="append", metavar="SLUG", help="may be repeated")
    parser.add_argument("--full-name", metavar="TEXT")
    parser.add_argument(stdin, action="store_true", dest="password_stdin", help=words)
    parser.add_argument(
        "--may-set-up", action=argparse.BooleanOptionalAction, help="reaches the administration"
    )


def _register_token(token: argparse.ArgumentParser) -> None:
    token.set_defaults(run=list_tokens)
    actions = token.add_subparsers(metavar="ACTION")
    add = actions.add_parser("add", help="make a token; its secret is printed once")
    add.add_argument("name", metavar="NAME", help="of the person it acts for")
    add.add_argument("--label", required=True, help="what it is for")
    add.add_argument(
        "--scope", action="append", required=True, metavar="SCOPE", help="such as readings:write"
    )
    add.add_argument("--depot", action="append", metavar="SLUG", help="default: the person's")
    add.add_argument("--days", type=int, default=90, help="until it ends; default 90")
    add.set_defaults(run=add_token)
    actions.add_parser("list", help="list tokens").set_defaults(run=list_tokens)
    end = actions.add_parser("revoke", help="end a token at once")
    end.add_argument("id", type=int, metavar="ID")
    end.set_defaults(run=revoke_token)


# --- people ------------------------------------------------------------------------------------


def add_person(arguments: argparse.Namespace) -> int:
    from fleet.people import manage

    given = _given_password(arguments)
    password = given or manage.new_password()
    person = manage.add(arguments.name, _changes(arguments, password))
    print(f"Added {_line(person)}")
    if given is None:
        print(f"Password, shown this once: {password}")
    return 0


def change_person(arguments: argparse.Namespace) -> int:
    from fleet.people import manage

    person = manage.named(arguments.name)
    password = manage.new_password() if arguments.new_password else _given_password(arguments)
    manage.change(person, _changes(arguments, password))
    print(f"Changed {_line(person)}")
    if arguments.new_password:
        print(f"Password, shown this once: {password}")
    return 0


def forget_person(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet.people import manage
    from fleet.people.actor import Actor
    from fleet.people.forget import forget

    person = manage.named(arguments.name)
    now = forget(Actor(None, "command", timezone.now()), person)
    print(f"{arguments.name} is called {now} everywhere now; their work stays. {COPIES}")
    return 0


def list_people(arguments: argparse.Namespace) -> int:
    from fleet.people.models import Person

    people = Person.objects.order_by("username").prefetch_related("depots")
    for person in people:
        print(_line(person))
    if not people:
        print("There is nobody yet: sumpwise person add NAME --role ROLE --depot DEPOT")
    return 0


def _line(person: Person) -> str:
    depots = ", ".join(sorted(depot.slug for depot in person.depots.all())) or "no depot"
    role = "superuser" if person.is_superuser else person.role
    left = "" if person.is_active else "  (cannot sign in)"
    return (
        f"{person.username:<16}  {role:<11}  {depots:<24}  {person.get_full_name()}{left}".rstrip()
    )


def _changes(arguments: argparse.Namespace, password: str | None) -> Changes:
    from fleet.people.manage import Changes

    return Changes(
        role=arguments.role,
        depots=None if arguments.depot is None else _depots(arguments.depot),
        full_name=arguments.full_name,
        password=password,
        active=getattr(arguments, "active", None),
        may_set_up=arguments.may_set_up,
    )


def _given_password(arguments: argparse.Namespace) -> str | None:
    if not arguments.password_stdin:
        return None
    password = sys.stdin.readline().rstrip("\r\n")
    if not password:
        raise Fault("No password came on the standard input.")
    return password


def _depots(slugs: list[str]) -> list[Any]:
    from fleet.vehicles.models import Depot

    found = {depot.slug: depot for depot in Depot.objects.all()}
    missing = [slug for slug in slugs if slug not in found]
    if missing:
        known = ", ".join(sorted(found)) or "none yet: load a workbook first"
        raise Fault(f"There is no depot {missing[0]}; there is {known}.")
    return [found[slug] for slug in slugs]


# --- tokens ------------------------------------------------------------------------------------


def add_token(arguments: argparse.Namespace) -> int:
    from fleet.people import manage, tokens

    token, secret = tokens.issue(
        person=manage.named(arguments.name),
        label=arguments.label,
        scopes=arguments.scope,
        days=arguments.days,
        depots=None if arguments.depot is None else _depots(arguments.depot),
    )
    print(f"Token {token.pk} until {token.expires_at:%Y-%m-%d}; its secret, shown this once:")
    print(secret)
    return 0


def list_tokens(arguments: argparse.Namespace) -> int:
    from fleet.people.models import Token

    tokens = Token.objects.select_related("person").prefetch_related("depots")
    for token in tokens:
        print(_token_line(token))
    if not tokens:
        print("There is no token yet: sumpwise token add NAME --label TEXT --scope SCOPE")
    return 0


def _token_line(token: Token) -> str:
    from django.utils import timezone

    state = f"until {token.expires_at:%Y-%m-%d}"
    if token.revoked_at:
        state = f"revoked {token.revoked_at:%Y-%m-%d}"
    elif token.expires_at <= timezone.now():
        state = f"ended {token.expires_at:%Y-%m-%d}"
    depots = ", ".join(sorted(depot.slug for depot in token.depots.all())) or "no depot"
    used = f"used {token.last_used_on}" if token.last_used_on else "never used"
    words = (f"{token.pk:>5}", token.person.username, token.label, state, depots, used)
    return "  ".join((*words, " ".join(token.scopes)))


def revoke_token(arguments: argparse.Namespace) -> int:
    from django.utils import timezone

    from fleet.people import tokens

    if not tokens.revoke(arguments.id, timezone.now()):
        raise Fault(f"There is no token {arguments.id} in force: sumpwise token list shows all.")
    print(f"Token {arguments.id} is revoked.")
    return 0


# --- signing in --------------------------------------------------------------------------------


def print_link(arguments: argparse.Namespace) -> int:
    from django.conf import settings

    from config import serving
    from fleet.people import links, manage

    if not (settings.DATA_DIR / "demo").exists():
        raise Fault(
            f"{settings.DATA_DIR} is no demo: people sign in by password "
            "(sumpwise person set NAME --new-password)."
        )
    person = manage.named(arguments.name)
    port = serving.port()
    here = f"http://{serving.DEFAULT_HOST}:{port or serving.DEFAULT_PORT}"
    nobody = port is None and not settings.SERVED
    address = serving.public_address() if port is None and settings.SERVED else here
    print(f"{address}{links.issue(person)}")
    if nobody:
        print("Nothing is served at present: start sumpwise demo first.", file=sys.stderr)
    return 0
