"""Whatever a sheet is like: each row is accounted for, or the file is refused in words."""

import resource
import time
from collections import Counter

import pytest
from _pytest.mark import ParameterSet

from fleet.readings import intake
from fleet.readings.models import Upload, UploadRow
from tests.cast import Cast, cast
from tests.kept import kept
from tests.readings.dirty import REFUSED, Dirty, every

KINDS = list(every())
WAITING = UploadRow.Outcome.WAITING
MOST_S = 20.0  # on a busy machine; our choice, as is the next
MOST_MB = 300  # that this process may grow by, whatever is sent


@kept
def people() -> Cast:
    return cast()


def test_there_are_many_kinds_and_each_has_a_name_of_its_own() -> None:
    names = [kind.name for kind in KINDS]
    assert len(set(names)) == len(names) >= 150


def case(kind: Dirty) -> ParameterSet:
    """Text that can be printed is stored alike by either database; other signs may not be."""
    text = kind.data.decode(errors="ignore")
    plain = text.encode() == kind.data and all(one.isprintable() or one in "\t\r\n" for one in text)
    return pytest.param(kind, id=kind.name, marks=pytest.mark.any_database if plain else ())


@pytest.mark.parametrize("kind", [case(kind) for kind in KINDS])
def test_every_row_is_accounted_for_or_the_file_is_refused(people: Cast, kind: Dirty) -> None:
    begun_s, before_mb = time.monotonic(), memory_mb()
    upload = intake.receive(kind.data, "a.csv")
    intake.stage(upload)
    upload.refresh_from_db()
    assert time.monotonic() - begun_s < MOST_S
    assert memory_mb() - before_mb < MOST_MB
    if upload.state == Upload.State.REFUSED:
        assert kind.rows in (None, REFUSED), upload.message
        assert upload.message.strip().endswith((".", "!", "?", ")"))
        assert len(upload.message) < 400
        assert not upload.rows.exists()
        return
    assert kind.rows != REFUSED
    accounted(upload, kind)


def accounted(upload: Upload, kind: Dirty) -> None:
    rows = list(upload.rows.values_list("sheet", "row", "column", "outcome", "message"))
    assert len(rows) == upload.rows_total
    places = Counter((sheet, row, column) for sheet, row, column, *_ in rows)
    assert set(places.values()) <= {1}
    assert all(message for *_, outcome, message in rows if outcome != WAITING)
    if kind.rows is not None:
        assert sorted(row for _, row, *_ in rows) == list(kind.rows)
    if kind.readings is not None:
        assert sum(outcome == WAITING for *_, outcome, _ in rows) == kind.readings


def memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
