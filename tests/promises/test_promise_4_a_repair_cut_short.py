"""Promise 4 for repairs: a damaged file is replaced in one step, by right bytes, and never lost.

Every call of a repair on a made-up disk is made to fail or to be the last, before or after it is
carried out, and after each the power is cut in many ways. Each time the name holds the old file or
the new one, whole, and where it is the new one, the old one is kept. The same check must catch three
repairs that are made wrongly.
"""

import errno
import random
from collections.abc import Callable
from contextlib import suppress
from typing import cast

import pytest

from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import BLOCK_BYTES, Content
from backupkeeper.ports.files import Files, Handle
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.durable import is_temp_name, temp_name
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.mending import Mending, Patient
from backupkeeper.transfer.placing import Aside, put_in_place
from tests.world.disk import Disk
from tests.world.killing import Faults, Killed

GOOD = random.Random(1).randbytes(9_000)
BAD = GOOD[:4_000] + b"\xff" * 512 + GOOD[4_512:]
ROOT, PATH = "/drive", "/drive/Roll 01/C0001.MP4"
FOLDER = ".backupkeeper/set-aside/one"
KEPT = f"{ROOT}/{FOLDER}/C0001.MP4"
CUTS = 4
KERNEL = cold_policy("ext4", None)
ERRORS: list[BaseException] = [
    Killed(),
    OSError(errno.EIO, "broken"),
    OSError(errno.ENOSPC, "full"),
]
Repair = Callable[[Files], None]


class NoLinks(Disk):
    """A file system without second names, as exFAT is (SEEN section 2)."""

    def link(self, old: str, new: str) -> None:
        raise OSError(errno.EPERM, "Operation not permitted", old)


def content_of(data: bytes) -> Content:
    hasher = Hasher()
    hasher.update(data)
    return hasher.content()


class Giver:
    def block(self, number: int) -> memoryview | None:
        return memoryview(GOOD)[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES]

    def part(self, number: int) -> memoryview | None:
        return self.block(number)


PATIENT = Patient(path=PATH, content=content_of(GOOD), mtime_ns=7, cold=KERNEL)
ASIDE = Aside(root=ROOT, folder=FOLDER, name="C0001.MP4", note=b"{}\n")


def nothing() -> None:
    """The drive is still the one that it was."""


def repair(files: Files) -> None:
    mending = Mending(files, PATIENT, [Giver()], nothing, lambda _: None)
    made = mending.make()
    assert made.reading is not None
    put_in_place(files, PATIENT, made.before, ASIDE, nothing)


def without_aside(files: Files) -> None:
    """Sabotage: nothing is kept."""
    mending = Mending(files, PATIENT, [Giver()], nothing, lambda _: None)
    mending.make()
    files.rename_over(temp_name(PATH), PATH)
    files.sync_folder("/drive/Roll 01")


def moved_first(files: Files) -> None:
    """Sabotage: the old one is moved away, and for an instant there is none."""
    mending = Mending(files, PATIENT, [Giver()], nothing, lambda _: None)
    mending.make()
    for folder in (f"{ROOT}/.backupkeeper/set-aside", f"{ROOT}/{FOLDER}"):
        files.make_folder(folder)
    files.rename_new(PATH, KEPT)
    files.rename_new(temp_name(PATH), PATH)


def in_place(files: Files) -> None:
    """Sabotage: the hurt bytes are written over where they are."""
    handle = files.open_write(PATH)
    files.write_at(handle, memoryview(GOOD)[4_000:4_256], 4_000)
    files.write_at(handle, memoryview(GOOD)[4_256:4_512], 4_256)
    files.sync(handle)
    files.close(handle)


def new_disk(kind: type[Disk], *, left_over: bool) -> Disk:
    disk = kind()
    for folder in (ROOT, "/drive/Roll 01", "/drive/.backupkeeper"):
        disk.make_folder(folder)
    put(disk, PATH, BAD)
    if left_over:
        put(disk, temp_name(PATH), b"\x00" * 5_000)
    disk.sync_tree("/")
    return disk


def put(disk: Disk, path: str, data: bytes) -> None:
    handle = disk.create(path)
    disk.write_at(handle, memoryview(data), 0)
    disk.close(handle)


def faults_of(disk: Disk) -> list[str]:
    """What is wrong with what is on the medium now."""
    seen = disk.seen()
    there = seen.get(PATH)
    if there not in {GOOD, BAD}:
        return [f"the name holds {'nothing' if there is None else 'other bytes'}"]
    kept = {path: data for path, data in seen.items() if path.startswith(f"{ROOT}/{FOLDER}/C")}
    wrong = [f"{path} is not the old file" for path, data in kept.items() if data != BAD]
    if there == GOOD and BAD not in kept.values():
        wrong.append("the old file is nowhere any more")
    return wrong


def wrong_worlds(work: Repair, kind: type[Disk], *, left_over: bool = False) -> list[str]:
    counted = Faults.around(new_disk(kind, left_over=left_over))
    work(cast("Files", counted.port))
    wrong = []
    for number in range(1, len(counted.calls) + 1):
        for error in ERRORS:
            for before in (True, False):
                for seed in range(CUTS):
                    disk = new_disk(kind, left_over=left_over)
                    faults = Faults.around(disk, at=number, then=error, before=before)
                    with suppress(BackupkeeperError, Killed, OSError, AssertionError):
                        work(cast("Files", faults.port))
                    if seed:
                        disk.power_cut(random.Random(seed))
                    what = f"call {number} ({counted.calls[number - 1]}), {error!r}, cut {seed}"
                    wrong += [f"{what}: {fault}" for fault in faults_of(disk)]
    return wrong


@pytest.mark.slow
@pytest.mark.parametrize("kind", [Disk, NoLinks])
@pytest.mark.parametrize("left_over", [False, True])
def test_whenever_it_is_cut_short_the_name_holds_the_old_file_or_the_new(
    kind: type[Disk], left_over: bool
) -> None:
    assert wrong_worlds(repair, kind, left_over=left_over) == []


@pytest.mark.parametrize("kind", [Disk, NoLinks])
def test_undisturbed_it_mends_and_keeps(kind: type[Disk]) -> None:
    disk = new_disk(kind, left_over=False)
    repair(cast("Files", disk))
    seen = disk.seen()
    assert (seen[PATH], seen[KEPT]) == (GOOD, BAD)
    assert disk.stat(PATH).mtime_ns == 7
    assert not [path for path in seen if is_temp_name(path.rpartition("/")[2])]
    assert not disk.open_handles


@pytest.mark.slow
@pytest.mark.parametrize("broken", [without_aside, moved_first, in_place])
def test_the_check_notices_a_repair_that_is_made_wrongly(broken: Repair) -> None:
    assert wrong_worlds(broken, Disk)


def test_a_drive_that_gives_other_bytes_back_is_not_given_the_name() -> None:
    class Lying(Disk):
        def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
            return super().write_at(handle, memoryview(bytes(data[:-1]) + b"\x00"), offset)

    disk = new_disk(Lying, left_over=False)
    with pytest.raises(BackupkeeperError, match="came back"):
        repair(cast("Files", disk))
    seen = disk.seen()
    assert KEPT not in seen
    assert temp_name(PATH) not in seen


def test_a_file_that_can_not_even_be_opened_is_made_anew_from_others_and_kept() -> None:
    class Closed(Disk):
        def open_read(self, path: str, *, direct: bool = False) -> Handle:
            if path == PATH:
                raise OSError(errno.EIO, "broken", path)
            return super().open_read(path, direct=direct)

    disk = new_disk(Closed, left_over=False)
    repair(cast("Files", disk))
    seen = disk.seen()
    assert (seen[PATH], seen[KEPT]) == (GOOD, BAD)


@pytest.mark.parametrize("when", ["sync_folder", "set_times", "link"])
def test_what_somebody_wrote_meanwhile_is_not_replaced(when: str) -> None:
    """An editor saves under the same name, by a new file, while the old one is being mended."""

    class Edited(Disk):
        done = False

        def _edit(self) -> None:
            if not self.done:
                self.done = True
                put(self, "/drive/Roll 01/new", b"an edit")
                self.rename_over("/drive/Roll 01/new", PATH)

    def editing(self: Edited, *args: str) -> None:
        getattr(Disk, when)(self, *args)
        self._edit()

    setattr(Edited, when, editing)
    disk = new_disk(Edited, left_over=False)
    with pytest.raises(BackupkeeperError, match="written to while it was mended"):
        repair(cast("Files", disk))
    assert disk.seen()[PATH] == b"an edit"
