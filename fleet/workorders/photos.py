"""Photos from the bay: type and size checked, encoded anew, kept below the files folder."""

import uuid
import warnings
from io import BytesIO
from pathlib import Path

from django.conf import settings
from django.db import transaction
from PIL import Image, ImageOps, UnidentifiedImageError

from fleet.faults import Fault
from fleet.people.roles import Right
from fleet.workorders.actor import Actor
from fleet.workorders.keys import known
from fleet.workorders.models import Finding, Photo, WorkOrder
from fleet.workorders.recording import open_order

MOST_BYTES = 15 * 2**20
MOST_PIXELS = 60_000_000  # a larger one is no photo of a phone
LONGEST_SIDE_PX = 2048  # enough to see a thread; our choice
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


def _must(actor: Actor, order: WorkOrder | None, finding: Finding | None) -> None:
    if order is not None:
        open_order(actor, order.pk)
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
                raise Fault("The photo has too many pixels: send a smaller one.", about="photo")
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombWarning):
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
    picture.save(target, "JPEG", quality=QUALITY, optimize=True)
    return path.as_posix()
