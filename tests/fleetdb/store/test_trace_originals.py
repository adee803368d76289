from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.store.trace_originals import DamagedOriginalError, compressed, restored, sha256_of


@given(st.binary(max_size=5_000))
def test_what_is_kept_comes_back_byte_for_byte(content: bytes) -> None:
    assert restored(compressed(content), len(content), sha256_of(content)) == content


def test_the_digest_is_sha256() -> None:
    # FIPS 180-2, the one-block example "abc" [memory].
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(b"abc") == expected


@given(st.binary(min_size=1, max_size=500), st.data())
def test_damage_is_never_given_out(content: bytes, data: st.DataObject) -> None:
    stored = bytearray(compressed(content))
    at = data.draw(st.integers(0, len(stored) - 1))
    stored[at] ^= data.draw(st.integers(1, 255))

    try:
        got = restored(bytes(stored), len(content), sha256_of(content))
    except DamagedOriginalError:
        return
    assert got == content


def test_a_wrong_size_or_digest_is_damage() -> None:
    for size, digest in ((4, sha256_of(b"abc")), (3, sha256_of(b"abd"))):
        with pytest.raises(DamagedOriginalError):
            restored(compressed(b"abc"), size, digest)
