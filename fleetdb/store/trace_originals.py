"""Originals of traces: kept byte for byte, compressed, and proved by digest on the way out."""

from __future__ import annotations

import hashlib

import pyarrow as pa

from fleetdb.errors import FleetDbError

_CODEC = "zstd"


class DamagedOriginalError(FleetDbError):
    """Raised when a stored original is not what was received."""


def sha256_of(content: bytes) -> str:
    """Return the SHA-256 of ``content`` in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def compressed(content: bytes) -> bytes:
    """Return ``content`` as it is stored."""
    return pa.compress(content, codec=_CODEC, asbytes=True)


def restored(stored: bytes, size_bytes: int, sha256: str) -> bytes:
    """Return the original that ``compressed`` gave ``stored`` for.

    Raises
    ------
    DamagedOriginalError
        It cannot be unpacked, or its size or digest is not the one noted at receipt.
    """
    try:
        content = pa.decompress(stored, decompressed_size=size_bytes, codec=_CODEC, asbytes=True)
    except (pa.ArrowException, OSError) as error:
        raise DamagedOriginalError(f"an original cannot be unpacked: {error}") from error
    if len(content) != size_bytes or sha256_of(content) != sha256:
        raise DamagedOriginalError("an original does not have the digest noted at its receipt")
    return content
