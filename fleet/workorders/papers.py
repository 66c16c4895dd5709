"""Papers of an outside workshop: type and size checked, kept below the files folder."""

import re
import uuid
from pathlib import Path

from django.conf import settings

from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.workorders import photos
from fleet.workorders.models import WorkOrder
from fleet.workorders.progress import edit

MOST_BYTES = photos.MOST_BYTES
PDF_MARK = b"%PDF-"  # ISO 32000-1, 7.5.2: a file begins with its header
OURS = re.compile(r"papers/[0-9a-f]{2}/[0-9a-f]{32}\.(pdf|jpg)")
TYPES = {"pdf": "application/pdf", "jpg": "image/jpeg"}
ENTERED = (WorkOrder.State.FINISHED, WorkOrder.State.SIGNED_OFF)


def keep(data: bytes) -> str:
    """Keep a PDF or a photo of papers, and say where: a path below the files folder.

    A photo is encoded anew like any other; a PDF is kept as it came, and handed out to be saved,
    never shown inside a page.

    Raises
    ------
    Fault
        Empty, too large, or neither a PDF nor a photo.
    """
    if not data:
        raise Fault("The document is empty: choose the file again.")
    if len(data) > MOST_BYTES:
        raise Fault(f"The document has more than {MOST_BYTES // 2**20} MB: send a smaller one.")
    if data.startswith(PDF_MARK):
        path = _new_path("pdf")
        _target(path).write_bytes(data)
        return path
    try:
        picture = photos.decoded(data)
    except Fault as fault:
        if str(fault) == photos.TOO_MANY:
            raise
        raise Fault("That document is none this program keeps: send a PDF or a photo.") from None
    path = _new_path("jpg")
    picture.save(_target(path), "JPEG", quality=photos.QUALITY, optimize=True)
    return path


def _new_path(ending: str) -> str:
    name = uuid.uuid4().hex
    return f"papers/{name[:2]}/{name}.{ending}"


def _target(path: str) -> Path:
    target = Path(settings.MEDIA_ROOT) / path
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    return target


def attach(actor: Actor, order_id: int, data: bytes, *, version: int | None = None) -> WorkOrder:
    """Add papers that came later to an order of an outside workshop, or newer ones.

    Raises
    ------
    Fault
        Not a document, or an order that was done in one's own workshop.
    """
    if WorkOrder.objects.filter(pk=order_id, where=WorkOrder.Where.OWN).exists():
        raise Fault("Papers belong to work of an outside workshop; add a photo to your own.")
    path = keep(data)
    try:
        return edit(
            actor, order_id, "add papers", Right.RELEASE, version, states=ENTERED, document=path
        )
    except Fault:
        discard(path)
        raise


def discard(path: str) -> None:
    """Remove a document that was kept a moment ago, since what it belongs to was refused."""
    if OURS.fullmatch(path):
        (Path(settings.MEDIA_ROOT) / path).unlink(missing_ok=True)


def kept(order: WorkOrder) -> tuple[Path, str] | None:
    """The file of an order's papers with its type; None where only words say where they are."""
    if not OURS.fullmatch(order.document):
        return None
    path = Path(settings.MEDIA_ROOT) / order.document
    return (path, TYPES[path.suffix[1:]]) if path.is_file() else None
