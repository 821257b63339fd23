"""Lists that others left: which kind by their name, what they say, and what is refused."""

import contextlib

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import ManifestError
from backupkeeper.manifests.checksum_list import write_list
from backupkeeper.manifests.names import impossible_path
from backupkeeper.manifests.old_list import DIGITS, kind_of_list, read_old_list, tells_of_files
from tests.manifests.names_of_files import PATHS

MD5 = "764efa883dda1e11db47671c4a3bbd9e"
SHA256 = "98ea6e4f216f2fb4b69fff9b3a44842c38686ca685f3f55dc48c5d3fb1107be4"


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("A.MOV.md5", "md5"),
        ("card.MD5", "md5"),
        ("x.sha1", "sha1"),
        ("x.sha256", "sha256"),
        ("x.xxh64", "xxh64"),
        ("x.xxh128", "xxh128"),
        ("x.b3", "blake3"),
        ("B3SUMS", "blake3"),
        ("SHA256SUMS", "sha256"),
        ("md5sum.txt", "md5"),
        ("xxh3sums", "xxh3"),
    ],
)
def test_its_name_says_which_kind_it_is(name: str, kind: str) -> None:
    assert kind_of_list(name) == kind


@pytest.mark.parametrize(
    "name", ["A.MOV", "md5", ".md5", "sums", "consums", "x.sha512", "sha512sums", ""]
)
def test_other_names_are_no_lists(name: str) -> None:
    assert kind_of_list(name) is None
    with pytest.raises(ManifestError, match="by its name"):
        read_old_list(b"", name)


@pytest.mark.parametrize(
    "data",
    [
        f"{MD5}  Wide/A.MOV\n",
        f"{MD5} *Wide/A.MOV\n",
        f"{MD5}  ./Wide/A.MOV\r\n",
        f"MD5 (Wide/A.MOV) = {MD5}\n",
        f"\ufeff{MD5.upper()}  Wide/A.MOV\n",
        f"# made by hand\n; or not\n\n{MD5}  Wide/A.MOV\n",
    ],
)
def test_the_common_forms_say_the_same(data: str) -> None:
    found = read_old_list(data.encode(), "card.md5")
    assert (found.said, found.unknown) == ({"Wide/A.MOV": ("md5", MD5)}, 0)


def test_a_digest_alone_is_of_the_file_that_the_list_is_called_after() -> None:
    assert read_old_list(f" {MD5}\n".encode(), "A.MOV.md5").said == {"A.MOV": ("md5", MD5)}
    with pytest.raises(ManifestError):
        read_old_list(f"{MD5}\n".encode(), "MD5SUMS")


def test_each_line_may_say_its_kind_and_an_unknown_one_says_nothing() -> None:
    data = f"SHA256 (a) = {SHA256}\nMD5 (b) = {MD5}\nWHIRL (c) = {SHA256}\n".encode()
    found = read_old_list(data, "list.md5")
    assert found.said == {"a": ("sha256", SHA256), "b": ("md5", MD5)}
    assert found.unknown == 1


@pytest.mark.parametrize(
    "data",
    [
        f"{SHA256}  a\n",
        f"SHA256 (a) = {MD5}\n",
        f"{MD5}  ../a\n",
        f"{MD5}  /a\n",
        f"{SHA256}\n",
        "hello\n",
    ],
)
def test_what_does_not_fit_is_refused(data: str) -> None:
    with pytest.raises(ManifestError):
        read_old_list(data.encode(), "a.mov.md5")


@given(
    st.binary(max_size=300), st.sampled_from(["a.md5", "B3SUMS", "a.xxh64", "x.sha256", "XXH3SUMS"])
)
def test_no_bytes_raise_anything_else_and_no_path_leads_out(data: bytes, name: str) -> None:
    pieces = (data, MD5.encode() + b"  " + data, b"\\" + MD5.encode() + b" *" + data,
              b"MD5 (" + data + b") = " + MD5.encode(), b"\xef\xbb\xbf" + data)  # fmt: skip
    for text in pieces:
        with contextlib.suppress(ManifestError):
            for path, (kind, digest) in read_old_list(text, name).said.items():
                assert impossible_path(path) is None
                assert len(digest) == DIGITS[kind]


@given(st.lists(PATHS, max_size=5, unique=True))
def test_every_name_comes_back_from_a_list_of_ours(paths: list[str]) -> None:
    data = write_list([(MD5, path) for path in paths], escape_cr=True)
    assert read_old_list(data, "MD5SUMS").said == dict.fromkeys(paths, ("md5", MD5))


@pytest.mark.parametrize(
    ("path", "tells"),
    [
        ("Card 1/MD5SUMS", True),
        ("a.xxh64", True),
        ("clips/ascmhl/0001_clips_2026-06-12_174501Z.mhl", True),
        ("MD5SUMS/BOAT0001.MP4", False),
        ("clips/ascmhl", False),
        ("0001.WAV", False),
    ],
)
def test_what_only_tells_of_other_files(path: str, tells: bool) -> None:
    assert tells_of_files(path) is tells
