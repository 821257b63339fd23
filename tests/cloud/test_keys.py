"""Paths to keys: no two paths share one, and each comes back."""

import errno

import pytest
from hypothesis import given, strategies as st

from backupkeeper.cloud.keys import KEY_BYTES, full_key, key_of, path_of, start_of_keys
from backupkeeper.core.errors import BrokenPromiseError, WriteError

_NAMES = st.binary(min_size=1, max_size=12).filter(lambda name: b"/" not in name) | st.sampled_from(
    [b".", b"..", b"a.", b"%2E", b"%", b"\\", b"\n", b"\xff", b"\xc2\x80", b"\xc2", b"\x80"]
)
_PATHS = st.lists(_NAMES, min_size=1, max_size=4).map(
    lambda names: b"/".join(names).decode("utf-8", "surrogateescape")
)


@given(_PATHS)
def test_every_path_comes_back_from_its_key(path: str) -> None:
    assert path_of(key_of(path)) == path


@given(_PATHS, _PATHS)
def test_two_paths_never_get_one_key(one: str, other: str) -> None:
    assert (key_of(one) == key_of(other)) == (one == other)


@given(_PATHS)
def test_a_key_is_clean_text_that_a_listing_in_xml_can_carry(path: str) -> None:
    key = key_of(path)
    key.encode("utf-8")
    assert not any(ord(char) < 0x20 or 0x7F <= ord(char) <= 0x9F or char == "\\" for char in key)
    assert not any(part in {".", ".."} or part.endswith(".") for part in key.split("/"))
    assert key.count("/") == path.count("/")


@given(st.text(max_size=20))
def test_a_foreign_key_gives_a_path_only_if_that_path_has_this_key(key: str) -> None:
    path = path_of(key)
    assert path is None or key_of(path) == key


@given(_PATHS, st.integers(0, 60))
def test_the_keys_of_paths_that_start_alike_start_alike(path: str, length: int) -> None:
    below = path[:length]
    assert key_of(path).startswith(start_of_keys(below))


def test_ordinary_names_stay_as_they_are() -> None:
    path = "260612 Boatyard/Originals/Wide/Roll 01/DCIM/100WIDES/A001+&#?~é[1].MP4"
    assert key_of(path) == path
    assert key_of(".backupkeeper/place.json") == ".backupkeeper/place.json"


def test_composed_and_decomposed_names_stay_two_objects() -> None:
    composed, decomposed = "Caf\u00e9.wav", "Cafe\u0301.wav"
    assert key_of(composed) == composed
    assert key_of(decomposed) == decomposed


@pytest.mark.parametrize(
    ("path", "key"),
    [
        ("a/../b", "a/.%2E/b"),
        ("./a", "%2E/a"),
        ("end.", "end%2E"),
        ("100%", "100%25"),
        ("a\\b", "a%5Cb"),
        ("a\nb", "a%0Ab"),
        ("\udcff", "%FF"),
        ("\x80", "%C2%80"),
        ("\uffff", "%EF%BF%BF"),
    ],
)
def test_what_makes_trouble_is_escaped(path: str, key: str) -> None:
    assert key_of(path) == key
    assert path_of(key) == path


@pytest.mark.parametrize("path", ["", "/a", "a/", "a//b", "\ud800"])
def test_what_is_no_path_is_a_bug_of_ours(path: str) -> None:
    with pytest.raises(BrokenPromiseError):
        key_of(path)


@pytest.mark.parametrize("key", ["%41", "%ff", "100%", "a/", "a//b", "..", "a\x01"])
def test_a_key_that_no_path_has_is_not_ours(key: str) -> None:
    assert path_of(key) is None


def test_the_longest_key_fits_and_one_byte_more_is_told() -> None:
    room = KEY_BYTES - len("shelf/")
    assert len(full_key("shelf", "é" * (room // 2)).encode()) == KEY_BYTES
    with pytest.raises(WriteError, match="1025 bytes; 1024 are allowed") as caught:
        full_key("shelf", "é" * (room // 2) + "x")
    assert caught.value.number == errno.ENAMETOOLONG


def test_without_a_prefix_the_key_is_the_path() -> None:
    assert full_key("", "a/b") == "a/b"
