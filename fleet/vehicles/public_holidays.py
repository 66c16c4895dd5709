"""Public holidays of a country or region, by the library ``holidays`` (MIT)."""

from datetime import date
from functools import cache

from django.core.exceptions import ValidationError

ENGLISH = ("en_US", "en_GB", "en")


def known_place(where: str) -> None:
    """Refuse a country or region that the library does not know, with those it does."""
    country, _, region = where.partition("-")
    countries = _places()
    if country not in countries:
        raise ValidationError(
            f"'{where}' is no country that public holidays are known of: write two letters as "
            "ISO 3166 does, e.g. PT, or PT-20 with a region."
        )
    if region and region not in countries[country]:
        known = ", ".join(f"{country}-{one}" for one in countries[country]) or "none"
        raise ValidationError(f"'{where}' is no region of {country}; known: {known}.")


@cache
def public_holidays(where: str, first_year: int, last_year: int) -> dict[date, str]:
    """Names of public holidays by day; nothing for a place that is not known (any more)."""
    import holidays  # not before it is needed: it takes a moment

    country, _, region = where.partition("-")
    if not where or country not in _places() or region and region not in _places()[country]:
        return {}
    found = holidays.country_holidays(
        country,
        subdiv=region or None,
        years=range(first_year, last_year + 1),
        language=_english(country),
    )
    return dict(sorted(found.items()))


@cache
def _places() -> dict[str, list[str]]:
    import holidays

    return holidays.list_supported_countries(include_aliases=False)


def _english(country: str) -> str | None:
    import holidays

    spoken = holidays.list_localized_countries().get(country, [])
    return next((one for one in ENGLISH if one in spoken), None)
