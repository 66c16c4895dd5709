import threading
from datetime import date

import pytest
from django.db import connection

from fleet.runs import ledger
from fleet.runs.models import Run


@pytest.mark.django_db(transaction=True)
def test_of_eight_processes_that_claim_at_once_one_wins() -> None:
    ledger.ask_for("night", date(2026, 1, 1))
    start, won = threading.Barrier(8), []

    def claim() -> None:
        start.wait()
        won.append(ledger.claim("night", date(2026, 1, 1)))
        connection.close()

    threads = [threading.Thread(target=claim) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len([run for run in won if run]) == 1
    assert Run.objects.get().attempts == 1
