from pathlib import Path
from typing import Any

import pytest

from tests.cast import Cast, cast
from tests.kept import kept


@kept
def known() -> Cast:
    return cast()


@pytest.fixture
def people(known: Cast, tmp_path: Path, settings: Any) -> Cast:
    """Vehicles, depots and people, and a data folder of its own for what is uploaded."""
    settings.DATA_DIR = tmp_path / "data"
    return known
