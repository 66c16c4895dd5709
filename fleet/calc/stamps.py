"""Stamps: one 64-bit number per row that changes when any of the row's columns does."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

GOLDEN = np.uint64(0x9E3779B97F4A7C15)  # 2^64 divided by the golden ratio, made odd


def stamp(*columns: ArrayLike) -> NDArray[np.int64]:
    """
    Hash rows of numbers, column by column.

    Parameters
    ----------
    *columns : array_like, shape (n,)
        Numbers, truth values or dates; NaN and NaT count as one value each, -0.0 as 0.0.

    Returns
    -------
    ndarray of int64, shape (n,)
        Equal for equal rows on every machine. Two unlike rows share a stamp with a chance of
        about 2**-64.

    Notes
    -----
    The finisher is SplitMix64 (Steele, Lea and Flood, *Fast splittable pseudorandom number
    generators*, OOPSLA 2014), applied after each column, so that order matters.
    """
    mixed: NDArray[np.uint64] = np.asarray(len(columns), dtype=np.uint64)
    with np.errstate(over="ignore"):
        for column in columns:
            mixed = _finish((_bits(np.asarray(column)) ^ mixed) + GOLDEN)
    return mixed.view(np.int64)


def stamp_text(text: str) -> int:
    """Hash a text, e.g. the rules of a vehicle type, into the same 64 bits."""
    return int(stamp_texts([text])[0])


def stamp_texts(texts: Sequence[str]) -> NDArray[np.int64]:
    """Hash each of several texts."""
    encoded = [text.encode() for text in texts]
    size = np.array([len(one) for one in encoded], dtype=np.int64)
    begin = np.cumsum(size) - size
    data = np.frombuffer(b"".join(encoded), dtype=np.uint8).astype(np.float64)
    each = stamp(data, np.arange(data.size, dtype=np.float64) - np.repeat(begin, size))
    total = np.zeros(len(texts), dtype=np.int64)
    filled = np.flatnonzero(size)  # of an empty one nothing is added up
    if filled.size:
        total[filled] = np.bitwise_xor.reduceat(each, begin[filled])
    return stamp(total)


def digest(thing: Any) -> int:
    """
    Hash a whole input, e.g. all arrays that a forecast rests on, into 64 bits.

    Parameters
    ----------
    thing : object
        Arrays, dataclasses, mappings, lists and tuples, however they lie in each other; what is
        none of these counts by its ``repr``.

    Returns
    -------
    int
        Equal for equal inputs; two unlike inputs share it with a chance of about 2**-64.
    """
    found = blake2b(digest_size=8)
    _feed(found, thing)
    return int.from_bytes(found.digest(), "big", signed=True)


def _feed(found: blake2b, thing: Any) -> None:
    if isinstance(thing, np.ndarray) and thing.dtype != object:
        found.update(f"{thing.dtype.str}{thing.shape}".encode())
        found.update(np.ascontiguousarray(thing).tobytes())
        return
    parts: list[Any] | None = None
    if is_dataclass(thing):
        parts = [getattr(thing, one.name) for one in fields(thing)]
    elif isinstance(thing, Mapping):
        parts = sorted(thing.items())
    elif isinstance(thing, (list, tuple, np.ndarray)):
        parts = list(thing)
    if parts is None:
        found.update(f"{thing!r};".encode())
        return
    found.update(f"({len(parts)}".encode())  # where it ends, so that nothing slips over
    for part in parts:
        _feed(found, part)


def _bits(column: NDArray[Any]) -> NDArray[np.uint64]:
    if column.dtype.kind in "iub":
        return column.astype(np.int64).view(np.uint64)
    if column.dtype.kind == "M":
        return column.astype("M8[s]").view(np.int64).view(np.uint64)
    plain = column.astype(np.float64) + 0.0
    return np.where(np.isnan(plain), np.nan, plain).view(np.uint64)


def _finish(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return bits ^ (bits >> np.uint64(31))
