"""Uploads whose rows do not add up: no row of a file is lost, and none is counted twice."""

from collections import defaultdict
from collections.abc import Iterator

from django.db.models import Count

from fleet.readings.models import Upload, UploadRow

WAITING = UploadRow.Outcome.WAITING.value


def wrong() -> Iterator[str]:
    """Uploads taken in whose rows and totals differ, a sentence for each; two queries."""
    stored: dict[int, dict[str, int]] = defaultdict(dict)
    grouped = UploadRow.objects.order_by().values_list("upload", "outcome")
    for upload_id, outcome, number in grouped.annotate(Count("id")):
        stored[upload_id][str(outcome)] = number
    for upload in Upload.objects.filter(state=Upload.State.DONE).order_by("pk"):
        reason = _reason(upload, stored[upload.pk])
        if reason:
            yield f"Upload {upload.pk} ({upload.name}): {reason}."


def _reason(upload: Upload, stored: dict[str, int]) -> str:
    rows = sum(stored.values())
    if rows != upload.rows_total:
        return f"{upload.rows_total or 0:,} rows in the file, {rows:,} stored"
    if WAITING in stored:
        return f"{stored[WAITING]:,} rows have no outcome"
    counted = {outcome: number for outcome, number in upload.counts.items() if number}
    if counted != stored:
        return f"its totals say {_words(counted)}, its rows {_words(stored)}"
    return ""


def _words(counts: dict[str, int]) -> str:
    return ", ".join(f"{number:,} {outcome}" for outcome, number in sorted(counts.items()))
