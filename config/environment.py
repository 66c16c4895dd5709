"""Typed readers of the environment: nonsense is refused with the variable's name."""

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fleet.faults import Fault

URL = re.compile(r"postgres(ql)?://")
PARTS = {"dbname": "name", "user": "user", "password": "password", "host": "host", "port": "port"}


class EnvironmentFault(Fault):
    """A variable of the environment cannot be used as it stands."""


class Environment:
    """Reads ``SUMPWISE_*`` variables and remembers which ones it was asked for."""

    def __init__(self, variables: Mapping[str, str] = os.environ) -> None:
        self.variables = variables
        self.known: set[str] = set()

    def text(self, name: str, default: str = "") -> str:
        self.known.add(name)
        return self.variables.get(name, "").strip() or default

    def secret(self, name: str) -> str:
        """The variable itself, or what stands in the file that ``NAME_FILE`` names."""
        given, path = self.text(name), self.text(f"{name}_FILE")
        if given and path:
            raise EnvironmentFault(f"{name} and {name}_FILE are both set: leave one empty.")
        if not path:
            return given
        try:
            found = Path(path).read_text().strip()
        except (OSError, UnicodeDecodeError) as error:
            raise EnvironmentFault(f"{name}_FILE: {path} cannot be read ({error}).") from error
        if not found:
            raise EnvironmentFault(f"{name}_FILE: {path} is empty: write the secret into it.")
        return found

    def unread(self) -> list[str]:
        """Variables that are set and that nobody asked for, such as misspelt ones."""
        given = {name for name in self.variables if name.startswith("SUMPWISE_")}
        return sorted(given - self.known)

    def flag(self, name: str, default: bool = False) -> bool:
        given = self.text(name).lower()
        if given in {"", "0", "no", "false", "off"}:
            return False if given else default
        if given in {"1", "yes", "true", "on"}:
            return True
        raise EnvironmentFault(f"{name}={given!r} is neither yes nor no: write 1 or 0.")

    def words(self, name: str, default: str = "") -> list[str]:
        return [word for word in self.text(name, default).replace(",", " ").split() if word]

    def currency(self, name: str, default: str) -> str:
        """Three letters, as ISO 4217 has them."""
        given = self.text(name, default).upper()
        if len(given) != 3 or not (given.isascii() and given.isalpha()):
            raise EnvironmentFault(f"{name}={given!r} is no currency: write EUR, USD or the like.")
        return given

    def postgres(self, name: str) -> dict[str, Any]:
        """A database as Django names its parts, from an address that libpq understands."""
        # not where no server is used: it takes a moment
        from psycopg import ProgrammingError
        from psycopg.conninfo import conninfo_to_dict

        address = self.text(name)
        try:
            given = conninfo_to_dict(address) if URL.match(address) else {}
        except ProgrammingError:
            given = {}
        port = str(given.get("port", "5432"))  # libpq reads it only when it connects
        if not given.get("dbname") or not port.isdigit():
            raise EnvironmentFault(
                f"{name} must be a postgres:// address with a database, its port a number."
            )
        parts = {part.upper(): given.pop(key, "") for key, part in PARTS.items()}
        return {"ENGINE": "django.db.backends.postgresql", **parts, "OPTIONS": given}

    def folder(self, name: str, default: str) -> Path:
        return Path(self.text(name, default)).expanduser().resolve()

    def whole_number(self, name: str, default: int, least: int = 0) -> int:
        text = self.text(name, str(default))
        if not (text.isascii() and text.isdigit() and least <= int(text[:9]) == int(text)):
            raise EnvironmentFault(
                f"{name}={text!r}: write a whole number from {least} on, such as {default}."
            )
        return int(text)

    def whole_numbers(self, name: str, default: str) -> list[int]:
        """Numbers above 0, rising."""
        words = self.words(name, default)
        if not words or not all(word.isascii() and word.isdigit() and int(word) for word in words):
            raise EnvironmentFault(f"{name}: write whole numbers above 0, such as {default!r}.")
        return sorted({int(word) for word in words})
