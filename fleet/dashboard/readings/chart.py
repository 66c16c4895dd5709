"""A small chart beside a reading that waits for a decision: its neighbours and where it lies."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

WIDTH, HEIGHT = 240, 84
EDGE = 8  # kept free of points, for their marks
MARK = 12  # size of the mark of the odd one
Place = tuple[float, float]


@dataclass(frozen=True)
class SmallChart:
    """Places in a box of ``WIDTH`` by ``HEIGHT``, from its upper left corner."""

    line: str  # of the accepted readings, for a polyline
    dots: Sequence[Place]
    odd: Place
    beyond: bool  # the odd one lies off the chart and is drawn at its edge
    expected: Place | None
    width: int = WIDTH
    height: int = HEIGHT

    @property
    def odd_corner(self) -> Place:
        """Upper left corner of the mark of the odd one."""
        return self.odd[0] - MARK / 2, self.odd[1] - MARK / 2


def small_chart(
    accepted: Sequence[tuple[date, float]], on: date, odd: float, expected: float | None
) -> SmallChart | None:
    """The chart of a reading and the accepted ones about it [km or h]; None without any.

    The heights are those of what counts, so that a slip of a digit does not flatten the rest.
    """
    if not accepted:
        return None
    heights = [value for _, value in accepted] + ([] if expected is None else [expected])
    low, high = min(heights), max(heights)
    spare = max(0.15 * (high - low), 1.0)
    low, high = low - spare, high + spare
    days = [day.toordinal() for day, _ in accepted] + [on.toordinal()]
    first, last = min(days), max(max(days), min(days) + 1)

    def place(day: date, value: float) -> Place:
        across = (day.toordinal() - first) / (last - first)
        up = (min(max(value, low), high) - low) / (high - low)
        return (
            round(EDGE + across * (WIDTH - 2 * EDGE), 1),
            round(HEIGHT - EDGE - up * (HEIGHT - 2 * EDGE), 1),
        )

    dots = [place(day, value) for day, value in accepted]
    return SmallChart(
        line=" ".join(f"{x},{y}" for x, y in dots),
        dots=dots,
        odd=place(on, odd),
        beyond=not low <= odd <= high,
        expected=None if expected is None else place(on, expected),
    )
