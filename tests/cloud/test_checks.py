"""The checks that travel with bytes, held against published values."""

import hashlib
from threading import Event

import pytest
from hypothesis import given, strategies as st

from backupkeeper.cloud.checks import (
    EXTRAS,
    Body,
    _StoppedError,
    checks_of,
    crc64nvme,
    etag_of_parts,
    gathered,
    leaves_md5_out,
    looks_like_md5,
    text_of,
)
from backupkeeper.core.errors import SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES

MEBIBYTE = 1024 * 1024


def _views(data: bytes) -> list[memoryview]:
    return [memoryview(data[at : at + BLOCK_BYTES]) for at in range(0, len(data), BLOCK_BYTES)]


def test_the_etag_of_three_parts_is_the_published_one() -> None:
    # STANDARDS section 7.3: three 5 MiB parts filled with A, B, C (a public S3 test suite).
    parts = [hashlib.md5(letter * (5 * MEBIBYTE)).hexdigest() for letter in (b"A", b"B", b"C")]
    assert etag_of_parts(parts) == "b2add96cc9702bbf4efb0ccdfc6b7747-3"


def test_crc64nvme_has_its_published_check_value() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-64/NVME: check (from memory).
    assert crc64nvme(b"123456789") == 0xAE8B14860A799888


@pytest.mark.slow
def test_crc64nvme_of_a_part_is_the_published_one() -> None:
    # STANDARDS section 7.3: the first part's.
    assert text_of(crc64nvme(b"A" * (5 * MEBIBYTE)).to_bytes(8, "big")) == "L/E4WYn8v98="


def test_sha256_travels_as_published() -> None:
    # STANDARDS section 7.3: one part of 1,024 A; the composite hashes the part's digest again.
    assert checks_of(b"A" * 1024, "sha256")["ChecksumSHA256"] == text_of(
        hashlib.sha256(b"A" * 1024).digest()
    )
    composite = text_of(hashlib.sha256(hashlib.sha256(b"A" * 1024).digest()).digest())
    assert composite == "Ok6Cs5b96ux6+MWQkJO7UBT5sKPBeXBLwvj/hK89smg="


def test_crc32_has_its_published_check_value() -> None:
    # ISO-HDLC CRC-32 of "123456789" is CBF43926.
    assert checks_of(b"123456789", "crc32")["ChecksumCRC32"] == text_of(bytes.fromhex("cbf43926"))


@given(st.binary(max_size=200), st.integers(0, 200), st.sampled_from(sorted(EXTRAS)))
def test_a_crc_goes_on_from_where_it_was(data: bytes, at: int, extra: str) -> None:
    assert crc64nvme(data[at:], crc64nvme(data[:at])) == crc64nvme(data)
    assert set(checks_of(data, extra)) == {"ContentMD5", EXTRAS[extra]}


@pytest.mark.parametrize("blocks", [0, 1, 2, 3, 4, 5])
@pytest.mark.parametrize("more", [0, 7])
def test_parts_are_the_file_cut_at_whole_blocks(blocks: int, more: int) -> None:
    data = bytes(range(256)) * (BLOCK_BYTES // 256) * blocks + b"x" * more
    parts = list(
        gathered(
            "A001.MP4",
            iter(_views(data)),
            size=len(data),
            part=2 * BLOCK_BYTES,
            extra="crc32",
            stop=Event(),
        )
    )
    assert b"".join(part.body.read() for part in parts) == data
    assert [part.number for part in parts] == list(range(1, len(parts) + 1))
    for part in parts:
        assert hashlib.md5(part.body.getvalue()).hexdigest() == part.md5
        assert hashlib.sha256(part.body.getvalue()).hexdigest() == part.body.sha256
        assert part.checks == checks_of(part.body.getvalue(), "crc32")
    assert all(len(part.body.getvalue()) == 2 * BLOCK_BYTES for part in parts[:-1])


@pytest.mark.parametrize("extra", [None, "sha256", "crc32"])
def test_md5_is_computed_of_the_parts_of_which_it_is_wanted(extra: str | None) -> None:
    data = bytes(range(256)) * (BLOCK_BYTES // 256) * 2 + b"x"
    parts = list(
        gathered(
            "A001.MP4",
            iter(_views(data)),
            size=len(data),
            part=BLOCK_BYTES,
            extra=extra,
            stop=Event(),
            md5_of={2},
        )
    )
    assert [part.md5 is not None for part in parts] == [False, True, False]
    for part in parts:
        body = part.body.getvalue()
        checks = checks_of(body, extra)
        if part.md5 is None:
            del checks["ContentMD5"]
        assert part.checks == checks
        assert hashlib.sha256(body).hexdigest() == part.body.sha256


@pytest.mark.parametrize(
    ("enforced", "may_lock", "out"),
    [
        ({"content-md5", "x-amz-content-sha256"}, False, True),
        ({"x-amz-content-sha256"}, False, True),
        ({"content-md5", "x-amz-content-sha256"}, True, False),
        ({"content-md5", "x-amz-content-sha256", "crc32"}, True, True),
        ({"content-md5", "x-amz-content-sha256", "crc64nvme"}, True, False),
        ({"sha256"}, True, True),
        ({"content-md5", "sha256"}, False, True),
        ({"content-md5", "crc32"}, False, False),
        ({"crc32", "crc64nvme"}, False, False),
        ({"content-md5"}, False, False),
        (set(), False, False),
    ],
)
def test_md5_is_left_out_only_where_a_sha256_is_seen_to(
    enforced: set[str], may_lock: bool, out: bool
) -> None:
    assert leaves_md5_out(frozenset(enforced), may_lock=may_lock) is out


@pytest.mark.parametrize(
    ("etag", "can_be"),
    [("0" * 32, True), ("0" * 31, False), ("0" * 32 + "-2", False), ("G" * 32, False), ("", False)],
)
def test_what_can_be_an_md5(etag: str, can_be: bool) -> None:
    assert looks_like_md5(etag) is can_be


@pytest.mark.parametrize("size", [0, 4, 6])
def test_another_number_of_bytes_than_announced_is_a_change(size: int) -> None:
    parts = gathered(
        "A001.MP4",
        iter([memoryview(b"12345")]),
        size=size,
        part=BLOCK_BYTES,
        extra=None,
        stop=Event(),
    )
    with pytest.raises(SourceChangedError):
        list(parts)


def test_a_body_that_was_stopped_ends_the_sending_past_every_retry() -> None:
    stop = Event()
    body = Body(stop)
    body.write(b"12345")
    body.seek(0)
    assert body.read(2) == b"12"
    stop.set()
    with pytest.raises(_StoppedError):
        body.read(2)
    assert not issubclass(_StoppedError, Exception)
