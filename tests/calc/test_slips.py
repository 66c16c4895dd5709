import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.slips import Ask, litres_question, torque_question


def words(ask: Ask | None) -> list[str]:
    assert ask is not None
    return [slip.words for slip in ask.slips]


def test_a_drain_plug_of_29_lbf_ft_recorded_as_newton_metres_is_named() -> None:
    # worked example, common practice, no source: 29 lbf·ft is 39.31872 N·m
    ask = torque_question(29, 39.31872, stated_unit="lbf·ft", typed_text="29")
    assert words(ask)[0] == "lbf·ft instead of N·m"


@pytest.mark.parametrize(
    ("typed_nm", "slip"),
    [
        # ratios from NIST SP 811 (2008) factors, worked by hand on a reference of 35 N·m
        (47.45, "the figure in N·m, read as lbf·ft"),
        (343.2, "N·m instead of kgf·m"),
        (25.81, "lbf·ft instead of N·m"),
        (309.8, "lbf·in instead of N·m"),
        (3.955, "N·m instead of lbf·in"),
        (3.569, "kgf·m instead of N·m"),
        (356.9, "kgf·cm instead of N·m"),
        (3.432, "N·m instead of kgf·cm"),
        (253.2, "lbf·ft instead of kgf·m"),
        (4.839, "kgf·m instead of lbf·ft"),
    ],
)
def test_every_slip_of_unit_is_named(typed_nm: float, slip: str) -> None:
    assert slip in words(torque_question(typed_nm, 35))


def test_three_slips_fit_near_ten_and_all_are_named_nearest_first() -> None:
    # 10, 9.80665 and 10.19716 lie within 3 % of 10
    assert words(torque_question(350, 35)) == [
        "decimal point one place to the right",
        "N·m instead of kgf·m",
        "kgf·cm instead of N·m",
    ]


@pytest.mark.parametrize("typed_nm", [31.5, 36, 38.5])
def test_within_ten_per_cent_nothing_is_asked(typed_nm: float) -> None:
    assert torque_question(typed_nm, 35) is None


@pytest.mark.parametrize("typed_nm", [31.4, 38.6])
def test_just_outside_ten_per_cent_it_asks(typed_nm: float) -> None:
    assert torque_question(typed_nm, 35) is not None


def test_a_step_may_state_its_own_tolerance() -> None:
    assert torque_question(36, 35, tolerance=0.02) is not None
    assert torque_question(42, 35, tolerance=0.25) is None


def test_twelvefold_slips_are_named_only_where_the_figure_knows_inches() -> None:
    # 35 × 12 = 420
    assert "lbf·in instead of lbf·ft" in words(torque_question(420, 35, stated_unit="lbf·ft"))
    assert "lbf·in instead of lbf·ft" not in words(torque_question(420, 35))


def test_a_range_is_compared_at_its_nearer_end() -> None:
    assert torque_question(44, 30, reference_max_nm=40) is None
    assert torque_question(45, 30, reference_max_nm=40) is not None
    # 40 × 1.3558 = 54.2
    assert words(torque_question(54.2, 30, reference_max_nm=40))[0].endswith("read as lbf·ft")


def test_a_wide_range_says_what_cannot_be_seen() -> None:
    wide = torque_question(60, 30, reference_max_nm=41)
    narrow = torque_question(60, 30, reference_max_nm=40)
    assert wide is not None
    assert narrow is not None
    assert ("cannot be seen" in wide.text, "cannot be seen" in narrow.text) == (True, False)


def test_a_coarsely_typed_value_leaves_more_room() -> None:
    # 7 lbf·ft for 9.8 N·m: 7.23 rounded to a whole number, 3.2 % off, within half a digit
    assert "lbf·ft instead of N·m" in words(torque_question(7, 9.8, typed_text="7"))
    assert "lbf·ft instead of N·m" not in words(torque_question(7, 9.8, typed_text="7.00"))


def test_what_fits_no_slip_is_asked_all_the_same() -> None:
    assert words(torque_question(100, 35)) == []


@pytest.mark.parametrize("typed", [0, -3, float("nan"), float("inf")])
def test_no_torque_at_all_is_refused(typed: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        torque_question(typed, 35)


def test_a_range_the_wrong_way_round_is_refused() -> None:
    with pytest.raises(ValueError, match="wrong way round"):
        torque_question(30, 40, reference_max_nm=30)


@given(st.floats(1, 500), st.floats(0.9001, 1.0999))
def test_nothing_inside_the_tolerance_is_ever_asked(reference_nm: float, ratio: float) -> None:
    assert torque_question(reference_nm * ratio, reference_nm) is None


@pytest.mark.parametrize(
    ("typed_l", "slip"),
    [
        # quarts, pints and gallons by NIST SP 811 (2008), worked by hand on a refill of 1.5 L
        (0.396, "US gallons instead of litres"),
        (0.330, "imperial gallons instead of litres"),
        (5.678, "litres instead of US gallons"),
        (6.819, "litres instead of imperial gallons"),
        (3.170, "US pints instead of litres"),
        (2.640, "imperial pints instead of litres"),
        (0.710, "litres instead of US pints"),
        (0.852, "litres instead of imperial pints"),
        (1.705, "litres instead of imperial quarts"),
        (15, "decimal point one place to the right"),
        (0.15, "decimal point one place to the left"),
        (150, "decimal point two places to the right"),
        (1500, "millilitres instead of litres"),
    ],
)
def test_every_slip_of_quantity_is_named(typed_l: float, slip: str) -> None:
    assert slip in words(litres_question(typed_l, 1.5))


def test_the_dry_fill_is_asked_first() -> None:
    ask = litres_question(2.2, 1.5, dry_fill_l=2.2)
    assert words(ask)[0] == "the dry fill instead of the service refill"
    assert ask is not None
    assert ask.slips[0].meant == 1.5


@pytest.mark.parametrize("typed_l", [1.275, 1.5, 1.65])
def test_a_normal_refill_is_not_asked_about(typed_l: float) -> None:
    assert litres_question(typed_l, 1.5) is None


@pytest.mark.parametrize("typed_l", [1.27, 1.66])
def test_less_than_85_or_more_than_110_per_cent_is_asked_about(typed_l: float) -> None:
    assert litres_question(typed_l, 1.5) is not None


def test_a_us_quart_cannot_be_told_from_a_litre() -> None:
    # 1.5 L typed as 1.585 US quarts: 5.7 % more, inside the tolerance
    assert litres_question(1.585, 1.5) is None


def test_how_finely_a_torque_was_typed_is_read_in_its_own_unit() -> None:
    """By hand: 4 kgf·m are 39.2266 N·m, 7.2 % beyond 1.3558 times 27. Half a unit of a typed 4 is
    an eighth of it, of a typed 4.00 an eighth of a hundredth."""
    slip = "the figure in N·m, read as lbf·ft"
    assert slip in words(torque_question(39.2266, 27, typed_text="4 kgf·m"))
    assert slip not in words(torque_question(39.2266, 27, typed_text="4.00 kgf·m"))
