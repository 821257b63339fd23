"""Damaged copies made whole from whatever is still right: at a boat yard, on real folders."""

import errno
import json
import os
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.health import advice_on_drives
from backupkeeper.core.harm import NO_RIGHT
from backupkeeper.core.model import BLOCK_BYTES, CopyState, Result, Role
from backupkeeper.ports.files import Handle
from backupkeeper.system.files import RealFiles
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, Yard, clip, roll_folder, rot

SMALL = "DCIM/100BOATY/BOAT0002.MP4"
LARGE = "DCIM/100BOATY/BOAT0001.MP4"


def large(seed: int) -> bytes:
    """Three blocks and a bit, no two alike."""
    return b"".join(clip(seed * 10 + part, BLOCK_BYTES) for part in range(3)) + clip(seed, 5000)


CARD = {LARGE: large(1), SMALL: clip(2)}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def taken_in(yard: Yard) -> tuple[Path, Path]:
    main, travel = yard.drives()
    yard.offload(yard.card("card", CARD))
    return roll_folder(main), roll_folder(travel)


def aside(drive: Path) -> list[Path]:
    folder = drive / ".backupkeeper/set-aside"
    return sorted(path for path in folder.rglob("*") if path.is_file())


def test_one_bad_block_is_found_to_the_byte_and_mended(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, BLOCK_BYTES + 1000, b"\xa5" * 512)
    (found,) = yard.verify("Main").checked
    assert found.damage == ((BLOCK_BYTES + 1000, BLOCK_BYTES + 1512),)
    hurt = (main / LARGE).read_bytes()
    outcome = yard.repair()
    (mended,) = outcome.mended
    assert mended.patient.damage == ((BLOCK_BYTES + 1000, BLOCK_BYTES + 1512),)
    assert mended.taken == {"Travel": BLOCK_BYTES}
    assert mended.proven
    assert outcome.all_well
    assert (main / LARGE).read_bytes() == CARD[LARGE]
    assert (main / LARGE).stat().st_mtime_ns == (travel / LARGE).stat().st_mtime_ns
    note, kept = sorted(aside(yard.root / "Main"), key=lambda path: path.name != "note.json")
    assert kept.read_bytes() == hurt
    assert json.loads(note.read_text())["damaged_bytes"] == [
        [BLOCK_BYTES + 1000, BLOCK_BYTES + 1512]
    ]
    assert yard.verify().all_well
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)


def test_two_copies_hurt_in_different_blocks_are_both_made_whole(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, 10, b"rot")
    rot(travel / LARGE, 2 * BLOCK_BYTES + 10, b"rot")
    yard.verify()
    outcome = yard.repair()
    assert sorted(one.patient.place for one in outcome.mended) == ["Main", "Travel"]
    assert (main / LARGE).read_bytes() == (travel / LARGE).read_bytes() == CARD[LARGE]


def test_two_copies_hurt_in_the_same_block_are_told_and_left(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, 10, b"rot")
    rot(travel / LARGE, 100, b"rot")
    before = (main / LARGE).read_bytes(), (travel / LARGE).read_bytes()
    yard.verify()
    outcome = yard.repair()
    assert not outcome.mended
    assert [one.lost for one in outcome.unmended] == [((0, BLOCK_BYTES),)] * 2
    assert ((main / LARGE).read_bytes(), (travel / LARGE).read_bytes()) == before
    assert not aside(yard.root / "Main")
    assert not list(main.rglob("*.part"))


def test_two_copies_hurt_in_other_sectors_of_one_block_are_pieced_together(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, 10, b"rot" * 400)
    rot(travel / LARGE, 500_000, b"rot" * 2000)
    yard.verify()
    outcome = yard.repair()
    assert len(outcome.mended) == 2
    assert (main / LARGE).read_bytes() == (travel / LARGE).read_bytes() == CARD[LARGE]
    assert yard.verify().all_well


def test_an_edit_is_left_alone_until_a_person_says_so(yard: Yard) -> None:
    main, _ = taken_in(yard)
    (main / SMALL).write_bytes(clip(7))
    os.utime(main / SMALL, (2e9, 2e9))
    (found,) = yard.verify("Main").checked
    assert found.finding.value == "changed"
    outcome = yard.repair()
    assert not outcome.mended
    assert "edited" in outcome.left[0]
    assert (main / SMALL).read_bytes() == clip(7)
    (mended,) = yard.repair(edited=True).mended
    assert mended.patient.found is Result.CHANGED
    assert (main / SMALL).read_bytes() == CARD[SMALL]
    assert clip(7) in [path.read_bytes() for path in aside(yard.root / "Main")]


def test_a_dry_run_says_what_would_be_done_and_does_nothing(yard: Yard) -> None:
    main, _ = taken_in(yard)
    rot(main / LARGE, BLOCK_BYTES, b"rot")
    yard.verify()
    hurt = (main / LARGE).read_bytes()
    (planned,) = yard.repair(dry_run=True).planned
    assert planned.sharing.taken == {"Travel": ((BLOCK_BYTES, 2 * BLOCK_BYTES),)}
    assert not planned.sharing.lost
    assert (main / LARGE).read_bytes() == hurt
    assert not aside(yard.root / "Main")


@pytest.mark.parametrize("size", [0, 1, 4096, BLOCK_BYTES, 2 * BLOCK_BYTES + 1])
def test_a_file_that_was_cut_off_is_made_whole(yard: Yard, size: int) -> None:
    main, _ = taken_in(yard)
    before = (main / LARGE).stat()
    os.truncate(main / LARGE, size)
    os.utime(main / LARGE, ns=(before.st_atime_ns, before.st_mtime_ns))
    (found,) = yard.verify("Main").checked
    assert found.finding.value == "cut off"
    assert found.damage == ((size, len(CARD[LARGE])),)
    assert len(yard.repair().mended) == 1
    assert (main / LARGE).read_bytes() == CARD[LARGE]


def test_a_copy_that_was_thought_good_and_is_not_is_told_and_not_used(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, 10, b"rot")
    yard.verify("Main")
    rot(travel / LARGE, 100, b"secret")
    outcome = yard.repair()
    assert not outcome.mended
    assert [trouble.place for trouble in outcome.troubles] == ["Travel"]
    states = {copy_state(yard, "Travel"), copy_state(yard, "Main")}
    assert states == {CopyState.DAMAGED}


def copy_state(yard: Yard, place: str) -> CopyState:
    with yard.keeper() as keeper:
        (cover,) = keeper.gaps().rolls
        role = Role.PRIMARY if place == "Main" else Role.SECONDARY
        return cover.roles[role].state


MANY = {f"DCIM/C{n:04}.MP4": clip(n, 20_000) for n in range(12)}


def test_much_at_once_puts_the_drive_in_doubt_and_nothing_is_believed_or_mended(yard: Yard) -> None:
    main, _ = yard.drives()
    card = yard.card("card", MANY)
    yard.offload(card)
    for n in range(8):
        rot(roll_folder(main) / f"DCIM/C{n:04}.MP4", 100, b"rot")
    outcome = yard.verify("Main")
    (trouble,) = outcome.troubles
    assert "in doubt" in trouble.message
    assert trouble.message.endswith("7 of 12 files were not read.")
    assert len(outcome.checked) == 5
    verdict = yard.verdict(card)
    assert not verdict.may_wipe, "what was not read again is believed no more"
    assert {reason.code.value for reason in verdict.reasons} == {"damaged", "not-proven"}
    yard.clock.at += timedelta(days=9)
    repaired = yard.repair()
    assert not repaired.mended
    assert "nothing is mended there" in " ".join(repaired.left)
    with yard.keeper() as keeper:
        found = keeper.verify("Main", in_doubt=True, progress=QUIET)
    assert (len(found.checked), found.matching_files) == (8, 4)
    assert len(yard.repair(in_doubt=True).mended) == 8
    assert yard.verify("Main").all_well
    assert yard.verdict(card).may_wipe


def test_a_cable_that_was_wrong_is_forgiven_once_all_reads_right(yard: Yard) -> None:
    main, _ = yard.drives()
    card = yard.card("card", MANY)
    yard.offload(card)
    for n in range(8):
        rot(roll_folder(main) / f"DCIM/C{n:04}.MP4", 100, b"rot")
    yard.verify("Main")
    for n in range(8):  # another cable, and the same bytes come right
        good = MANY[f"DCIM/C{n:04}.MP4"][100:103]
        rot(roll_folder(main) / f"DCIM/C{n:04}.MP4", 100, good)
    assert yard.verify("Main").all_well
    assert yard.verdict(card).may_wipe
    assert not yard.repair().left


def test_what_a_person_wrote_after_the_damage_was_found_is_an_edit(yard: Yard) -> None:
    main, _ = taken_in(yard)
    rot(main / LARGE, 10, b"rot")
    yard.verify("Main")
    (main / LARGE).write_bytes(b"an edit of mine")
    os.utime(main / LARGE, (2e9, 2e9))
    outcome = yard.repair()
    assert not outcome.mended
    assert "edited" in outcome.left[0]
    assert (main / LARGE).read_bytes() == b"an edit of mine"


@pytest.mark.parametrize("what", ["folder", "link", "pipe", "other file"])
def test_what_stands_in_a_files_place_is_never_mended_over(yard: Yard, what: str) -> None:
    main, _ = taken_in(yard)
    place = main / SMALL
    place.unlink()
    if what == "folder":
        place.mkdir()
    elif what == "link":
        place.symlink_to(main / LARGE)
    elif what == "pipe":
        os.mkfifo(place)
    else:
        place.write_bytes(clip(9, 1000))
        os.utime(place, (1.5e9, 1.5e9))  # older than any proof
    (found,) = yard.verify("Main").checked
    assert found.finding.value == ("changed" if what == "other file" else "missing")
    assert what == "other file" or "stands there" in found.note
    before = sorted(str(path) for path in yard.root.rglob("*") if "catalog" not in str(path))
    assert not yard.repair().mended
    after = sorted(str(path) for path in yard.root.rglob("*") if "catalog" not in str(path))
    assert [path for path in after if path not in before and "ascmhl" not in path] == []


@pytest.mark.parametrize("what", ["file", "link"])
def test_where_nothing_can_be_set_aside_nothing_is_mended(yard: Yard, what: str) -> None:
    main, _ = taken_in(yard)
    rot(main / SMALL, 10, b"rot")
    yard.verify("Main")
    place = yard.root / "Main/.backupkeeper/set-aside"
    if what == "file":
        place.write_text("")
    else:
        (yard.root / "elsewhere").mkdir()
        place.symlink_to(yard.root / "elsewhere")
    outcome = yard.repair()
    assert not outcome.mended
    assert "is no folder on this drive" in outcome.left[0]
    assert not list(main.rglob("*.part"))


def test_after_ctrl_c_what_was_mended_stands_in_the_manifest(yard: Yard) -> None:
    main, _ = taken_in(yard)
    for name in (LARGE, SMALL):
        rot(main / name, 10, b"rot")
    yard.verify("Main")

    def interrupt() -> None:
        raise KeyboardInterrupt

    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.repair(
            None, dry_run=False, edited=False, in_doubt=False,
            progress=AtAdvance(6, interrupt),
        )  # fmt: skip
    assert len(list((main / "ascmhl").glob("0003*.mhl"))) == 1
    assert len(yard.repair().mended) == 1
    assert yard.verify("Main").all_well


def test_a_copy_that_is_gone_when_it_is_asked_is_recorded(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, 10, b"rot")
    yard.verify("Main")
    (travel / LARGE).unlink()
    outcome = yard.repair()
    assert not outcome.mended
    assert any(one.place == "Travel" and "missing" in one.message for one in outcome.troubles)
    assert copy_state(yard, "Travel") is CopyState.MISSING
    (planned,) = yard.repair(dry_run=True).planned
    assert planned.sharing.lost, "nothing is expected of it any more"


def test_a_file_that_may_not_be_read_speaks_of_nothing_but_that(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", MANY))
    opened = RealFiles.open_read

    def refused(self: RealFiles, path: str, *, direct: bool = False) -> Handle:
        if str(main) in path and path.endswith(".MP4"):
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return opened(self, path, direct=direct)

    monkeypatch.setattr(RealFiles, "open_read", refused)
    outcome = yard.verify("Main")
    assert {one.note for one in outcome.checked} == {NO_RIGHT}
    assert outcome.troubles == (), "the drive is in no doubt"
    assert len(outcome.checked) == len(MANY)
    repaired = yard.repair()
    assert not repaired.mended
    assert all(NO_RIGHT in one for one in repaired.left)
    with yard.keeper() as keeper:
        assert advice_on_drives(keeper.context, keeper.context.clock.now()) == {}
    monkeypatch.undo()
    assert yard.verify("Main").all_well
