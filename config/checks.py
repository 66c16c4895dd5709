"""Settings that do not go together, each with its remedy, as system checks of Django."""

from collections.abc import Iterator
from difflib import get_close_matches
from urllib.parse import urlsplit

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register

from config.settings import ENV

LEAST_KEY_LETTERS = 32  # our choice: 190 bits, if drawn at random from letters and digits
LEAST_DIFFERENT = 10  # our choice: fewer letters that differ are nobody's random key
PLACEHOLDER = "django-insecure-"  # begins the keys of new projects, which stand in repositories
LIKE = 0.85  # our choice: a slip or two in the name of a variable


@register(Tags.security)
def combinations(**_: object) -> list[CheckMessage]:
    """Whatever of the environment is unsafe, does nothing, or is not understood."""
    return [*_open_to_strangers(), *_parts_apart(), *_behind_a_proxy(), *_unread()]


def _open_to_strangers() -> Iterator[CheckMessage]:
    if settings.SERVED and settings.DEBUG:
        yield Error(
            "A served program would show its insides with every fault.",
            hint="Leave SUMPWISE_DEBUG empty.",
            id="sumpwise.E001",
        )
    key = settings.SECRET_KEY
    too_few = len(key) < LEAST_KEY_LETTERS or len(set(key)) < LEAST_DIFFERENT
    if too_few or key.startswith(PLACEHOLDER):
        yield Error(
            "The secret key can be guessed: who does signs in as anybody.",
            hint="Set SUMPWISE_SECRET_KEY to what this prints: "
            "python3 -c 'import secrets; print(secrets.token_urlsafe(50))'",
            id="sumpwise.E002",
        )
    if settings.SERVED and "*" in settings.ALLOWED_HOSTS:
        yield Error(
            "Pages would answer under any name, also one made up to mislead.",
            hint="Name in SUMPWISE_HOSTS what people type, such as fleet.example.",
            id="sumpwise.E003",
        )


def _parts_apart() -> Iterator[CheckMessage]:
    if settings.REDIS_URL and not _names_redis(settings.REDIS_URL):
        yield Error(
            "SUMPWISE_REDIS_URL is no address of Redis.",
            hint="Write redis://HOST:PORT/N, such as redis://127.0.0.1:6379/0.",
            id="sumpwise.E011",
        )
    if settings.SERVED and not settings.REDIS_URL:
        yield Warning(
            "PostgreSQL without Redis: tasks are files of one data folder.",
            hint="Set SUMPWISE_REDIS_URL, or run every part on this machine.",
            id="sumpwise.W004",
        )
    if settings.REDIS_URL and not settings.SERVED:
        yield Warning(
            "Redis without PostgreSQL: workers elsewhere would not see this database.",
            hint="Set SUMPWISE_DATABASE_URL, or leave SUMPWISE_REDIS_URL empty.",
            id="sumpwise.W005",
        )
    if settings.DATABASE_PASSWORD and not settings.SERVED:
        yield Warning(
            "There is a password and no database that would ask for it.",
            hint="Set SUMPWISE_DATABASE_URL as well.",
            id="sumpwise.W006",
        )
    if settings.SERVED and not ENV.secret("SUMPWISE_SECRET_KEY"):
        yield Warning(
            "The secret key is that of this data folder: a part on another machine would make "
            "another, and sign everybody out.",
            hint="Set SUMPWISE_SECRET_KEY to one key for all.",
            id="sumpwise.W007",
        )


def _names_redis(address: str) -> bool:
    try:
        parts = urlsplit(address)
        named = parts.hostname and parts.port != 0
    except ValueError:  # of the port, or of brackets
        return False
    number = parts.path.strip("/")
    return bool(parts.scheme in {"redis", "rediss"} and named and (not number or number.isdigit()))


def _behind_a_proxy() -> Iterator[CheckMessage]:
    if settings.BEHIND_TLS and not settings.PROXIES:
        yield Warning(
            "Everybody would have the proxy's address: a stranger who guesses passwords would "
            "keep all others waiting, too.",
            hint="Set SUMPWISE_PROXIES to how many proxies stand in front, mostly 1.",
            id="sumpwise.W008",
        )
    if settings.SECURE_HSTS_SECONDS and not settings.BEHIND_TLS:
        yield Warning(
            "SUMPWISE_HSTS_DAYS does nothing where nothing is known of TLS.",
            hint="Set SUMPWISE_BEHIND_TLS=1 once a proxy speaks TLS.",
            id="sumpwise.W009",
        )


def _unread() -> Iterator[CheckMessage]:
    for name in ENV.unread():
        meant = get_close_matches(name, ENV.known, n=1, cutoff=LIKE)
        yield Warning(
            f"{name} is set and means nothing.",
            hint=f"Is {meant[0]} meant?" if meant else ".env.example lists all that there are.",
            id="sumpwise.W010",
        )
