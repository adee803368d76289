"""Compressed content, unpacked within bounds."""

from __future__ import annotations

import pyarrow as pa

from fleetdb.errors import InvalidInputError

# Three million samples of five columns, twelve characters each, and some to spare.
MOST_BYTES = 256 * 1024 * 1024
_CODEC_OF_MAGIC = {b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd"}
_CHUNK_BYTES = 1 << 20


def unpacked(content: bytes) -> bytes:
    """Return the content, unpacked if it is gzip or Zstandard.

    Raises
    ------
    InvalidInputError
        It is damaged, or more than ``MOST_BYTES`` once unpacked: no more than that is ever held.
    """
    for magic, codec in _CODEC_OF_MAGIC.items():
        if content.startswith(magic):
            return _unpacked(content, codec)
    if len(content) > MOST_BYTES:
        _too_large()
    return content


def _unpacked(content: bytes, codec: str) -> bytes:
    parts: list[bytes] = []
    n_bytes = 0
    try:
        with pa.CompressedInputStream(pa.BufferReader(content), codec) as stream:
            while part := stream.read(_CHUNK_BYTES):
                n_bytes += len(part)
                if n_bytes > MOST_BYTES:
                    _too_large()
                parts.append(part)
    except (pa.ArrowException, OSError) as error:
        raise InvalidInputError.at("", f"damaged {codec} content: {error}") from None
    return b"".join(parts)


def _too_large() -> None:
    raise InvalidInputError.at("", f"more than {MOST_BYTES >> 20} MiB once unpacked")
