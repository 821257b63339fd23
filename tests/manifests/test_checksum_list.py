"""Checksum lists: what is written, what is taken, what is refused."""

import contextlib

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.errors import ManifestError, UsageError
from backupkeeper.manifests import checksum_list
from backupkeeper.manifests.checksum_list import read_list, write_list
from tests.manifests.names_of_files import PATHS

HASH = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"


def test_a_plain_name_is_a_plain_line() -> None:
    assert write_list([(HASH, "DCIM/W0001.MOV")]) == f"{HASH}  DCIM/W0001.MOV\n".encode()


def test_a_name_keeps_its_very_bytes() -> None:
    assert write_list([(HASH, "a\udcff")]) == HASH.encode() + b"  a\xff\n"


@pytest.mark.parametrize(
    ("path", "escape_cr", "line"),
    [
        ("a\\b", False, rb"a\\b"),
        ("a\nb", False, rb"a\nb"),
        ("a\rb\n", True, rb"a\rb\n"),
        ("a\rb\n", False, b"a\rb\\n"),
    ],
)
def test_a_name_that_would_break_its_line_is_escaped(
    path: str, escape_cr: bool, line: bytes
) -> None:
    written = write_list([(HASH, path)], escape_cr=escape_cr)
    assert written == b"\\" + HASH.encode() + b"  " + line + b"\n"


@pytest.mark.slow
@given(st.lists(PATHS, max_size=6, unique=True), st.booleans())
@settings(max_examples=150, deadline=None)
def test_every_legal_name_comes_back_from_a_list(paths: list[str], escape_cr: bool) -> None:
    entries = tuple((HASH, path) for path in paths)
    data = write_list(entries, escape_cr=escape_cr)
    # Without escapes a list whose every name ends in a carriage return looks like one with CRLF.
    if escape_cr or not paths or not all(path.endswith("\r") for path in paths):
        assert read_list(data) == entries


@pytest.mark.parametrize(
    "line",
    [
        f"{HASH} *a b",
        f"{HASH.upper()}  a b",
        f"{HASH}  ./a b",
        f"BLAKE3 (a b) = {HASH}",
        f"{HASH}  a b\r",
    ],
)
def test_the_other_common_forms_are_read(line: str) -> None:
    assert read_list(f"{line}\n".encode()) == ((HASH, "a b"),)


@pytest.mark.parametrize(
    "line",
    [
        "no list",
        f"{HASH} a",
        f"{HASH[1:]}g  a",
        f"{HASH}  /etc/passwd",
        f"{HASH}  ../a",
        f"{HASH}  a/../b",
        f"{HASH}  a//b",
        f"{HASH}  a\0b",
        f"{HASH}  .",
        f"\\{HASH}  a\\x",
        f"\\{HASH}  a\\",
        f"{HASH}  a\n{HASH}  ./a",
    ],
)
def test_what_can_not_be_believed_is_refused(line: str) -> None:
    with pytest.raises(ManifestError, match=r"Line \d"):
        read_list(line.encode())


def test_a_list_without_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checksum_list, "LIST_LIMIT_BYTES", 10)
    with pytest.raises(ManifestError, match="longer"):
        read_list(b"x" * 11)


@pytest.mark.parametrize(
    "entry", [("xyz", "a"), (HASH.upper(), "a"), (HASH, "/a"), (HASH, ""), (HASH, "\ud800")]
)
def test_what_no_list_can_hold_is_not_written(entry: tuple[str, str]) -> None:
    with pytest.raises(UsageError):
        write_list([entry])


def test_empty_lines_and_an_empty_list_hold_nothing() -> None:
    assert read_list(b"") == ()
    assert read_list(f"\n\n{HASH}  a\n".encode()) == ((HASH, "a"),)


@given(st.binary(max_size=120))
def test_no_bytes_at_all_raise_anything_but_manifest_error(data: bytes) -> None:
    for text in (data, HASH.encode() + b"  " + data, b"\\" + HASH.encode() + b"  " + data):
        with contextlib.suppress(ManifestError):
            read_list(text)
