"""Stock arithmetic against printed examples.

Numbers of examples are those of Snyder and Shen, *Fundamentals of Supply Chain Theory* (2nd ed.
2019), as printed in the documentation of stockpyl 1.0.2, whose functions were also run.
"""

from fleet.calc.stock_level import to_order

# Loss functions: standard normal and normal by the formula, the others summed on a fine grid.


# exact: 1/√(2π) at 0; tables of the normal loss function


def test_an_order_fills_up_what_is_there_and_on_its_way() -> None:
    assert to_order(20_000, 6000, None, 5000).packs == 3
    assert to_order(20_000, 25_000, None, 5000).packs == 0


def test_an_order_covers_what_was_used_but_never_booked_in() -> None:
    assert to_order(20_000, -4000, None, 5000).quantity == 25_000


def test_an_order_never_goes_beyond_what_is_used_before_it_is_out_of_date() -> None:
    order = to_order(20_000, 1000, usable=9000, pack=5000)
    assert (order.packs, order.capped) == (1, True)
    assert to_order(20_000, 1000, usable=900, pack=5000).packs == 0
