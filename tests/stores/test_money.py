import pytest
from pytest_django import Settings

from fleet.stores.money import from_minor, to_minor, words


# digits after the point as in ISO 4217:2015, list one; one of each line of the program's table
@pytest.mark.parametrize(
    ("currency", "minor", "said"),
    [
        ("EUR", 123_450, "1,234.50 EUR"),
        ("KWD", 1_234_500, "1,234.500 KWD"),
        ("EUR", -2_079, "\u221220.79 EUR"),
        ("JPY", 1_234, "1,234 JPY"),
        ("XOF", 1_234, "1,234 XOF"),
    ],
)
def test_a_sum_has_the_digits_of_its_currency(
    settings: Settings, currency: str, minor: int, said: str
) -> None:
    settings.CURRENCY = currency
    assert words(minor) == said
    assert to_minor(from_minor(minor)) == minor


def test_half_a_cent_is_rounded_up(settings: Settings) -> None:
    settings.CURRENCY = "EUR"
    assert (to_minor(0.125), to_minor(-0.125), to_minor(0.124)) == (13, -13, 12)
