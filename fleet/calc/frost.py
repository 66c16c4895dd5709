"""How cold coolant must stay liquid, by the climate it lives in."""

MARGIN_C = 15.0  # single nights are colder than a month's mean daily minimum; our choice
WARMEST_C = -15.0  # thinner coolant also fails against rust and boiling; our choice


def target_c(coldest_c: float) -> float:
    """Give the warmest freeze point that will do [°C].

    Parameters
    ----------
    coldest_c
        Mean daily minimum of the coldest month [°C].
    """
    return min(coldest_c - MARGIN_C, WARMEST_C)
