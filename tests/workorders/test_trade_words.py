"""Words that changed are changed in the rows that stand, and their past."""

from importlib import import_module
from typing import Any

import pytest
from django.apps import apps

from fleet.stores.models import Item
from fleet.workorders.models import Caution, Material, Step
from tests.workbook.small import load_small, small_workbook

items: Any = import_module("fleet.stores.migrations.0006_one_time_fixing")
procedures: Any = import_module("fleet.workorders.migrations.0006_trade_words")


@pytest.mark.django_db
def test_a_breakage_spare_becomes_a_one_time_fixing() -> None:
    item = Item.objects.create(
        slug="clip", name="Clip", kind="breakage spare", unit="pieces", source="by hand"
    )
    items.rename(apps, None)
    item.refresh_from_db()
    assert item.kind == Item.Kind.ONE_TIME_FIXING
    assert item.history.get().kind == "one-time fixing"
    items.name_back(apps, None)
    item.refresh_from_db()
    assert item.kind == "breakage spare"


@pytest.mark.django_db
def test_steps_materials_and_cautions_take_the_trades_words() -> None:
    load_small(small_workbook())
    Material.objects.update(kind="breakage spare")
    Step.objects.update(kind="clear away")
    caution = Caution.objects.create(
        slug="spilt", text="x", source="by hand", step_kinds=["drain", "clear away"]
    )
    procedures.rename(apps, None)
    assert set(Material.objects.values_list("kind", flat=True)) == {"one-time fixing"}
    assert set(Step.objects.values_list("kind", flat=True)) == {"clean up"}
    caution.refresh_from_db()
    assert caution.step_kinds == ["drain", "clean up"]
    assert caution.history.get().step_kinds == ["drain", "clean up"]
    procedures.name_back(apps, None)
    caution.refresh_from_db()
    assert caution.step_kinds == ["drain", "clear away"]
