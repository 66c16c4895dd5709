"""A sender's key names one record: sent again it is that record, with another content a mistake."""

from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction

from fleet.bulk import only
from fleet.faults import Fault, Refused


def known(rows: Any, client_key: str, **given: object) -> Any:
    """The record that came under a key before, or None for a new key.

    Raises
    ------
    Refused
        Something else came under this key.
    Fault
        The key is too short to be nobody else's, or too long to be kept.
    """
    if not 8 <= len(client_key) <= 64:
        raise Fault(
            "The client key must have 8 to 64 characters, its own for every record.",
            about="client_key",
        )
    found = only(rows.filter(client_key=client_key))
    if found is not None and any(getattr(found, name) != value for name, value in given.items()):
        raise Refused(
            "Another record came under this client_key before: send this one under a new key.",
            about="client_key",
        )
    return found


def keep(rows: Any, client_key: str, given: Mapping[str, object]) -> tuple[Any, bool]:
    """Add a record under a key that was new just now; or the same one, sent twice at once, and
    False."""
    try:
        with transaction.atomic():
            return rows.create(**{**given, "client_key": client_key}), True
    except IntegrityError:
        found = only(rows.filter(client_key=client_key))
        if found is None:
            raise
        return found, False
