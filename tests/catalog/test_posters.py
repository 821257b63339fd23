"""Posters beside the catalog: private, whole or not there, and never in anybody's way."""

import errno
import os
from pathlib import Path

import pytest

from backupkeeper.catalog.posters import MOST_BYTES, PosterShelf, posters_folder
from backupkeeper.core.errors import WriteError
from backupkeeper.core.model import Blake3
from backupkeeper.core.posters import MOST_JPEG_BYTES, Poster, encode_poster
from backupkeeper.system.files import RealFiles

NAME = Blake3("ab" * 32)
POSTER = Poster(content=NAME, jpeg=b"\xff\xd8\xff...\xff\xd9", width=320, height=180, seconds=4.0)


@pytest.fixture
def catalog(tmp_path: Path) -> str:
    return str(tmp_path / "catalog.sqlite")


def shelf(catalog: str) -> PosterShelf:
    return PosterShelf(RealFiles(), catalog)


def where(catalog: str, name: str = NAME) -> Path:
    return Path(posters_folder(catalog)) / name[:2] / f"{name}.json"


def test_what_is_put_is_got_by_another(catalog: str) -> None:
    assert shelf(catalog).get(NAME) is None
    shelf(catalog).put(POSTER)
    assert shelf(catalog).get(NAME) == POSTER
    assert shelf(catalog).get(Blake3("cd" * 32)) is None


def test_a_later_one_takes_its_place(catalog: str) -> None:
    shelf(catalog).put(POSTER)
    other = Poster(content=NAME, note="it could not be read")
    shelf(catalog).put(other)
    assert shelf(catalog).get(NAME) == other


def test_they_are_their_owner_s_alone(catalog: str) -> None:
    old = os.umask(0)
    try:
        shelf(catalog).put(POSTER)
    finally:
        os.umask(old)
    path = where(catalog)
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.parent.stat().st_mode & 0o777 == 0o700
    assert path.parent.parent.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize(
    "text",
    [
        b"",
        encode_poster(POSTER)[:-40],
        b"\x00" * 100,
        encode_poster(POSTER).replace(b"ab" * 32, b"cd" * 32),
        encode_poster(POSTER) + b" " * MOST_BYTES,
    ],
    ids=["empty", "cut off", "zeros", "another's", "too long"],
)
def test_one_that_is_broken_is_none_and_can_be_made_anew(catalog: str, text: bytes) -> None:
    shelf(catalog).put(POSTER)
    where(catalog).write_bytes(text)
    assert shelf(catalog).get(NAME) is None
    shelf(catalog).put(POSTER)
    assert shelf(catalog).get(NAME) == POSTER


def test_the_largest_picture_fits(catalog: str) -> None:
    jpeg = b"\xff\xd8\xff" + bytes(MOST_JPEG_BYTES - 5) + b"\xff\xd9"
    largest = Poster(content=NAME, jpeg=jpeg, coding="x" * 60, sound="y" * 60)
    shelf(catalog).put(largest)
    assert shelf(catalog).get(NAME) == largest


@pytest.mark.parametrize("kind", ["link", "folder", "pipe"])
def test_what_is_no_file_is_no_poster(catalog: str, kind: str, tmp_path: Path) -> None:
    shelf(catalog).put(POSTER)
    path = where(catalog)
    moved = path.rename(tmp_path / "elsewhere")
    if kind == "link":
        path.symlink_to(moved)
    elif kind == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    assert shelf(catalog).get(NAME) is None


@pytest.mark.parametrize("name", ["", "ab", "../" * 20 + "abcd", "AB" * 32, "ab" * 33])
def test_only_a_content_s_name_is_looked_up(catalog: str, name: str) -> None:
    shelf(catalog).put(POSTER)
    assert shelf(catalog).get(Blake3(name)) is None


class Full(RealFiles):
    """A disk that is full when it comes to syncing."""

    def sync(self, handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_full_disk_is_told_and_nothing_half_is_left(catalog: str) -> None:
    with pytest.raises(WriteError):
        PosterShelf(Full(), catalog).put(POSTER)
    assert shelf(catalog).get(NAME) is None
    assert [path for path in Path(posters_folder(catalog)).rglob("*") if path.is_file()] == []


def test_a_file_where_the_folder_should_be_is_told(catalog: str) -> None:
    Path(posters_folder(catalog)).write_text("mine")
    with pytest.raises(WriteError):
        shelf(catalog).put(POSTER)
    assert Path(posters_folder(catalog)).read_text() == "mine"


def test_a_kill_half_way_leaves_the_old_one(catalog: str) -> None:
    shelf(catalog).put(POSTER)
    (where(catalog).parent / f"{NAME}.json.4711.part").write_bytes(b"{half")
    assert shelf(catalog).get(NAME) == POSTER
