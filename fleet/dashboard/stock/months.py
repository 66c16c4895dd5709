"""Months of need of an item as a small chart: bars with their bands, drawn in the page itself."""

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.consumables.listing import DemandRow

WIDTH, HEIGHT, STEP = 180, 48, 30  # of the drawing, for six months
BAR = 16
TOP = 4  # room above the tallest band


@dataclass(frozen=True)
class MonthBar:
    """One month: a bar up to the mean, a band up to what suffices in 95 of 100 cases."""

    x: float
    y: float  # top of the bar
    height: float
    middle: float  # of the bar
    band_y: float  # top of the band
    lacking: bool  # the stock and what comes do not last to its end


@dataclass(frozen=True)
class MonthChart:
    bars: tuple[MonthBar, ...]
    text: str
    width: int = WIDTH
    height: int = HEIGHT


def month_chart(months: Sequence[DemandRow | None], text: str) -> MonthChart:
    """One bar for each month, all on the scale of the largest band.

    Parameters
    ----------
    text
        The same in words, for who cannot see it.
    """
    most = max((max(row.p95, row.mean) for row in months if row), default=0) or 1
    scale = (HEIGHT - TOP) / most
    return MonthChart(
        tuple(
            _bar(at * STEP + (STEP - BAR) / 2, row, scale) for at, row in enumerate(months) if row
        ),
        text,
    )


def _bar(x: float, row: DemandRow, scale: float) -> MonthBar:
    height = round(row.mean * scale, 1)
    return MonthBar(
        x=x,
        y=round(HEIGHT - height, 1),
        height=height,
        middle=x + BAR / 2,
        band_y=round(HEIGHT - max(row.p95, row.mean) * scale, 1),
        lacking=row.free < 0,
    )
