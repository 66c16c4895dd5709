"""Static files straight out of the packages, compressed once and kept in the data folder.

Both ways to run serve them through this, so that nothing has to be collected first. A compressed
copy is named after what it is a copy of: another version of a file is another copy.
"""

import gzip
import os
from collections.abc import MutableMapping
from hashlib import sha256
from pathlib import Path
from tempfile import NamedTemporaryFile
from wsgiref.headers import Headers

from django.conf import settings
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware
from whitenoise.middleware import WhiteNoiseMiddleware
from whitenoise.responders import StaticFile

ENDINGS = {".css", ".js", ".svg"}
LEAST_BYTES = 1_000  # below that nothing is won; our choice
FOLDER = "compressed"

StatCache = MutableMapping[str, os.stat_result]


class CompressedFiles(WhiteNoiseMiddleware):  # type: ignore[misc]
    """Offers a compressed copy to every browser that takes one."""

    def get_static_file(
        self, path: str, url: str, stat_cache: StatCache | None = None
    ) -> StaticFile:
        copy = compressed(Path(path))
        if copy is None:
            return super().get_static_file(path, url, stat_cache)
        headers = Headers([])
        self.add_mime_headers(headers, path, url)
        self.add_cache_headers(headers, path, url)
        stats = {path: Path(path).stat(), str(copy): copy.stat()}
        return StaticFile(path, headers.items(), stat_cache=stats, encodings={"gzip": str(copy)})


class CompressedPages(GZipMiddleware):
    """Compresses pages only: a tag that names the version of a row stays as it is."""

    def process_response(
        self, request: HttpRequest, response: HttpResponseBase
    ) -> HttpResponseBase:
        is_page = response.headers.get("Content-Type", "").startswith("text/html")
        return super().process_response(request, response) if is_page else response


def compressed(path: Path) -> Path | None:
    """The compressed copy of a file, made when there is none yet; None: it is sent as it is."""
    if path.suffix not in ENDINGS:
        return None
    about = path.stat()
    if about.st_size < LEAST_BYTES:
        return None
    name = sha256(f"{path} {about.st_mtime_ns} {about.st_size}".encode()).hexdigest()[:32]
    copy = settings.DATA_DIR / FOLDER / f"{name}.gz"
    try:
        if not copy.exists():
            _write(copy, gzip.compress(path.read_bytes(), mtime=0))
    except OSError:  # a full or foreign folder: the file itself goes out
        return None
    return Path(copy)


def _write(copy: Path, content: bytes) -> None:
    """All of it or nothing, whoever else writes the same meanwhile."""
    copy.parent.mkdir(exist_ok=True, mode=0o700)
    with NamedTemporaryFile(dir=copy.parent, delete=False) as kept:
        kept.write(content)
    Path(kept.name).replace(copy)
