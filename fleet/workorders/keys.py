"""A sender's key names one record: sent again it is that record, with another content a mistake."""

from typing import Any

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
    found = rows.filter(client_key=client_key).first()
    if found is not None and any(getattr(found, name) != value for name, value in given.items()):
        raise Refused(
            "Another record came under this client_key before: send this one under a new key.",
            about="client_key",
        )
    return found
