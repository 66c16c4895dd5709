"""Labour minutes, orders of magnitude, slips of unit and mistyped readings: each limit by hand."""

import math
from fractions import Fraction

import pytest

from fleet.calc import slips
from fleet.calc.labour import Labour, learn
from fleet.calc.magnitudes import apart, beyond, slipped
from fleet.calc.misreadings import FAULTS, Given
from fleet.calc.slips import litres_question, torque_question


# --- labour: (n · median + 5 · book) / (n + 5), in steps of five minutes -----------------------
@pytest.mark.parametrize(
    ("book", "recorded", "expected"),
    [
        (60, [], (60, 0, 0)),
        (60, [90] * 4, (60, 0, 0)),  # fewer than five
        (60, [90] * 5, (75, 5, 0)),  # (450 + 300) / 10
        (60, [90] * 10, (80, 10, 0)),  # (900 + 300) / 15
        (60, [10, 80, 90, 95, 100], (75, 0, 1)),
        (60, [19, 20, 90, 100, 180, 181, 100], (80, 5, 2)),
        (60, [85] * 5, (75, 5, 0)),  # 72.5: half a step rounds up
        (60, [84] * 5, (70, 5, 0)),  # 72
        (2, [2] * 5, (5, 5, 0)),  # one step at least
        (60, [70, 80, 90, 100, 110, 120], (80, 6, 0)),  # median 95: (570 + 300) / 11 = 79.1
    ],
)
def test_finished_jobs_move_the_books_minutes_as_they_become_many(
    book: int, recorded: list[float], expected: tuple[int, int, int]
) -> None:
    minutes, jobs, set_aside = expected
    if jobs == 0:
        minutes = book
    assert learn(book, recorded) == Labour(minutes, book, jobs, set_aside)


# --- orders of magnitude ----------------------------------------------------------------------
def test_the_most_that_is_plausible_is_the_largest_known_as_often_as_it_may_be_met() -> None:
    assert beyond([], 40) == 40
    assert beyond([(10, 3), (5, 7), (1, 9)], 20) == 35
    assert beyond([(10, 3)], 40) == 40


@pytest.mark.parametrize(
    ("quantity", "near", "most", "meant"),
    [
        (20_000_000, 19_000, 190_000, [20_000, 20]),
        (5_000, 400, 1_000, [500, 50, 5]),
        (5_000, 60, 1_000, [50, 500, 5]),  # by the ratio, not by the difference
        (5_000, 400, 499, [50, 5]),
        (5_000, 400, 500, [500, 50, 5]),
        (5_000, 0, 1_000, [500, 50, 5]),  # nothing known: the largest first
        (5_005, 400, 1_000, []),
        (50, 1, 10, [5]),
        (0, 5, 10, []),
    ],
)
def test_what_may_have_been_meant_is_a_power_of_ten_less_and_plausible(
    quantity: int, near: int, most: int, meant: list[int]
) -> None:
    assert slipped(quantity, near, most) == meant


@pytest.mark.parametrize(
    ("price", "other", "far"),
    [
        (5, 1, False), (5.01, 1, True), (1, 5, False), (1, 5.01, True), (1, 1, False),
        (0, 9, False), (9, 0, False), (0.5, 0.01, True),
    ],
)  # fmt: skip
def test_prices_are_too_far_apart_beyond_five_times(price: float, other: float, far: bool) -> None:
    assert apart(price, other) is far
    assert apart(price, other, 1e9) is False


# --- slips of unit: NIST SP 811 (2008), appendix B --------------------------------------------
FOOT, INCH, POUND, G = (Fraction(x) for x in ("0.3048", "0.0254", "0.45359237", "9.80665"))
LBF_FT, LBF_IN = FOOT * POUND * G, INCH * POUND * G
TORQUES = {
    "the figure in N·m, read as lbf·ft": LBF_FT,
    "lbf·ft instead of N·m": 1 / LBF_FT,
    "lbf·in instead of N·m": 1 / LBF_IN,
    "N·m instead of lbf·in": LBF_IN,
    "lbf·ft instead of kgf·m": G / LBF_FT,
    "kgf·m instead of lbf·ft": LBF_FT / G,
    "N·m instead of kgf·m": G,
    "kgf·m instead of N·m": 1 / G,
    "kgf·cm instead of N·m": 100 / G,
    "N·m instead of kgf·cm": G / 100,
    "decimal point one place to the right": Fraction(10),
    "decimal point one place to the left": Fraction(1, 10),
}
GALLON, IMPERIAL = Fraction("3.785411784"), Fraction("4.54609")
LITRES = {
    "US gallons instead of litres": 1 / GALLON,
    "imperial gallons instead of litres": 1 / IMPERIAL,
    "litres instead of US gallons": GALLON,
    "litres instead of imperial gallons": IMPERIAL,
    "litres instead of US pints": GALLON / 8,
    "US pints instead of litres": 8 / GALLON,
    "litres instead of imperial pints": IMPERIAL / 8,
    "imperial pints instead of litres": 8 / IMPERIAL,
    "litres instead of imperial quarts": IMPERIAL / 4,
    "decimal point one place to the right": Fraction(10),
    "decimal point one place to the left": Fraction(1, 10),
    "decimal point two places to the right": Fraction(100),
    "millilitres instead of litres": Fraction(1000),
}


def named(ask: slips.Ask | None) -> dict[str, float]:
    return {} if ask is None else {slip.words: slip.meant for slip in ask.slips}


@pytest.mark.parametrize("off", [0.9701, 0.972, 1, 1.028, 1.0299])
def test_each_slip_fits_within_three_per_cent_of_its_factor(off: float) -> None:
    for known, ask in ((TORQUES, torque_question), (LITRES, litres_question)):
        for words, factor in known.items():
            typed = 30 * float(factor) * off
            found = named(ask(typed, 30, typed_text=f"{typed:.6f}"))  # type: ignore[operator]
            inside = abs(math.log(off)) <= math.log(1.03)
            assert (words in found) is (inside and _asked(typed, ask)), (words, off)
            if words in found:
                assert found[words] == pytest.approx(30 * off)


def _asked(typed: float, ask: object) -> bool:
    low = 0.9 if ask is torque_question else 0.85
    return not 30 * low <= typed <= 33


def test_no_slip_is_known_that_is_none() -> None:
    assert {words for _, words in slips.TORQUE_SLIPS} == set(TORQUES)
    assert {words for _, words in slips.LITRE_SLIPS} == set(LITRES)


@pytest.mark.parametrize(
    ("typed", "asked"),
    [(27, False), (26.9, True), (33, False), (33.1, True), (44, False), (44.1, True)],
)
def test_a_torque_stands_within_ten_per_cent_of_its_figure_or_range(
    typed: float, asked: bool
) -> None:
    top = 40.0 if typed > 40 else 30.0
    assert (torque_question(typed, 30, reference_max_nm=top) is not None) is asked
    if asked:
        text = torque_question(typed, 30, reference_max_nm=top).text  # type: ignore[union-attr]
        figure = "30 to 40 N·m" if top > 30 else "30 N·m"
        assert text == f"{typed:g} N·m, but the figure is {figure}. Is that right?"


def test_a_range_is_compared_at_the_end_that_is_nearer_by_its_ratio() -> None:
    # by hand: 300 is ten times the lower end, 400 ten times the upper; 0.1 of either below
    words = "decimal point one place to the right"
    assert named(torque_question(400, 30, reference_max_nm=40))[words] == pytest.approx(40)
    left = "decimal point one place to the left"
    assert named(torque_question(3, 30, reference_max_nm=40))[left] == pytest.approx(30)


@pytest.mark.parametrize(("top", "said"), [(40.6, False), (40.69, True)])
def test_a_range_wide_enough_to_hide_a_slip_says_so(top: float, said: bool) -> None:
    ask = torque_question(60, 30, reference_max_nm=top)  # 1.356 · 30 = 40.68
    assert ask is not None
    assert ("cannot be seen" in ask.text) is said


@pytest.mark.parametrize(
    ("typed_l", "already_l", "asked"),
    [(1.275, 0, False), (1.27, 0, True), (1.65, 0, False), (1.66, 0, True),
     (1.0, 0.5, False), (1.2, 0.5, True), (0.1, 1.175, False)],
)  # fmt: skip
def test_a_refill_is_judged_by_all_that_went_in(
    typed_l: float, already_l: float, asked: bool
) -> None:
    ask = litres_question(typed_l, 1.5, already_l=already_l)
    assert (ask is not None) is asked
    if ask is not None:
        in_all = f", {typed_l + already_l:g} L in all" if already_l else ""
        assert ask.text == (
            f"{typed_l:g} L{in_all}, but a service refill takes 1.5 L. Is that right?"
        )


def test_the_dry_fill_comes_first_within_the_same_shares() -> None:
    words = "the dry fill instead of the service refill"
    asked = {one: words in named(litres_question(one, 1.5, dry_fill_l=4.0))
             for one in (3.39, 3.4, 4.4, 4.41)}  # fmt: skip
    assert asked == {3.39: False, 3.4: True, 4.4: True, 4.41: False}
    ask = litres_question(4.0, 1.5, dry_fill_l=4.0)
    assert ask is not None
    assert (ask.slips[0].words, ask.slips[0].meant) == (words, 1.5)


@pytest.mark.parametrize("wrong", [0, -1, math.inf, math.nan])
def test_figures_are_numbers_above_nothing(wrong: float) -> None:
    for act in (
        lambda: torque_question(30, wrong),
        lambda: torque_question(wrong, 30),
        lambda: litres_question(wrong, 1.5),
        lambda: litres_question(1.5, wrong),
    ):
        with pytest.raises(ValueError, match="a number above 0"):
            act()
    with pytest.raises(ValueError, match="wrong way round"):
        torque_question(30, 30, reference_max_nm=29.9)
    assert torque_question(30, 30, reference_max_nm=30) is None


@pytest.mark.parametrize(
    ("text", "half", "of"),
    [
        *(
            ("7", 0.5, 7),
            ("7.0", 0.05, 7),
            ("7,25", 0.005, 7.25),
            (" 70 ", 0.5, 70),
            ("7e1", 5, 70),
        ),
        *(("29 lbf·ft", 0.5, 29), ("x", 0, 1), ("", 0, 1), ("0", 0, 1), (".", 0, 1)),
    ],
)
def test_a_number_is_known_to_half_of_its_last_digit(text: str, half: float, of: float) -> None:
    assert slips._half_last_digit_share(text) == pytest.approx(half / of)


# --- mistyped readings: what a scripted draw gives --------------------------------------------
class Script:
    """Draws as written, and notes from what they were to be drawn."""

    def __init__(self, *values: float) -> None:
        self.values, self.asked = list(values), []  # type: ignore[var-annotated]

    def integers(self, *span: int) -> float:
        self.asked.append(span)
        return self.values.pop(0)

    uniform = integers


@pytest.mark.parametrize(
    ("kind", "number", "unit", "drawn", "asked", "typed"),
    [
        ("digits_swapped", 1_123, 1.0, [1], [(2,)], 1_132),
        ("digits_swapped", 1_123, 1.0, [0], [(2,)], 1_213),
        ("digits_swapped", 777, 1.0, [], [], 777),
        ("wrong_digit", 1_293, 1.0, [2, 3], [(4,), (1, 10)], 1_223),
        ("miles_for_km", 16_093, 1.0, [], [], 10_000),
        ("miles_for_km", 10_000, 1.609344, [], [], 16_093),
        ("last_digit_lost", 1_239, 1.0, [], [], 123),
        ("leading_digit_lost", 4_239, 1.0, [], [], 239),
        ("extra_digit", 123, 1.0, [7], [(10,)], 1_237),
        ("rolled_back", 1_000, 1.0, [0.25], [(0.1, 0.4)], 750),
        ("noted_late", 1_000, 1.0, [60.0], [(20, 200)], 840),
        ("noted_late", 1_000, 1.609344, [160.9344], [(20, 200)], 800),
        ("noted_late", 1_000, 1.0, [950.0], [(20, 200)], 0),
        ("new_meter", 1_000, 1.0, [300.4], [(0, 400)], 300),
        ("jump", 1_000, 1.609344, [16_093.44], [(5_000, 200_000)], 11_000),
    ],
)
def test_each_fault_is_made_of_what_is_drawn(
    kind: str, number: int, unit: float, drawn: list[float], asked: list[tuple], typed: int
) -> None:
    script = Script(*drawn)
    assert FAULTS[kind](Given(number, 900, unit), script) == typed  # type: ignore[arg-type]
    assert script.asked == asked
