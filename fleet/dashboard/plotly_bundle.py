"""Serves the chart library's script out of the installed package, so that none is kept here."""

from collections.abc import Iterable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

PREFIX = "plotly"
BUNDLE = "plotly.min.js"
# the script adds a style element for maps, which the content security policy forbids and no page
# needs, unless an element with this id stands on the page already
MAP_STYLE_ID = "9f215cf04c5486422605d13261cb87401f4e7763b6296af81e98efbc0130da53"


def package_data() -> Path:
    """The folder of the installed package; found without importing it, which is slow."""
    spec = find_spec(PREFIX)
    if spec is None or spec.origin is None:
        raise ImportError("plotly is not installed.")
    return Path(spec.origin).parent / "package_data"


class PlotlyBundle(BaseFinder):
    """Finds one static file: ``plotly/plotly.min.js``."""

    def find(self, path: str, find_all: bool = False, **_: Any) -> Any:
        if path != f"{PREFIX}/{BUNDLE}":
            return []
        found = str(package_data() / BUNDLE)
        return [found] if find_all else found

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, Any]]:
        storage = FileSystemStorage(location=package_data())
        storage.prefix = PREFIX  # type: ignore[attr-defined]
        yield BUNDLE, storage
