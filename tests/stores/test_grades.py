import pytest
from django.test import Client

from fleet.people.models import Person
from fleet.stores.grades import grade_limits, misfits_of
from fleet.stores.models import GradeLimit, Product
from tests.stores import shelf

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def table() -> None:
    """The rows the tests need, should a test that empties every table have run before."""
    for grade, least, most in (("5W", 3.8, None), ("30", 9.3, 12.5)):
        GradeLimit.objects.get_or_create(
            table="SAE J300",
            edition="2015-01",
            grade=grade,
            property="kv100",
            defaults={
                **{"least": least, "most": most, "unit": "mm²/s", "at_c": 100},
                "source": shelf.INVENTED,
            },
        )


def test_a_sheet_that_does_not_fit_its_grade_is_told_with_the_limits() -> None:
    product = shelf.product("thin", "5W-30")
    assert misfits_of(product, grade_limits()) == []
    product.kv100_mm2_s = 8.9
    (found,) = misfits_of(product, grade_limits())
    assert "from 9.3 below 12.5 mm²/s" in found.text
    assert found.name == "kv100"


def test_the_administration_saves_it_and_warns() -> None:
    client = Client()
    client.force_login(Person.objects.create_superuser("chief"))
    given = {"slug": "thin", "name": "Thin", "grade": "5W-30", "kv100_mm2_s": "8.9"}
    forms = {f"claims-{name}": "0" for name in ("TOTAL_FORMS", "INITIAL_FORMS")}
    answer = client.post(
        "/admin/stores/product/add/", given | forms | {"source": "sheet"}, follow=True
    )
    assert Product.objects.get().kv100_mm2_s == 8.9
    assert "does not fit grade 30" in answer.content.decode()
