"""Photos from the bay: type and size checked, encoded anew, kept below the files folder."""

import uuid
import warnings
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from django.conf import settings
from django.db import transaction
from django.db.models import Q, QuerySet
from PIL import Image, ImageOps, UnidentifiedImageError

from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.vehicles.find import Depots
from fleet.workorders.keys import known
from fleet.workorders.models import Finding, Photo, WorkOrder
from fleet.workorders.recording import order_to_record

MOST_BYTES = 15 * 2**20  # our choice
MOST_PIXELS = 60_000_000  # a larger one is no photo of a phone; our choice
MOST_OF_VEHICLE = 12  # shown at once; our choice
LONGEST_SIDE_PX = 2048  # enough to see a thread; our choice
TOO_MANY = "The photo has too many pixels: send a smaller one."
FORMATS = ("JPEG", "PNG", "WEBP")
QUALITY = 82


def add(
    actor: Actor,
    data: bytes | Image.Image,
    *,
    client_key: str,
    order: WorkOrder | None = None,
    finding: Finding | None = None,
    caption: str = "",
) -> Photo:
    """Keep a photo of an order or a finding, once per key.

    The picture is decoded and encoded anew, so that nothing but its pixels is kept: no place, no
    camera, no hidden payload. Decoding takes long: a caller within a transaction does it before.

    Raises
    ------
    Fault
        Not a photo, too large, or the order takes no more records.
    """
    row: Photo | None = known(Photo.objects, client_key, order=order, finding=finding)
    if row is not None:
        return row
    picture = decoded(data) if isinstance(data, bytes) else data
    with transaction.atomic():
        _must(actor, order, finding)
        return _keep(actor, picture, client_key, order, finding, caption)


def _keep(
    actor: Actor,
    picture: Image.Image,
    client_key: str,
    order: WorkOrder | None,
    finding: Finding | None,
    caption: str,
) -> Photo:
    path = _write(picture)
    given = {
        "person": actor.person,
        "channel": actor.channel,
        "performed_at": actor.at,
        "order": order,
        "finding": finding,
        "path": path,
        "width_px": picture.width,
        "height_px": picture.height,
        "caption": caption.strip(),
    }
    photo, new = Photo.objects.get_or_create(client_key=client_key, defaults=given)
    if not new:  # the same photo, sent twice at once
        (Path(settings.MEDIA_ROOT) / path).unlink()
    return photo


def standing() -> QuerySet[Photo]:
    """Photos that nobody has taken back."""
    return Photo.objects.filter(withdrawn_by=None)


def at_depots(depots: Depots) -> QuerySet[Photo]:
    """Photos of orders of some depots, and of findings on their vehicles."""
    mine = Q(order__depot__in=depots) | Q(finding__vehicle__depot__in=depots)
    return Photo.objects.filter(mine).distinct()


def of_order(order: WorkOrder) -> QuerySet[Photo]:
    """Those of an order and of its findings."""
    return standing().filter(Q(order=order) | Q(finding__order=order))


@prepared
def newest_of(vehicle_id: int) -> Rows:
    """Those of a vehicle's orders and findings, the newest of them first."""
    rows = standing().filter(Q(order__vehicle=vehicle_id) | Q(finding__vehicle=vehicle_id))
    return rows.order_by("-pk")[:MOST_OF_VEHICLE]


@dataclass(frozen=True)
class OfOrder:
    """The photos of an order, by what they show."""

    by_finding: dict[int, list[Photo]]
    without_finding: list[Photo]
    own: list[Photo]  # put on the order itself, whether or not they show a finding
    withdrawn: list[Photo]  # taken back: there is no picture any more


@reader
def told_apart(order: WorkOrder) -> Read[OfOrder]:
    """The photos of an order and of its findings; one query."""
    rows = _of_order(order.pk)
    yield [rows]
    stand = [row for row in rows if row.withdrawn_by_id is None]
    return OfOrder(
        _by_finding(row for row in stand if row.finding and row.finding.order_id == order.pk),
        [row for row in stand if row.finding_id is None],
        [row for row in stand if row.order_id == order.pk],
        [row for row in rows if row.withdrawn_by_id is not None and row.order_id == order.pk],
    )


@prepared
def _of_order(order_id: int) -> Rows:
    mine = Photo.objects.filter(Q(order=order_id) | Q(finding__order=order_id)).order_by("pk")
    return mine.select_related("person", "withdrawn_by", "finding")


def _must(actor: Actor, order: WorkOrder | None, finding: Finding | None) -> None:
    if order is not None:
        order_to_record(actor, order.pk, cancelled_too=True)
    elif finding is not None:
        actor.must(Right.REPORT_FINDING, finding.vehicle.depot_id)
    else:
        raise Fault("Say which order or finding the photo belongs to.")


def decoded(data: bytes) -> Image.Image:
    """A photo's pixels, upright and no larger than needed.

    Raises
    ------
    Fault
        Not a photo, or too large.
    """
    if len(data) > MOST_BYTES:
        most_mb = MOST_BYTES // 2**20
        raise Fault(f"The photo has more than {most_mb} MB: send a smaller one.", about="photo")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(BytesIO(data), formats=FORMATS)
            if picture.width * picture.height > MOST_PIXELS:
                raise Fault(TOO_MANY, about="photo")
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise Fault(TOO_MANY, about="photo") from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        raise Fault(
            "That is no photo this program can read: send a JPEG, PNG or WebP.", about="photo"
        ) from None
    upright.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    return upright


def _write(picture: Image.Image) -> str:
    name = uuid.uuid4().hex
    path = Path("photos") / name[:2] / f"{name}.jpg"
    target = Path(settings.MEDIA_ROOT) / path
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    # in memory first: on a full disk an encoder leaves half a file and says nothing
    encoded = BytesIO()
    picture.save(encoded, "JPEG", quality=QUALITY, optimize=True)
    try:
        target.write_bytes(encoded.getvalue())
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    return path.as_posix()


@reader
def of_findings(finding_ids: Collection[int]) -> Read[dict[int, list[Photo]]]:
    """Photos of some findings that were not taken back, oldest first."""
    rows = _of_findings(finding_ids)
    yield [rows]
    return _by_finding(rows)


@prepared
def _of_findings(finding_ids: Ids) -> Rows:
    return standing().filter(finding__in=finding_ids).order_by("pk")


def _by_finding(rows: Iterable[Photo]) -> dict[int, list[Photo]]:
    found: dict[int, list[Photo]] = {}
    for row in rows:
        found.setdefault(row.finding_id or 0, []).append(row)
    return found
