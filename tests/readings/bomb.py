"""A workbook of ten megabytes that unpacks to ten gigabytes, made without unpacking it."""

import struct
import zipfile
import zlib
from pathlib import Path

from tests.readings.spreadsheets import write_xlsx

BLOCK = 100 << 20
SHEET = "xl/worksheets/sheet1.xml"


def write_bomb(path: Path, blocks: int) -> Path:
    """So many blocks of 100 MB of blanks in place of the sheet of a workbook."""
    with zipfile.ZipFile(write_xlsx(path.with_suffix(".small"), S=[["x"]])) as small:
        parts = {name: small.read(name) for name in small.namelist() if name != SHEET}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    with path.open("rb") as file:
        head = file.read()
    end = head.rindex(b"PK\x05\x06")
    (start,) = struct.unpack_from("<I", head, end + 16)
    with path.open("wb") as file:
        file.write(head[:start])
        at, packed = file.tell(), _packed(blocks)
        # zip application note 4.3.7, 4.3.12, 4.3.16: sizes as they are, modulo what 32 bits hold
        sizes = struct.pack("<III", 0, len(packed), blocks * BLOCK % (1 << 32))
        how = struct.pack("<HHHHH", 20, 0, zipfile.ZIP_DEFLATED, 0, 33) + sizes
        name = SHEET.encode()
        file.write(b"PK\x03\x04" + how + struct.pack("<HH", len(name), 0) + name + packed)
        directory = file.tell()
        file.write(head[start:end])
        file.write(b"PK\x01\x02" + struct.pack("<H", 20) + how)
        file.write(struct.pack("<HHHHHII", len(name), 0, 0, 0, 0, 0, at) + name)
        number, size = len(parts) + 1, file.tell() - directory
        file.write(
            b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, number, number, size, directory, 0)
        )
    return path


def _packed(blocks: int) -> bytes:
    """Blanks as raw deflate (RFC 1951): one block, byte-aligned behind a full flush, repeated."""
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    block = squeeze.compress(b" " * BLOCK) + squeeze.flush(zlib.Z_FULL_FLUSH)
    return block * blocks + squeeze.flush(zlib.Z_FINISH)
