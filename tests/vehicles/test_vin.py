"""The VIN check digit against the published examples of 49 CFR 565.15."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.vehicles.vin import check_digit, tidy, warning

VALID = [
    ("1M8GDM9AXKP042788", "X"),  # published worked example: sum 351
    ("1G4AH59H45G118341", "4"),  # 49 CFR 565.15's own sample, Table V: sum 411
    ("1J9RP1A36A1644345", "6"),  # NHTSA's guide: sum 314
    ("11111111111111111", "1"),  # the all-ones test: sum 89
    ("5GZCZ43D13S812715", "1"),  # published pair, first half: sum 408
]
WORKED = "1M8GDM9AXKP042788"
USED = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"


@pytest.mark.parametrize(("vin", "digit"), VALID)
def test_published_numbers_pass(vin: str, digit: str) -> None:
    assert check_digit(vin) == digit
    assert warning(vin) is None


def test_the_published_wrong_number_is_warned_about() -> None:
    # published pair, second half: S for 5 gives sum 384 and asks for X
    assert "should be X" in str(warning("SGZCZ43D13S812715"))


def test_a_warning_proves_nothing() -> None:
    # counted independently: 39 of the 512 single changes of the worked example pass
    changed = {
        WORKED[:place] + character + WORKED[place + 1 :]
        for place in range(17)
        for character in USED
    } - {WORKED}
    assert sum(warning(vin) is None for vin in changed if vin[8] == "X") == 39


def test_one_neighbouring_swap_of_thirteen_passes() -> None:
    # counted independently on the worked example
    swapped = {WORKED[:i] + WORKED[i + 1] + WORKED[i] + WORKED[i + 2 :] for i in range(16)}
    assert len(swapped - {WORKED}) == 15
    assert sum(warning(vin) is None for vin in swapped - {WORKED}) == 1


@pytest.mark.parametrize(
    ("vin", "says"),
    [
        ("1M8GDM9AXKP04278", "has 16"),
        ("1M8GDM9AXKPO42788", "never contains O"),
        ("1M8GDM9AXKP04278?", "never contains ?"),
        ("1M8GDM9A0KP042788", "should be X"),
    ],
)
def test_other_faults_are_named(vin: str, says: str) -> None:
    assert says in str(warning(vin))


def test_blanks_hyphens_and_small_letters_are_no_fault() -> None:
    assert tidy(" 1m8-gdm9ax kp042788 ") == WORKED
    assert warning(" 1m8-gdm9ax kp042788 ") is None


def test_a_missing_number_is_not_warned_about() -> None:
    assert warning("  ") is None


@given(st.text(max_size=20) | st.text(alphabet=USED, min_size=17, max_size=17))
def test_any_text_gets_an_answer(text: str) -> None:
    answer = warning(text)
    assert answer is None or answer.endswith(".")
