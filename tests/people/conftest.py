import pytest

from tests.cast import Cast, cast


@pytest.fixture
def people(db: None) -> Cast:
    return cast()
