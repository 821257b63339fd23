"""Our digests against values that others published (STANDARDS sections 1.7 and 6).

Sources: xxHash repository, ``cli/xsum_sanity_check.c`` (commit b2e9dbb); BLAKE3 repository,
``test_vectors.json`` (commit 77b257e); RFC 1321 and FIPS 180-4 examples (from memory, verified);
C4 as restated by its author ("alfa", "hello, world!"); the rest derived there by the same rules.
"""

import hashlib

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.c4 import decode_c4, encode_c4
from backupkeeper.core.errors import HostileInputError, UsageError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.transfer.hashing import FURTHER_DIGESTS, Hasher, ReadHasher

XXH128 = {
    0: "99aa06d3014798d86001c324468d497f",
    1: "a6cd5e9392000f6ac44bdff4074eecdb",
    6: "082afe0b8162d12a3e7039bdda43cfc6",
    222: "337e09641b948717f1aebd597cec6b3a",
    403: "1b6de21e332dd73dcdeb804d65c6dea4",
    2367: "e89c0f6ff369b427cb37aeb9e5d361ed",
}
XXH3 = {
    0: "2d06800538d394c2",
    1: "c44bdff4074eecdb",
    6: "27b56a84cd2d7325",
    403: "cdeb804d65c6dea4",
    2367: "cb37aeb9e5d361ed",
}
XXH64 = {0: "ef46db3751d8e999", 1: "e934a84adb052768", 222: "b641ae8cb691c174"}
BLAKE3 = {
    0: "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
    1024: "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7",
    1025: "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444",
    102400: "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085",
}
C4 = {
    b"": "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT",
    b"alfa": "c43zYcLni5LF9rR4Lg4B8h3Jp8SBwjcnyyeh4bc6gTPHndKuKdjUWx1kJPYhZxYt3zV6tQXpDs2shPsPYjgG81wZM1",
    b"hello, world!": "c43AQnB9bDGEwZSsxT1HwhHrCYXDoTrr4hmAJypFwxhTVngqUhVJwQtmJpcmb4Mq9Y6249ZzqNtWRZ8CE2gGSPRc6F",
    b"foo": "c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2",
}
C4_OF_ALL_ONES = (
    "c467rpwLCuS5DGA8KGZXKsVQ7dnPb9goRLoKfgGbLfQg9WoLUgNY77E2jT11fem3coV9nAkguBACzrU1iyZM4B8roQ"
)
C4_THAT_DECODES_TO_ANOTHER_DIGEST = (
    "c43inc2qGhSWQUMRvDMW6GAjJnRFY5sxq399wcUcWLTuPai84A2QWTfYu1gAW8f5FmZFGeYpLsSPyrSUh9Ao3J68Cc"
)
"""Printed for ``foo`` by the algorithm's author, and wrong (STANDARDS section 1.7, trap)."""
ABCD = {
    "xxh64": "0ea03b369a463d9d",
    "xxh3": "5c6d5318a0809172",
    "md5": "f5ac8127b3b6b85cdc13f237c6005d80",
    "sha1": "3330b4373640f9e4604991e73c7e86bfd8da2dc3",
    "c4": "c43LpzjA4DGCZ4Y3HbXsL7TLfaCY7wTCC27X7KAirGFcKTg7f4B8aKx7qiLitCaf9wgpLJL6QQjfdKH4dMrk2z5SRG",
}


def xxhash_input(length: int) -> bytes:
    """The first bytes of xxHash's own test stream."""
    state, made = 2654435761, bytearray()
    for _ in range(length):
        made.append(state >> 56)
        state = state * 11400714785074694797 % 2**64
    return bytes(made)


def blake3_input(length: int) -> bytes:
    return bytes(at % 251 for at in range(length))


def digests(data: bytes, *pieces: int) -> Hasher:
    hasher = Hasher(["xxh128", *sorted(FURTHER_DIGESTS)])
    start = 0
    for piece in (*pieces, len(data)):
        hasher.update(data[start : start + piece])
        start += piece
    return hasher


def test_the_stream_begins_as_published() -> None:
    assert xxhash_input(16).hex() == "0052929bb732a3242d00af950eecb893"


@pytest.mark.parametrize("length", XXH128)
def test_xxh128_is_as_published(length: int) -> None:
    content = digests(xxhash_input(length), 1, 2, 100).content()
    assert content.xxh128 == XXH128[length]
    assert content.block_map.hex() == (XXH128[length] if length else "")


@pytest.mark.parametrize("length", XXH3)
def test_xxh3_is_as_published(length: int) -> None:
    assert digests(xxhash_input(length)).content().digests["xxh3"] == XXH3[length]


@pytest.mark.parametrize("length", XXH64)
def test_xxh64_is_as_published(length: int) -> None:
    assert digests(xxhash_input(length)).content().digests["xxh64"] == XXH64[length]


@pytest.mark.parametrize("length", BLAKE3)
def test_blake3_is_as_published(length: int) -> None:
    assert digests(blake3_input(length), 1000).content().blake3 == BLAKE3[length]


def test_one_small_file_in_everything() -> None:
    content = digests(b"abcd\n").content()
    assert content.digests == ABCD
    assert content.xxh128 == "ad3e38cc4333ed1b742b20a1b224a05e"


def test_md5_of_abc_is_as_in_rfc_1321() -> None:
    assert digests(b"abc").content().digests["md5"] == "900150983cd24fb0d6963f7d28e17f72"


@pytest.mark.parametrize("data", C4)
def test_c4_is_as_published(data: bytes) -> None:
    digest = hashlib.sha512(data).digest()
    assert encode_c4(digest) == C4[data]
    assert decode_c4(C4[data]) == digest
    assert digests(data).content().digests["c4"] == C4[data]


def test_c4_of_the_smallest_and_the_largest_digest() -> None:
    assert encode_c4(bytes(64)) == "c4" + "1" * 88
    assert encode_c4(b"\xff" * 64) == C4_OF_ALL_ONES
    assert decode_c4(C4_OF_ALL_ONES) == b"\xff" * 64


def test_the_wrong_published_c4_of_foo_is_not_taken_for_it() -> None:
    assert decode_c4(C4_THAT_DECODES_TO_ANOTHER_DIGEST) != hashlib.sha512(b"foo").digest()


@given(st.binary(min_size=64, max_size=64), st.binary(min_size=64, max_size=64))
def test_c4_keeps_order_and_round_trips(one: bytes, other: bytes) -> None:
    assert decode_c4(encode_c4(one)) == one
    assert (encode_c4(one) < encode_c4(other)) == (one < other)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "88 characters"),
        ("c4" + "1" * 87, "88 characters"),
        ("C4" + "1" * 88, "88 characters"),
        ("c4" + "1" * 87 + "0", "alphabet"),
        ("c4" + "l" * 88, "alphabet"),
        ("c4" + "z" * 88, "512 bits"),
        (C4_OF_ALL_ONES[:-1] + "R", "512 bits"),
    ],
)
def test_what_is_no_c4_is_refused(text: str, why: str) -> None:
    with pytest.raises(HostileInputError, match=why):
        decode_c4(text)


@given(st.lists(st.integers(0, 3 * BLOCK_BYTES // 2), max_size=4), st.integers(0, 2**32))
def test_how_bytes_are_cut_changes_nothing(pieces: list[int], seed: int) -> None:
    data = seed.to_bytes(8, "big") * ((2 * BLOCK_BYTES + 5000) // 8)
    cut, whole = ReadHasher(), ReadHasher()
    whole.update(data)
    start = 0
    for piece in (*pieces, len(data)):
        cut.update(data[start : start + piece])
        start += piece
    assert (cut.xxh128, cut.block_map, cut.size) == (whole.xxh128, whole.block_map, len(data))
    blocks = [data[at : at + BLOCK_BYTES] for at in range(0, len(data), BLOCK_BYTES)]
    expected = b"".join(bytes.fromhex(xxh128_of(block)) for block in blocks)
    assert whole.block_map == expected


def xxh128_of(block: bytes) -> str:
    hasher = ReadHasher()
    hasher.update(block)
    return hasher.xxh128


def test_an_unknown_digest_is_refused() -> None:
    with pytest.raises(UsageError, match="no digest called crc"):
        Hasher(["crc"])
