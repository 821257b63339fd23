"""Folders put on real drives by hand, taken in where they are; bytes come from the medium."""

import os
from pathlib import Path

import pytest

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.changes import look_at_changes
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import AdoptOutcome
from backupkeeper.ports.progress import Quiet
from backupkeeper.system.files import RealFiles
from tests.real.loopdev import LoopFs, loop_fs, run
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, SHOOT, clip, tree

FOLDER = f"{SHOOT}/Originals/Recorder/Roll 01"
SOUND = {"SOUND/0001.WAV": clip(1, 9_000_000), "SOUND/0002.WAV": clip(2), "NOTES.TXT": b"wind\n"}


def put(drive: LoopFs) -> Path:
    where = Path(drive.point) / FOLDER
    for path, data in SOUND.items():
        (where / path).parent.mkdir(parents=True, exist_ok=True)
        (where / path).write_bytes(data)
        os.utime(where / path, (1_781_000_000, 1_781_000_000))
    return where


def adopt(yard: ScopedYard) -> AdoptOutcome:
    place = yard.place("Main")
    with yard.context() as context:
        return adopt_folder(context, place, FOLDER, QUIET)


def a_yard(tmp_path: Path, drive: LoopFs) -> ScopedYard:
    yard = ScopedYard(tmp_path)
    with yard.keeper() as keeper:
        keeper.add_drive(drive.point, role=Role.PRIMARY, name="Main", folder=False)
    return yard


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind",
    [
        pytest.param("ext4", marks=pytest.mark.real("ext4")),
        pytest.param("xfs", marks=pytest.mark.real("xfs")),
        pytest.param("exfat", marks=pytest.mark.real("exfat")),
    ],
)
def test_a_folder_is_proven_by_cold_reads_and_nothing_but_a_manifest_is_written(
    tmp_path: Path, kind: str
) -> None:
    with loop_fs(kind) as drive:
        yard = a_yard(tmp_path, drive)
        where = put(drive)
        before = tree(Path(drive.point) / SHOOT)
        # Fresh writes still lie in memory only: what is not synced can't be read cold.
        outcome = adopt(yard)
        assert (outcome.files, outcome.proven, outcome.not_cold) == (3, 3, "")
        assert all(fact.cold and fact.evidence for fact in yard.facts("Main"))
        assert tree(Path(drive.point) / SHOOT) == before
        assert len(list((where / "ascmhl").glob("*.mhl"))) == 1
        drive.remount()
        assert yard.verify("Main").all_well


@pytest.mark.slow
@pytest.mark.real("exfat")
def test_behind_fuse_the_devices_pages_are_dropped_once_for_many_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That, and the sync before it, took most of the time of small files."""
    dropped = []
    drop = RealFiles.drop_device_pages

    def counted(self: RealFiles, device: str) -> int:
        dropped.append(device)
        return drop(self, device)

    with loop_fs("exfat") as drive:
        yard = a_yard(tmp_path, drive)
        put(drive)
        monkeypatch.setattr(RealFiles, "drop_device_pages", counted)
        outcome = adopt(yard)
        assert (outcome.files, outcome.proven, outcome.not_cold) == (3, 3, "")
        assert dropped == [drive.device]


@pytest.mark.slow
@pytest.mark.real("ext4")
def test_bytes_that_differ_between_two_readings_are_not_taken_in(tmp_path: Path) -> None:
    """What is on the medium changes behind the cache between the first reading and the second."""
    with loop_fs("ext4") as drive:
        yard = a_yard(tmp_path, drive)
        where = put(drive)
        (where / "SOUND/0003.WAV").write_bytes(b"good sound of the yard" + bytes(4096))
        os.utime(where / "SOUND/0003.WAV", (1_781_000_000, 1_781_000_000))
        drive.remount()

        class Spoils(Quiet):
            done = False

            def file(self, path: str) -> None:
                if path.startswith(FOLDER) and not self.done:  # the second stage: proving
                    self.done = True
                    drive.spoil(b"good sound of the yard", b"ruin sound of the yard")

        place = yard.place("Main")
        with yard.context() as context:
            outcome = adopt_folder(context, place, FOLDER, Spoils())
        assert [trouble.path for trouble in outcome.troubles] == [f"{FOLDER}/SOUND/0003.WAV"]
        assert outcome.files == 3
        assert f"{FOLDER}/SOUND/0003.WAV" not in {fact.path for fact in yard.facts("Main")}


@pytest.mark.slow
@pytest.mark.real("xfs")
def test_a_power_cut_right_after_leaves_a_roll_with_its_manifest(tmp_path: Path) -> None:
    with loop_fs("xfs") as drive:
        yard = a_yard(tmp_path, drive)
        where = put(drive)
        adopt(yard)
        drive.power_cut()
        assert tree(where) == SOUND
        assert yard.verify("Main").all_well
        assert len(list((where / "ascmhl").glob("*.mhl"))) == 2  # adopting and verifying


@pytest.mark.slow
@pytest.mark.real("ext4")
def test_another_file_system_in_a_rolls_folder_is_no_part_of_the_drive(tmp_path: Path) -> None:
    with loop_fs("ext4") as drive, loop_fs("ext4") as other:
        yard = a_yard(tmp_path, drive)
        where = Path(drive.point) / FOLDER
        where.mkdir(parents=True)
        (Path(other.point) / "a.wav").write_bytes(clip(3))
        run("mount", "--bind", other.point, str(where))
        try:
            place = yard.place("Main")
            with yard.context() as context:
                assert look_at_changes(context, place, ("",)).strange == ()
            with pytest.raises(BackupkeeperError, match="leads off"):
                adopt(yard)
        finally:
            run("umount", str(where))
