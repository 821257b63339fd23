"""Promise 1 with the whole job: a card is as it was after everything that a person may type."""

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from hashlib import sha256
from pathlib import Path

import pytest

from tests.real.loopdev import LoopFs, loop_fs
from tests.stories.typed import judged, offloaded, typed, yard_of_today
from tests.stories.yard import Yard, clip

pytestmark = pytest.mark.slow

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 5_000_000),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
    ".DS_Store": b"litter",
}
FOLDERS = ["DCIM/101BOATY", "System Volume Information"]
LONG_AGO_NS = 1_000_000_000 * 1_000_000_000
LATER_NS = 1_500_000_000 * 1_000_000_000
Marks = dict[str, tuple[int, ...]]


def entries(point: Path) -> list[Path]:
    """Every name of the card; looking at them with lstat leaves no mark."""
    known = {*CARD, *FOLDERS, "DCIM", "DCIM/100BOATY", "MISC"}
    return [point, *(point / path for path in sorted(known))]


def marks(card: LoopFs) -> Marks:
    found: Marks = {}
    for path in entries(Path(card.point)):
        seen = os.lstat(path)
        found[str(path)] = (
            seen.st_ino,
            seen.st_mode,
            seen.st_uid,
            seen.st_size,
            seen.st_nlink,
            seen.st_blocks,
            seen.st_atime_ns,
            seen.st_mtime_ns,
            seen.st_ctime_ns,
        )
    return found


def everything(yard: Yard, card: LoopFs) -> None:
    """All commands that take or could take a card, the refused ones too."""
    with loop_fs("ext4", 160) as main, loop_fs("ext4", 160) as travel:
        assert typed(yard, "may-wipe", card.point).code == 1
        for drive, role, name in [(main, "primary", "Main"), (travel, "secondary", "Travel")]:
            said = typed(yard, "place", "add", drive.point, "--role", role, "--name", name)
            assert said.code == 0
        assert offloaded(yard, Path(card.point)).code == 0
        assert judged(yard, Path(card.point)) == ("yes", set())
        assert offloaded(yard, Path(card.point)).code == 0
        for words in (["verify"], ["mirror"], ["place", "list"], ["gaps"]):
            typed(yard, *words)
        assert typed(yard, "verify", card.point).code == 2
        assert judged(yard, Path(card.point)) == ("yes", set())


@pytest.fixture
def filled() -> Iterator[Callable[[str], LoopFs]]:
    with ExitStack() as stack:

        def make(kind: str) -> LoopFs:
            card = stack.enter_context(loop_fs(kind, 32))
            point = Path(card.point)
            for folder in FOLDERS:
                (point / folder).mkdir(parents=True)
            for path, data in CARD.items():
                (point / path).parent.mkdir(parents=True, exist_ok=True)
                (point / path).write_bytes(data)
            for entry in reversed(entries(point)):
                os.utime(entry, ns=(LONG_AGO_NS, LATER_NS))
            return card

        yield make


def kind(name: str) -> object:
    return pytest.param(name, marks=pytest.mark.real(name, "ext4"))


@pytest.mark.parametrize("fs", [kind("ext4"), kind("xfs"), kind("exfat")])
def test_a_card_mounted_read_only_keeps_every_byte_of_its_medium(
    filled: Callable[[str], LoopFs], tmp_path: Path, fs: str
) -> None:
    card = filled(fs)
    # XFS itself writes to its log when a mount that is only read ends, if it is not told not to.
    card.remount(options="ro,norecovery" if fs == "xfs" else "ro")
    before, medium = marks(card), sha256(Path(card.backing).read_bytes()).digest()
    everything(yard_of_today(tmp_path, 'wipe_needs = ["primary", "secondary"]'), card)
    assert marks(card) == before
    card.unmount()
    assert sha256(Path(card.backing).read_bytes()).digest() == medium


@pytest.mark.parametrize("fs", [kind("ext4"), kind("xfs"), kind("exfat")])
def test_a_card_that_could_be_written_to_keeps_every_entry_byte_and_time(
    filled: Callable[[str], LoopFs], tmp_path: Path, fs: str
) -> None:
    card = filled(fs)
    # The mount at which every look leaves an access time, if it is not asked to leave it alone.
    card.remount(options="rw,noatime" if fs == "exfat" else "rw,strictatime")
    before = marks(card)
    everything(yard_of_today(tmp_path, 'wipe_needs = ["primary", "secondary"]'), card)
    assert marks(card) == before
    card.remount(options="ro")  # what is on the medium, not what the kernel remembers
    point = Path(card.point)
    after = marks(card)
    assert {path: mark[3:] for path, mark in after.items()} == {
        path: mark[3:] for path, mark in before.items()
    }
    names = {str(path) for path in entries(point)}
    seen = {os.path.join(folder, name) for folder, a, b in os.walk(point) for name in [*a, *b]}
    assert seen - names <= {f"{point}/lost+found"}
    assert {path: (point / path).read_bytes() for path in CARD} == CARD


@pytest.mark.real("ext4", "exfat")
def test_where_the_driver_notes_readings_by_itself_the_person_is_told(
    filled: Callable[[str], LoopFs], tmp_path: Path
) -> None:
    # exFAT through FUSE: the one case in which the system does not let us choose.
    card = filled("exfat")
    card.remount(options="rw")
    yard = yard_of_today(tmp_path)
    before = marks(card)
    yard.drives()
    for said in (
        offloaded(yard, Path(card.point)),
        typed(yard, "may-wipe", card.point),
    ):
        assert (said.code, "Mounted read-only it can't" in " ".join(said.out.split())) == (0, True)
    after = marks(card)
    for path, mark in before.items():
        # Its st_ctime shows another of its times: exFAT has no such field.
        assert mark[:6] + mark[7:8] == after[path][:6] + after[path][7:8]


@pytest.mark.real("ext4")
def test_the_marks_show_a_look_that_does_not_take_care(
    filled: Callable[[str], LoopFs],
) -> None:
    card = filled("ext4")
    card.remount(options="rw,strictatime")
    before = marks(card)
    (Path(card.point) / "DCIM/100BOATY/BOAT0001.XML").read_bytes()
    assert marks(card) != before
    before = marks(card)
    list((Path(card.point) / "DCIM").iterdir())
    assert marks(card) != before
