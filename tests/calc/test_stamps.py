from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calc.stamps import digest


@dataclass(frozen=True)
class Inputs:
    days: NDArray[np.float64]
    named: dict[str, int]


def some(day: float = 2.0, **named: int) -> Inputs:
    return Inputs(np.array([1.0, day, np.nan]), {"a": 1, **named})


def test_a_digest_is_equal_for_equal_inputs_and_for_no_other() -> None:
    assert digest([some(), "x"]) == digest([some(), "x"])
    assert digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})
    others = [
        *([some(3.0), "x"], [some(b=1), "x"], [some(a=2), "x"], [some(), "y"], ["x", some()]),
        *([some(), "x", None], [[some()], "x"], [some()]),
    ]
    assert digest([some(), "x"]) not in {digest(other) for other in others}


def test_a_digest_tells_the_kind_and_shape_of_an_array_and_fits_into_64_bits() -> None:
    square = np.arange(4.0).reshape(2, 2)
    unlike = [square, square.ravel(), square.astype(np.int64), square.T, square.astype(object)]
    found = {digest(one) for one in unlike}
    assert len(found) == 5
    assert all(-(2**63) <= one < 2**63 for one in found)
