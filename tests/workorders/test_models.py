import pytest

from tests.forms_of_models import must_be_migrated


@pytest.mark.django_db
def test_the_database_is_as_the_models_say() -> None:
    must_be_migrated("workorders")
