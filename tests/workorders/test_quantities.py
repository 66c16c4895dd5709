"""Litres as typed. A US quart is 57.75 in³, 0.946352946 L, and an imperial one 1.1365225 L (NIST
Handbook 44, appendix C; Units of Measurement Regulations 1995)."""

import pytest

from fleet.faults import Fault, Question
from fleet.vehicles.models import Depot
from fleet.workorders.quantities import Quantity, decimal_mark, read_quantity

HERE, US, IMPERIAL = Depot(), Depot(quart="us"), Depot(quart="imperial")


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("4.9", Quantity(4.9, "", "4.9")),
        ("4,9", Quantity(4.9, "", "4,9")),
        ("4.9 l", Quantity(4.9, "", "4.9")),
        ("500 ml", Quantity(0.5, "500 ml", "500")),
        ("1 US qt", Quantity(0.946352946, "1 US qt", "1")),
    ],
)
def test_what_was_typed_is_kept_where_it_says_more_than_litres(typed: str, found: Quantity) -> None:
    read = read_quantity(typed, HERE)
    assert read.litres == pytest.approx(found.litres, rel=1e-9)
    assert (read.typed, read.digits) == (found.typed, found.digits)


def test_a_comma_is_a_decimal_mark_unless_there_is_a_point_too() -> None:
    assert [decimal_mark(text) for text in ("4,9", "4.9", "1,234.5", "5")] == [",", ".", ".", "."]


def test_a_bare_quart_is_the_one_of_the_depot_and_asked_about_without_it() -> None:
    assert read_quantity("2 qt", US).litres == pytest.approx(2 * 0.946352946)
    assert read_quantity("2 qt", US).typed == "2 qt US"
    assert read_quantity("2 quarts", IMPERIAL).litres == pytest.approx(2 * 1.1365225)
    with pytest.raises(Question, match="2 qt can be two quantities") as asked:
        read_quantity("2 qt", HERE)
    assert asked.value.candidates == ("2 US qt: 1.89 L", "2 imp qt: 2.27 L")
    with pytest.raises(Fault, match="Quantity"):
        read_quantity("much", HERE)
