import pytest

from fleet.due.models import CheckFigure
from tests.forms_of_models import must_be_migrated


@pytest.mark.django_db
def test_the_database_is_as_the_models_say() -> None:
    must_be_migrated("due")


@pytest.mark.parametrize(
    ("limits", "below"),
    [({"pass_to": -30, "watch_to": 5}, True), ({"pass_from": 155, "watch_from": 140}, False)],
)
def test_a_value_may_lie_below_zero_where_one_of_its_limits_does(
    limits: dict[str, float], below: bool
) -> None:
    # a coolant's freeze point [°C] and a brake fluid's boiling point: invented limits
    assert CheckFigure(**limits).below_zero is below
