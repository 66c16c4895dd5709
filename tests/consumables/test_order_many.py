"""Proposals noted as ordered, each as it was shown; what refuses the others."""

from datetime import timedelta

import pytest

from fleet.consumables.listing import demand_rows
from fleet.consumables.propose import order_many
from fleet.stores.models import Arrival
from tests.consumables.test_propose import PROGRAM, TODAY, kept, order
from tests.stores import shelf

pytestmark = pytest.mark.django_db


def test_what_is_as_shown_is_ordered_once_and_the_rest_is_told_why_not() -> None:
    kept(shelf.item("oil", packs=(1000,)))
    row, due_on = order(), TODAY + timedelta(days=10)
    assert row is not None
    for shown, words in ((row.quantity + 1000, "another quantity"), (row.quantity, "")):
        ordered, faults = order_many(PROGRAM, {row.pk: (shown, due_on)}, [row])
        assert [one.quantity for one in ordered] == ([] if words else [row.quantity])
        assert [words in str(fault) for fault in faults] == ([True] if words else [])
    pk = Arrival.objects.get().pk
    ordered, faults = order_many(PROGRAM, {row.pk: (row.quantity, due_on)}, [row])
    assert ordered == []
    assert "was ordered already" in str(faults[0])
    assert Arrival.objects.get().pk == pk


def test_the_table_tells_by_when_to_order() -> None:
    kept(shelf.item("oil", packs=(1000,)))
    row = order()
    assert row is not None
    june = demand_rows(TODAY, ["plain"], 12)[0]
    assert (june.month, june.order_by) == ("2026-06", row.order_by_on)
