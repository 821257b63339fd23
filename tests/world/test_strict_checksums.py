"""The strict store's checksums, held to published values (STANDARDS sections 6 and 7.3)."""

import pytest

from backupkeeper.cloud.checks import EXTRAS, checks_of
from tests.world.strict_checksums import DIGESTS, checksum, composite, etag_in_parts, types_of

MIB = 1024 * 1024


@pytest.mark.parametrize(
    ("kind", "value"),
    [("crc32", "y/Q5Jg=="), ("crc32c", "4waSgw=="), ("crc64nvme", "rosUhgp5mIg=")],
)
def test_check_values_of_the_cyclic_ones(kind: str, value: str) -> None:
    assert checksum(kind, b"123456789") == value


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("xxhash64", "0ea03b369a463d9d"),
        ("xxhash3", "5c6d5318a0809172"),
        ("xxhash128", "ad3e38cc4333ed1b742b20a1b224a05e"),
        ("md5", "f5ac8127b3b6b85cdc13f237c6005d80"),
        ("sha1", "3330b4373640f9e4604991e73c7e86bfd8da2dc3"),
        ("crc32", "588aa4ac"),
        ("crc32c", "fb8579d1"),
        ("crc64nvme", "c2e5d885ac5f330f"),
    ],
)
def test_one_small_file_in_everything(kind: str, value: str) -> None:
    assert DIGESTS[kind](b"abcd\n").hex() == value


def test_an_object_in_three_parts() -> None:
    parts = [letter * (5 * MIB) for letter in (b"A", b"B", b"C")]
    assert etag_in_parts(parts) == "b2add96cc9702bbf4efb0ccdfc6b7747-3"
    whole = composite("sha256", [checksum("sha256", part) for part in parts])
    assert whole == "uWBwpe1dxI4Vw8Gf0X9ynOdw/SS6VBzfWm9giiv1sf4=-3"
    assert checksum("crc32", b"".join(parts)) == "WgDhBQ=="


def test_an_object_in_uneven_parts() -> None:
    data = (bytes(range(251)) * (20 * MIB // 251 + 1))[: 20 * MIB]
    parts = [data[: 8 * MIB], data[8 * MIB : 16 * MIB], data[16 * MIB :]]
    assert etag_in_parts(parts) == "0e7f77975c09731444156f23125696f6-3"
    whole = composite("sha256", [checksum("sha256", part) for part in parts])
    assert whole == "4pJ+jcrcQml9inpWNdCVlzLyR1NtbapsvW052ozmjBI=-3"


def test_one_part_is_composite_too() -> None:
    whole = composite("sha256", [checksum("sha256", b"A" * 1024)])
    assert whole == "Ok6Cs5b96ux6+MWQkJO7UBT5sKPBeXBLwvj/hK89smg=-1"


@pytest.mark.parametrize("extra", sorted(EXTRAS))
def test_the_program_computes_the_same(extra: str) -> None:
    data = bytes(range(256)) * 33
    assert checks_of(data, extra)[EXTRAS[extra]] == checksum(extra, data)


def test_which_kinds_can_be_of_the_full_object_in_parts() -> None:
    assert [kind for kind in DIGESTS if "FULL_OBJECT" in types_of(kind)] == [
        "crc32",
        "crc32c",
        "crc64nvme",
    ]
    assert "COMPOSITE" not in types_of("crc64nvme")
