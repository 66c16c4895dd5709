"""Which item serves a material: its own, one that the compartment accepts, or the same name."""

import pytest

from fleet.due.models import Service
from fleet.stores.models import Item, Product, Specification
from fleet.workorders.items_for import Served, items_of
from fleet.workorders.models import Material, Procedure
from tests import scene
from tests.stores import shelf

INVENTED = "invented for the tests"


@pytest.fixture
def procedure(db: None) -> Procedure:
    service: Service = scene.service()
    return Procedure.objects.create(
        service=service, family="level plug", edition="1", source=INVENTED, minutes=40
    )


def material(procedure: Procedure, **given: object) -> Material:
    fields = {"kind": "fluid", "name": "Gear oil", "source": INVENTED}
    amount = {} if "pieces" in given else {"quantity_ml": 1500}
    return Material.objects.create(procedure=procedure, **(fields | amount | given))


def specification(slug: str) -> Specification:
    return Specification.objects.get_or_create(slug=slug, name=slug, source=INVENTED)[0]


def claiming(slug: str, grade: str, *specifications: str) -> Product:
    product = shelf.product(slug, grade)
    for name in specifications:
        product.claims.create(specification=specification(name), source=INVENTED)
    return product


def accept(procedure: Procedure, name: str, grade: str = "") -> None:
    procedure.service.compartment.accepted_fluids.create(
        specification=specification(name), grade=grade, source=INVENTED
    )


def served(procedure: Procedure) -> list[Served]:
    return list(items_of([procedure.pk]).values())


def test_a_fluid_is_served_by_what_the_compartment_accepts(procedure: Procedure) -> None:
    accept(procedure, "gl-4", "75W-90")
    shelf.item("a-wrong-grade", product=claiming("wrong-grade", "80W", "gl-4"))
    shelf.item("b-wrong-spec", product=claiming("wrong-spec", "75W-90", "gl-5"))
    right = shelf.item("c-right", product=claiming("right", "75W-90", "gl-4"))
    material(procedure)
    assert served(procedure) == [Served(right.pk, 1500)]


def test_a_material_that_names_its_specification_wants_that_one(procedure: Procedure) -> None:
    accept(procedure, "gl-4")
    accept(procedure, "gl-5")
    shelf.item("a-four", product=claiming("four", "75W-90", "gl-4"))
    five = shelf.item("b-five", product=claiming("five", "75W-90", "gl-5"))
    material(procedure, specification=specification("gl-5"))
    assert served(procedure) == [Served(five.pk, 1500)]


def test_its_own_item_comes_before_all_else(procedure: Procedure) -> None:
    accept(procedure, "gl-4")
    shelf.item("a", product=claiming("a", "75W-90", "gl-4"))
    own = shelf.item("z")
    material(procedure, item=own)
    assert served(procedure) == [Served(own.pk, 1500)]


def test_other_materials_are_served_by_the_same_name(procedure: Procedure) -> None:
    washer = shelf.item("washer", name="Sealing  Washer", kind="seal", unit="pieces")
    material(procedure, kind="seal", name="sealing washer", pieces=1)
    material(procedure, kind="one-time fixing", name="Shield clip", pieces=1)
    assert served(procedure) == [Served(washer.pk, 1)]


def test_an_item_kept_in_another_unit_serves_nothing(procedure: Procedure) -> None:
    cans: Item = shelf.item("cans", kind="other", unit="pieces")
    material(procedure, item=cans)
    assert served(procedure) == []


def test_many_procedures_take_as_many_queries_as_one(
    procedure: Procedure, django_assert_num_queries: object
) -> None:
    material(procedure)
    with django_assert_num_queries(1):  # type: ignore[operator]
        items_of([procedure.pk])
