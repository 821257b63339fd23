"""Ways that once led to a yes, or to wrong bytes, that nothing stood behind: each stays closed."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.proving import prove_copy
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
)
from backupkeeper.core.outcomes import Answer, ReasonCode
from backupkeeper.core.policy import Policy, filled_roles
from backupkeeper.system.files import RealFiles
from tests.real.loopdev import loop_fs
from tests.stories.yard import QUIET, SHOOT, HandClock, Yard, clip, roll_folder, rot

ONE = {"DCIM/A.MOV": clip(1)}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def offloaded(yard: Yard) -> tuple[Path, Path, Path]:
    main, travel = yard.drives()
    card = yard.card("card", ONE)
    yard.offload(card)
    assert yard.verdict(card).answer is Answer.YES
    return card, main, travel


@contextmanager
def mounted(*options: str, point: Path) -> Iterator[None]:
    subprocess.run(["mount", *options, str(point)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", str(point)], check=True)


def test_copies_that_were_deleted_are_noticed_before_a_yes(yard: Yard) -> None:
    card, _, travel = offloaded(yard)
    shutil.move(travel / SHOOT, yard.root / "elsewhere")
    verdict = yard.verdict(card)
    assert [(one.code, one.role) for one in verdict.reasons] == [
        (ReasonCode.MISSING, Role.SECONDARY)
    ]


def test_a_copy_of_another_size_is_noticed_before_a_yes(yard: Yard) -> None:
    card, main, _ = offloaded(yard)
    (roll_folder(main) / "DCIM/A.MOV").write_bytes(b"short")
    assert yard.verdict(card).answer is Answer.NO


def test_offloading_again_brings_back_what_was_deleted_and_names_nothing_unseen(
    yard: Yard,
) -> None:
    card, _, travel = offloaded(yard)
    shutil.rmtree(travel / SHOOT)
    outcome = yard.offload(card)
    assert outcome.proven_at == {"Main": 1, "Travel": 1}
    assert (roll_folder(travel) / "DCIM/A.MOV").read_bytes() == ONE["DCIM/A.MOV"]
    assert yard.verify().all_well
    assert yard.verdict(card).answer is Answer.YES


def test_damage_seen_after_a_fast_clock_was_set_right_stays_damage(yard: Yard) -> None:
    clock: HandClock = yard.clock
    yard.drives()
    card = yard.card("card", ONE)
    clock.at += timedelta(days=30)
    yard.offload(card)
    clock.at -= timedelta(days=30)
    rot(roll_folder(yard.root / "Travel") / "DCIM/A.MOV", 1000, b"rotten")
    yard.verify()
    assert yard.verdict(card).answer is Answer.NO
    clock.at += timedelta(days=31)
    assert yard.verdict(card).answer is Answer.NO


def test_a_folder_that_is_a_link_to_the_other_drive_is_no_copy(yard: Yard) -> None:
    card, main, travel = offloaded(yard)
    shutil.rmtree(travel / SHOOT)
    (travel / SHOOT).symlink_to(main / SHOOT)
    yard.verify()
    assert yard.verdict(card).answer is Answer.NO


@pytest.mark.real("ext4")
def test_the_other_drive_mounted_inside_a_drive_is_no_copy(yard: Yard) -> None:
    card, main, travel = offloaded(yard)
    shutil.rmtree(travel / SHOOT)
    (travel / SHOOT).mkdir()
    with mounted("--bind", str(main / SHOOT), point=travel / SHOOT):
        yard.verify()
        assert yard.verdict(card).answer is Answer.NO


@pytest.mark.real("ext4")
def test_memory_mounted_inside_a_drive_proves_nothing(yard: Yard) -> None:
    _, travel = yard.drives()
    card = yard.card("card", ONE)
    (travel / SHOOT).mkdir()
    with mounted("-t", "tmpfs", "none", point=travel / SHOOT):
        yard.offload(card)
        assert yard.verdict(card).answer is Answer.NO


def place_on(name: str, role: Role, device: str) -> Place:
    return Place(
        id=PlaceId(name),
        name=name,
        role=role,
        kind=PlaceKind.DRIVE,
        created_at=HandClock().now(),
        location=f"/{name}",
        device=device,
    )


def test_a_device_on_two_disks_shares_a_disk_with_a_device_on_one_of_them() -> None:
    known = {
        place.id: place
        for place in (
            place_on("a", Role.PRIMARY, "disk:ONE"),
            place_on("b", Role.SECONDARY, "disk:ONE+disk:TWO"),
        )
    }
    copies = [
        Copy(place=place, path="x", content=Blake3("0" * 64), state=CopyState.PROVEN)
        for place in known
    ]
    roles = (Role.PRIMARY, Role.SECONDARY)
    assert len(filled_roles(copies, known, roles, Policy())) == 1
    assert not filled_roles(copies[1:], known, roles, Policy(), not_on="disk:ONE")


@pytest.mark.parametrize("size", [300_000, 200_000])
def test_names_that_a_killed_offload_left_do_not_hold_up_another_card(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    yard.drives()
    one = yard.card("one", {"C0001.MP4": clip(1)})
    two = yard.card("two", {"C0001.MP4": clip(2, size)})
    real, calls = SqliteCatalog.record, []

    def record(self: SqliteCatalog, **named: Any) -> None:
        calls.append(named)
        if len(calls) > 1:  # the file has its name; the fact is not recorded
            raise KeyboardInterrupt
        real(self, **named)

    with monkeypatch.context() as patch:
        patch.setattr(SqliteCatalog, "record", record)
        with pytest.raises(KeyboardInterrupt):
            yard.offload(one)
    outcome = yard.offload(two)
    assert (outcome.sealed, outcome.troubles) == (True, ())
    assert yard.verdict(two).answer is Answer.YES


@pytest.mark.parametrize("absolute", [True, False])
def test_verifying_a_file_that_does_not_exist_shows_nothing(yard: Yard, absolute: bool) -> None:
    _, main, _ = offloaded(yard)
    what = roll_folder(main) / "B.MOV"
    try:
        outcome = yard.verify(str(what) if absolute else str(what.relative_to(main)))
    except UsageError:
        return
    assert outcome.matching_files == 0


def test_two_catalogs_never_work_on_one_drive_at_once(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    a, b = Yard(tmp_path / "a"), Yard(tmp_path / "b")
    main = a.drive("Main", Role.PRIMARY)
    with b.keeper() as keeper:
        keeper.add_drive(str(main), role=Role.PRIMARY, name="Main", folder=True)
    files = RealFiles()
    held = files.lock(str(main / ".backupkeeper/place.json"))
    try:
        with pytest.raises(OutOfReachError, match="at work on Main"):
            b.offload(b.card("card", ONE))
    finally:
        files.close(held)
    assert b.offload(b.card("card", ONE)).sealed


def test_the_same_card_under_another_source_is_recognised(yard: Yard) -> None:
    card, _, _ = offloaded(yard)
    again = yard.offload(card, source="Close")
    assert (again.new_files, again.known_files, again.roll) == (0, 1, None)


@pytest.mark.real("ext4", "xfs")
@pytest.mark.parametrize("kind", ["ext4", "xfs"])
def test_a_drive_that_dies_during_a_verify_is_no_news_about_its_files(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    card = yard.card("card", {f"D/{n:03}.MOV": clip(n) for n in range(20)})
    with loop_fs(kind, 400) as drive:
        with yard.keeper() as keeper:
            keeper.add_drive(drive.point, role=Role.PRIMARY, name="Main", folder=False)
        yard.offload(card)
        drive.remount()
        seen = []

        def dying(*values: Any, **named: Any) -> Any:
            seen.append(values)
            if len(seen) == 5:
                subprocess.run(["xfs_io", "-x", "-c", "shutdown", drive.point], check=True)
            return prove_copy(*values, **named)

        monkeypatch.setattr("backupkeeper.actions.verify.prove_copy", dying)
        with yard.keeper() as keeper:
            outcome = keeper.verify(None, progress=QUIET)
            place = keeper.places()[0].place
            facts = list(keeper._context.catalog.facts_at(place.id))
        assert outcome.troubles
        assert [fact for fact in facts if fact.result is not Result.MATCHES] == []


@pytest.mark.real("ext4")
def test_a_folder_on_a_drive_that_is_a_place_is_no_card_however_it_is_mounted(
    yard: Yard, tmp_path: Path
) -> None:
    second = tmp_path / "second mount"
    second.mkdir()
    with loop_fs("ext4", 200) as drive:
        with yard.keeper() as keeper:
            keeper.add_drive(drive.point, role=Role.PRIMARY, name="Main", folder=False)
        yard.offload(yard.card("card", ONE))
        inner = f"{drive.point}/{SHOOT}/Originals/Wide/Roll 01"
        with mounted("--bind", inner, point=second), pytest.raises(UsageError, match="not a card"):
            yard.verdict(second)


def test_a_folder_of_a_larger_medium_is_judged_with_a_word_about_the_rest(yard: Yard) -> None:
    card, _, _ = offloaded(yard)
    assert any("only what lies in this folder" in one for one in yard.verdict(card).warnings)
