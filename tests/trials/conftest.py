from tests.kept import kept
from tests.trials.field import Field, begun


@kept
def sixteen() -> Field:
    """A trial of sixteen vans, as most tests of its evaluation need it."""
    return begun()


@kept
def eight() -> Field:
    return begun(8)


@kept
def two() -> Field:
    return begun(2)


@kept
def four() -> Field:
    return begun(4)


@kept
def six() -> Field:
    return begun(6)
