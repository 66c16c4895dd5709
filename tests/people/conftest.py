from tests.cast import Cast, cast
from tests.kept import kept


@kept
def people() -> Cast:
    return cast()
