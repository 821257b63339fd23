"""Ways that once made a proof of bytes that nobody had read: each stays closed."""

import errno
import hashlib
import mmap
import os
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.core.model import Result, Role
from backupkeeper.core.outcomes import Answer
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.coldread import read_cold
from backupkeeper.transfer.durable import temp_name
from backupkeeper.transfer.hashing import ReadHasher
from tests.real.loopdev import loop_fs
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder
from tests.world.refusing_store import CHECKS, Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


@pytest.mark.real("ext4")
@pytest.mark.parametrize("mode", ["data=ordered", "data=journal"])
@pytest.mark.parametrize("held", [False, True])
def test_ext4_that_answers_from_memory_is_never_called_cold(mode: str, held: bool) -> None:
    old = b"OLDBYTES" * 100_000
    with loop_fs("ext4", 64) as drive:
        drive.remount(options=f"rw,{mode}")
        path = Path(drive.point) / "A.MOV"
        path.write_bytes(old + b"UNIQUE-1")
        os.sync()
        drive.remount(options=f"rw,{mode}")
        with path.open("r+b") as file:
            view = mmap.mmap(file.fileno(), 0) if held else None
            if view is not None:
                assert view[:]  # every page is in memory, and stays
            with open(drive.backing, "r+b") as image:
                data = image.read().replace(b"UNIQUE-1", b"UNIQUE-2")
                image.seek(0)
                image.write(data)
            reading = read_cold(RealFiles(), str(path), cold_policy("ext4", drive.device))
            if view is not None:
                view.close()
    medium = ReadHasher()
    medium.update(memoryview(old + b"UNIQUE-2"))
    assert reading.xxh128 == medium.xxh128 or not reading.cold


@pytest.mark.real("exfat")
def test_a_file_put_back_by_hand_in_this_mount_is_not_cold(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def denied(self: RealFiles, path: str) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", path)

    monkeypatch.setattr(RealFiles, "drop_device_pages", denied)
    card = yard.card("card", {"A.MOV": clip(1)})
    yard.drive("Main", Role.PRIMARY)
    with loop_fs("exfat", 200) as drive:
        with yard.keeper() as keeper:
            keeper.add_drive(drive.point, role=Role.SECONDARY, name="Travel", folder=False)
        yard.offload(card)
        copy = Path(drive.point) / SHOOT / "Originals/Wide/Roll 01/A.MOV"
        copy.unlink()
        yard.verify()
        drive.remount()
        shutil.copy2(card / "A.MOV", copy)
        yard.verify()
        assert yard.verdict(card).answer is Answer.NO


def test_of_two_files_with_the_same_bytes_only_the_one_that_landed_is_believed(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("card", {"A.XML": b"same", "B.XML": b"same"}))
    travel = yard.drive("Travel", Role.SECONDARY)
    wanted = temp_name(str(roll_folder(travel) / "B.XML"))
    syncs: list[str] = []
    creations: list[str] = []
    real_sync, real_create = RealFiles.sync_tree, RealFiles.create

    def sync_tree(self: RealFiles, path: str) -> None:
        syncs.append(path)
        if len(syncs) == 1:
            raise OSError(errno.EIO, "EIO")
        real_sync(self, path)

    def create(self: RealFiles, path: str) -> object:
        creations.append(path)
        if path == wanted and creations.count(wanted) == 2:
            raise OSError(errno.EACCES, "EACCES")
        return real_create(self, path)

    monkeypatch.setattr(RealFiles, "sync_tree", sync_tree)
    monkeypatch.setattr(RealFiles, "create", create)
    yard.mirror()
    with yard.keeper() as keeper:
        place = next(one.place for one in keeper.places() if one.place.name == "Travel")
        facts = list(keeper._context.catalog.facts_at(place.id))
    believed = {fact.path for fact in facts if fact.result is Result.MATCHES}
    assert believed == {str(path.relative_to(travel)) for path in travel.rglob("*.XML")}


@pytest.mark.parametrize("opaque", [False, True])
def test_another_object_of_the_same_size_is_not_the_one_that_was_attested(
    tmp_path: Path, credentials: None, opaque: bool
) -> None:
    rules = Rules(
        refuses_on_put=frozenset(CHECKS), refuses_on_part=frozenset(CHECKS), opaque_etags=opaque
    )
    with refusing_store(rules) as url:
        yard = Yard(tmp_path, policy="distinct_devices = false")
        yard.drives()
        card = yard.card("card", {"A.MOV": clip(1)})
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://boat-yard/x", role=Role.CLOUD, name="Attic", endpoint=url, profile=None
            )
        yard.offload(card)
        with yard.keeper() as keeper:
            keeper.upload(progress=QUIET)
        assert yard.verdict(card).answer is Answer.YES
        (key,) = [key for key in rules.objects if key.endswith("A.MOV")]
        other = clip(2)
        etag = hashlib.md5(other, usedforsecurity=False).hexdigest()
        rules.objects[key] = (other, f'"{etag}"', {})
        yard.clock.at += timedelta(days=35)
        with yard.keeper() as keeper:
            keeper.upload(progress=QUIET)
        assert yard.verdict(card).answer is Answer.NO


@pytest.mark.real("ext4")
def test_a_folder_place_that_was_copied_to_another_drive_is_not_proven_there(
    tmp_path: Path,
) -> None:
    yard = Yard(tmp_path, policy='wipe_needs = ["primary", "secondary"]')
    card = yard.card("card", {"A.MOV": clip(1)})
    with loop_fs("ext4", 200) as one, loop_fs("ext4", 200) as two:
        for name, role in (("Main", Role.PRIMARY), ("Travel", Role.SECONDARY)):
            (Path(one.point) / name).mkdir()
            with yard.keeper() as keeper:
                keeper.add_drive(f"{one.point}/{name}", role=role, name=name, folder=True)
        yard.offload(card)
        there = Path(one.point) / "Travel"
        shutil.copytree(there, Path(two.point) / "Travel")
        shutil.rmtree(there)
        there.mkdir()
        subprocess.run(["mount", "--bind", f"{two.point}/Travel", str(there)], check=True)
        try:
            assert yard.verdict(card).answer is Answer.NO
        finally:
            subprocess.run(["umount", str(there)], check=True)
