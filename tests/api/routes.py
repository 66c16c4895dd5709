"""The routes of the API as the URL configuration has them."""

import re
from collections.abc import Iterator

from fleet.api.urls import other_spelling, urlpatterns

BASE = "/api/v1"
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")


def routes() -> Iterator[tuple[str, str]]:
    """(method, pattern) of every operation there is."""
    yield "GET", ""
    for found in urlpatterns:
        if found.callback is other_spelling:
            continue
        for method in METHODS:
            if hasattr(found.callback.view_class, method.lower()):
                yield method, str(found.pattern)


def address(pattern: str, **values: object) -> str:
    """The address of a pattern with its values filled in."""
    for part in re.findall(r"<(\w+:\w+)>", pattern):
        pattern = pattern.replace(f"<{part}>", str(values.get(part.partition(":")[2], 1)))
    return f"{BASE}/{pattern}" if pattern else BASE
