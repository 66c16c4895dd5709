"""To what a shelf can be read: what is shown of a sum claims no more than that."""

TENTHS_FROM = 1.0  # [L or the like] below, hundredths; our choice


def read_off(amount: float) -> float:
    """A sum of fluid, in litres or the like, as a dip stick or a scale on a can tells it.

    Examples
    --------
    >>> read_off(54.657), read_off(0.657), read_off(-2.36)
    (54.7, 0.66, -2.4)
    """
    return round(amount, 1 if abs(amount) >= TENTHS_FROM else 2) + 0.0  # and no -0.0
