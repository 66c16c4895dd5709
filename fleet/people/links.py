"""Single-use sign-in links for the people of a demo, who have no passwords."""

from datetime import timedelta
from hashlib import sha256
from ipaddress import IPv6Address, ip_address
from secrets import token_urlsafe

from django.conf import settings
from django.utils import timezone

from fleet.people.models import Person, SignInLink

PATH = "/sign-in/link/"


def issue(person: Person, hours: int = 12) -> str:
    """The path of a new link that signs this person in once, within so many hours."""
    now = timezone.now()
    SignInLink.objects.filter(expires_at__lte=now).delete()
    secret = token_urlsafe(32)
    SignInLink.objects.create(
        person=person, digest=_digest(secret), expires_at=now + timedelta(hours=hours)
    )
    return PATH + secret


def redeem(secret: str, remote_address: str) -> Person | None:
    """The person a link signs in, or None: it works once, on this machine, in a demo only."""
    if not _from_this_machine(remote_address) or not (settings.DATA_DIR / "demo").exists():
        return None
    now = timezone.now()
    # only columns of the link itself: a joined condition would not be looked at again by a
    # second request that waited for the first, and both would win
    unused = SignInLink.objects.filter(
        digest=_digest(secret), used_at__isnull=True, expires_at__gt=now
    )
    if unused.update(used_at=now) != 1:
        return None
    return Person.objects.filter(links__digest=_digest(secret), is_active=True).first()


def _digest(secret: str) -> str:
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def _from_this_machine(remote_address: str) -> bool:
    try:
        address = ip_address(remote_address)
    except ValueError:
        return False
    if isinstance(address, IPv6Address) and address.ipv4_mapped:
        return address.ipv4_mapped.is_loopback
    return address.is_loopback
