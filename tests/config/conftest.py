import pytest

from config import doctor


@pytest.fixture(autouse=True)
def _nobody_waits_for_a_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where none runs in a test; one that runs sets how long is waited for it."""
    monkeypatch.setattr(doctor, "ANSWER_WITHIN_S", 0.1)
