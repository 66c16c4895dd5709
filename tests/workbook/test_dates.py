"""The workbook reads days as a sheet of readings does; expected days are read off by hand."""

from datetime import UTC, date, datetime

import pytest

from fleet.readings.moments import read_moment
from fleet.workbook.cells import DATE, INSTANT, MONTH, Cell, CellFault

DAY = date(2025, 3, 31)
FORMS: list[Cell] = [
    *(
        "31 Mar 2025",
        "31/03/25",
        20250331.0,
        "20250331",
        "2025-03-31",
        "31.03.2025",
        "31. März 2025",
    ),
    *("31 mars 2025", "31 de marzo de 2025", 45747.0, "45747", "Mon 31 March 2025", "3/31/2025"),
]


@pytest.mark.parametrize("cell", FORMS)
def test_a_day_is_read_alike_in_workbook_and_upload(cell: Cell) -> None:
    assert DATE.read(cell) == DAY
    assert (
        date.fromordinal(read_moment(cell).wall_s // 86_400 + date(1970, 1, 1).toordinal()) == DAY
    )


def test_a_day_that_can_be_two_is_refused_with_what_to_write() -> None:
    with pytest.raises(CellFault, match="'03/04/2025' can mean two dates; write the year first"):
        DATE.read("03/04/2025")


@pytest.mark.parametrize("cell", ["soon", "31/02/2025", "45", 45.0, True, "x" * 500])
def test_what_is_no_day_is_refused(cell: Cell) -> None:
    with pytest.raises(CellFault, match="is not a date; write e.g. 2025-03-31"):
        DATE.read(cell)


@pytest.mark.parametrize("cell", ["2025-03", "Mar 2025", "03/2025", "März 2025", "2025-03-17"])
def test_a_month_is_its_first_day(cell: str) -> None:
    assert MONTH.read(cell) == date(2025, 3, 1)


def test_a_moment_keeps_its_time_and_zone() -> None:
    assert INSTANT.read("31 Mar 2025 14:05") == datetime(2025, 3, 31, 14, 5)  # noqa: DTZ001
    assert INSTANT.read("2025-03-31 14:05+02:00") == datetime(2025, 3, 31, 12, 5, tzinfo=UTC)
    assert INSTANT.read("31/03/25") == datetime(2025, 3, 31)  # noqa: DTZ001
    assert INSTANT.read(45747.5) == datetime(2025, 3, 31, 12)  # noqa: DTZ001 - half a day
