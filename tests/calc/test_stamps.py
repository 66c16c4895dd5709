from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calc.stamps import digest, stamp, stamp_text, stamp_texts


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


def test_a_rows_stamp_is_the_same_whatever_stands_in_other_rows_and_of_like_numbers() -> None:
    rows = stamp([1, 2, 3], [0.5, np.nan, -0.0])
    assert len(set(rows.tolist())) == 3
    assert stamp([2], [np.nan]).tolist() == rows[1:2].tolist()
    assert stamp([3], [0.0]).tolist() == rows[2:].tolist()  # -0.0 is 0.0
    assert stamp([2], [-np.nan]).tolist() == rows[1:2].tolist()  # one NaN is like another
    days = np.array(["2026-06-15", "NaT"], "M8[D]")
    assert stamp(days).tolist() == stamp(days.astype("M8[s]")).tolist()
    assert stamp(np.array([True, False])).tolist() == stamp([1, 0]).tolist()


def test_a_stamp_tells_columns_their_order_and_their_number_apart() -> None:
    found = {int(stamp(*columns)) for columns in ((1, 2), (2, 1), (1,), (1, 2, 0), (0, 1, 2), (0,),
                                                  (-1,), (1.5,), (2**62,))}  # fmt: skip
    assert len(found) == 9
    assert all(-(2**63) <= one < 2**63 for one in found)


def test_splitmix64_gives_its_published_first_number() -> None:
    # SplitMix64 seeded with 0 gives 16294208416658607535 first (Vigna's reference program, from
    # memory); here the state is mixed with the number of columns, so 1 ^ 1 = 0 stands for it
    assert int(stamp(1)) == 16294208416658607535 - 2**64


def test_a_texts_stamp_changes_with_each_letter_and_its_place() -> None:
    texts = ["", "a", "b", "ab", "ba", "aab", "aba", "größe", "grosse", "a" * 1_000]
    assert len({stamp_text(one) for one in texts}) == len(texts)
    assert stamp_text("ab") == stamp_text("ab")


def test_a_text_has_the_same_stamp_among_others() -> None:
    texts = ["", "ab", "", "größe", "ba", "a" * 1_000, ""]
    assert stamp_texts(texts).tolist() == [stamp_text(one) for one in texts]
    assert stamp_texts([]).tolist() == []
    # of no letter nothing is mixed in: the stamp of 0
    assert stamp_text("") == int(stamp(0))
    letters, places = [97.0, 98.0], [0.0, 1.0]
    one, other = stamp(letters, places).tolist()
    assert stamp_text("ab") == int(stamp(one ^ other))
