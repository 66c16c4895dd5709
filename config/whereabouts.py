"""Whether there is anything to read: a mistyped data folder must not become a new installation."""

from pathlib import Path

from config.environment import Environment
from fleet.faults import Fault

DATABASE = "sumpwise.sqlite3"  # of an embedded database, in the data folder
BEGIN = "sumpwise demo, sumpwise serve or sumpwise fleet load"


def must_be_there() -> None:
    """Refuse an embedded database that does not exist, before the settings make its folder.

    Raises
    ------
    Fault
        With what to do.
    """
    given = Environment()
    folder = given.folder("SUMPWISE_DATA", ".sumpwise")
    if given.text("SUMPWISE_DATABASE_URL") or _has_something(folder / DATABASE):
        return
    raise Fault(
        f"There are no data in {folder}: set SUMPWISE_DATA to the folder that holds them, or begin "
        f"a new one by {BEGIN}."
    )


def _has_something(path: Path) -> bool:
    """A start that was cut short leaves an empty file."""
    return path.is_file() and path.stat().st_size > 0


def must_have_vehicles() -> None:
    """Refuse to answer from a database without a single vehicle as if nothing were due.

    Raises
    ------
    Fault
        With what to do.
    """
    from django.conf import settings

    from fleet.vehicles.models import Vehicle

    if Vehicle.objects.exists():
        return
    where = "The database" if settings.SERVED else str(settings.DATA_DIR)
    raise Fault(
        f"{where} holds no vehicle yet: load a workbook (sumpwise fleet load), or name another "
        "place in SUMPWISE_DATA or SUMPWISE_DATABASE_URL."
    )
