"""Promise 1: a card is never written to, not even access times. Here: listing and reading it.

The cards are mounted so that looking at them the ordinary way does leave marks (``relatime`` or
``strictatime``, modified after the last access); a test at the end shows that it would.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from backupkeeper.cards.protection import writing_warnings
from backupkeeper.cards.walk import list_card
from backupkeeper.drives.mounts_linux import LinuxMounts
from backupkeeper.system.files import RealFiles
from tests.real.plain_loop import image, mounted

LONG_AGO_NS = 1_000_000_000 * 1_000_000_000
LATER_NS = 1_500_000_000 * 1_000_000_000
FILES = {
    "DCIM/100BOATY/WIDE0001.MOV": bytes(range(256)) * 5_000,
    "DCIM/100BOATY/WIDE0001.XML": b"<clip/>",
    "DCIM/101BOATY/WIDE0002.MOV": b"",
    ".Trashes/501/old.mov": b"still footage",
    "System Volume Information/x.dat": b"litter",
    ".DS_Store": b"litter",
}
FOLDERS = [
    "",
    "DCIM",
    "DCIM/100BOATY",
    "DCIM/101BOATY",
    "DCIM/102BOATY",
    ".Trashes",
    ".Trashes/501",
]
FOLDERS += ["System Volume Information"]


@dataclass(frozen=True)
class Card:
    point: Path
    picture: Path
    fs: str


def fill(point: Path, fs: str) -> None:
    for folder in FOLDERS:
        (point / folder).mkdir(parents=True, exist_ok=True)
    for path, data in FILES.items():
        (point / path).write_bytes(data)
    if fs == "ext4":
        (point / "link").symlink_to("DCIM")
        os.mkfifo(point / "fifo")
    for path in [*FILES, *reversed(FOLDERS[1:])]:
        os.utime(point / path, ns=(LONG_AGO_NS, LATER_NS))


def marks_on(card: Card) -> dict[str, tuple[int, ...]]:
    """Everything ``lstat`` tells of each entry; unlike a listing it leaves no mark itself."""
    extra = ["link", "fifo"] if card.fs == "ext4" else []
    marks: dict[str, tuple[int, ...]] = {}
    for path in [*FILES, *FOLDERS, *extra]:
        seen = os.lstat(card.point / path)
        marks[path] = (
            seen.st_mode,
            seen.st_size,
            seen.st_nlink,
            seen.st_blocks,
            seen.st_atime_ns,
            seen.st_mtime_ns,
            seen.st_ctime_ns,
        )
    return marks


def walk_and_read(card: Card) -> None:
    files = RealFiles()
    listing = list_card(files, str(card.point))
    assert len(listing.files) == 4
    buffer = memoryview(bytearray(1 << 16))
    for entry in listing.files:
        handle = files.open_read(f"{card.point}/{entry.path}")
        try:
            data = bytearray()
            while got := files.read_into(handle, buffer, len(data)):
                data += buffer[:got]
        finally:
            files.close(handle)
        assert bytes(data) == FILES[entry.path]


def everything_on(point: Path) -> dict[str, bytes | None]:
    found: dict[str, bytes | None] = {}
    for folder, folders, names in os.walk(point):
        for name in [*folders, *names]:
            path = Path(folder, name)
            regular = path.is_file() and not path.is_symlink()
            found[str(path.relative_to(point))] = path.read_bytes() if regular else None
    return found


@pytest.fixture(
    params=[
        pytest.param(("ext4", "relatime"), marks=pytest.mark.real("ext4")),
        pytest.param(("ext4", "strictatime"), marks=pytest.mark.real("ext4")),
        pytest.param(("exfat", "noatime"), marks=pytest.mark.real("exfat")),
    ],
    ids=["ext4 with relatime", "ext4 with strictatime", "exfat through FUSE"],
)
def writable_card(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Card]:
    fs, options = request.param
    picture, point = image(tmp_path / "card.img", fs), tmp_path / "card"
    point.mkdir()
    with mounted(picture, fs, point):
        fill(point, fs)
    with mounted(picture, fs, point, options=options):
        yield Card(point, picture, fs)


def test_walking_and_reading_a_writable_card_leaves_no_mark(writable_card: Card) -> None:
    before = marks_on(writable_card)
    walk_and_read(writable_card)
    os.sync()
    assert marks_on(writable_card) == before
    held = everything_on(writable_card.point)
    extra = {"link", "fifo", "lost+found"} if writable_card.fs == "ext4" else set()
    assert set(held) == {*FILES, *FOLDERS[1:], *extra}
    assert {path: held[path] for path in FILES} == FILES


@pytest.mark.parametrize(
    "fs",
    [
        pytest.param("ext4", marks=pytest.mark.real("ext4")),
        pytest.param("exfat", marks=pytest.mark.real("exfat")),
    ],
)
def test_a_card_behind_a_write_protection_is_walked_and_read_byte_for_byte_unchanged(
    tmp_path: Path, fs: str
) -> None:
    picture, point = image(tmp_path / "card.img", fs), tmp_path / "card"
    point.mkdir()
    with mounted(picture, fs, point):
        fill(point, fs)
    before = picture.read_bytes()
    with mounted(picture, fs, point, read_only=True):
        walk_and_read(Card(point, picture, fs))
    assert picture.read_bytes() == before


@pytest.mark.real("exfat")
def test_through_fuse_the_driver_notes_readings_and_nothing_else_and_the_person_is_told(
    tmp_path: Path,
) -> None:
    # The one case in which the system does not let us choose: O_NOATIME stops at the kernel.
    picture, point = image(tmp_path / "card.img", "exfat"), tmp_path / "card"
    point.mkdir()
    with mounted(picture, "exfat", point):
        fill(point, "exfat")
    with mounted(picture, "exfat", point):
        card = Card(point, picture, "exfat")
        before = marks_on(card)
        walk_and_read(card)
        after = marks_on(card)
        assert writing_warnings(LinuxMounts().under(str(point)))
    changed = {path for path in before if before[path] != after[path]}
    assert changed <= {path for path, data in FILES.items() if data}
    for path in before:
        # st_ctime is no field of exFAT's: this driver shows another time in its place.
        assert before[path][:4] == after[path][:4]
        assert before[path][5] == after[path][5]
    with mounted(picture, "exfat", point, read_only=True):
        assert not writing_warnings(LinuxMounts().under(str(point)))


@pytest.mark.real("ext4")
def test_reading_it_the_ordinary_way_would_have_left_marks(tmp_path: Path) -> None:
    picture, point = image(tmp_path / "card.img", "ext4"), tmp_path / "card"
    point.mkdir()
    with mounted(picture, "ext4", point):
        fill(point, "ext4")
    with mounted(picture, "ext4", point, options="relatime"):
        card = Card(point, picture, "ext4")
        before = marks_on(card)
        everything_on(point)
        after = marks_on(card)
    assert {path for path in before if before[path] != after[path]} >= {
        "DCIM",
        "DCIM/100BOATY",
        "DCIM/100BOATY/WIDE0001.MOV",
    }
