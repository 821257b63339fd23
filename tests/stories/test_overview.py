"""How everything stands, gathered from a real catalog and real folders."""

import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.room import remembered_room
from backupkeeper.core.model import EventKind, Result, Role
from backupkeeper.core.overview import DriveLine, Overview, Worry
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, rot

CARD = {"DCIM/100/A.MP4": clip(1), "DCIM/100/B.MP4": clip(2), "DCIM/NOTES.TXT": b"tide at nine"}
TWO_ROLES = 'distinct_devices = false\nroles = ["primary", "secondary"]\nwipe_needs = ["primary", "secondary"]'
DAY = timedelta(days=1)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path, policy=TWO_ROLES)


def seen(yard: Yard) -> Overview:
    with yard.keeper() as keeper:
        return keeper.overview()


def drive(found: Overview, name: str) -> DriveLine:
    return next(one for one in found.drives if one.place.name == name)


def test_on_the_first_day_there_is_nothing_but_what_to_do(yard: Yard) -> None:
    found = seen(yard)
    assert found.worry is Worry.SOON
    assert [one.command.split()[1] for one in found.steps] == [
        "place",
        "place",
        "offload",
        "may-wipe",
    ]
    assert (found.drives, found.harms, found.levels, found.clips) == ((), (), (), {})
    assert (found.status, found.next_at) == (None, None)


def test_a_card_on_both_drives_is_no_worry_and_everything_is_told_of_it(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("WIDE", CARD))
    yard.clock.at += 3 * DAY
    found = seen(yard)
    assert found.worry is Worry.NONE
    assert found.steps == ()
    main = drive(found, "Main")
    assert (main.is_here, main.held_files, main.in_doubt, main.advice) == (True, 3, False, None)
    assert main.held_bytes == sum(map(len, CARD.values()))
    assert main.free_bytes is not None
    assert main.last_proven is not None
    assert main.last_seen == found.at
    assert main.snapshot_at is not None
    assert main.filling.why == "too few shoots are known yet"
    young = [one for one in found.proof_ages if one.files]
    assert [(one.role, one.days_from, one.files) for one in young] == [
        (Role.PRIMARY, 0, 3),
        (Role.SECONDARY, 0, 3),
    ]
    last = found.levels[-1]
    assert last.taken_bytes == main.held_bytes
    assert last.proven_bytes == {Role.PRIMARY: main.held_bytes, Role.SECONDARY: main.held_bytes}
    (clips,) = found.clips.values()
    assert [one.path for one in clips] == ["DCIM/100/A.MP4", "DCIM/100/B.MP4"]


def test_damage_is_acted_on_at_once_and_once_mended_is_told_as_that(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("WIDE", CARD))
    yard.clock.at += DAY
    rot(roll_folder(main) / "DCIM/100/A.MP4", 100, b"rot")
    yard.verify()
    found = seen(yard)
    assert found.worry is Worry.NOW
    assert found.steps[0].command == "backupkeeper repair Main"
    (hurt,) = found.harms
    assert (hurt.place, hurt.path, hurt.result) == (
        "Main",
        f"{SHOOT}/Originals/Wide/Roll 01/DCIM/100/A.MP4",
        Result.DAMAGED,
    )
    assert hurt.folder == f"{SHOOT}/Originals/Wide/Roll 01"
    assert (hurt.size_bytes, hurt.mended_at) == (300_000, None)
    yard.clock.at += DAY
    yard.repair()
    found = seen(yard)
    assert found.worry is Worry.NONE
    assert found.harms[0].mended_at is not None
    (watch,) = found.steps  # told for a while, and nothing to be done about it now
    assert watch.words.startswith("Main: watch this drive")


def test_files_that_somebody_deleted_are_told_where_another_drive_of_the_role_has_them(
    yard: Yard,
) -> None:
    main, _ = yard.drives()
    yard.drive("Old", Role.PRIMARY)
    yard.offload(yard.card("WIDE", CARD))
    shutil.rmtree(roll_folder(main) / "DCIM/100")
    yard.verify()
    found = seen(yard)
    assert found.gaps.with_gaps == ()
    assert found.worry is Worry.SOON, "status wants somebody too"
    (step,) = found.steps
    assert step.words.startswith("Main: 2 files that were there are missing.")
    assert step.command == "backupkeeper verify Main"


def test_an_edited_original_is_told_too(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("WIDE", CARD))
    (roll_folder(main) / "DCIM/100/A.MP4").write_bytes(b"graded")
    yard.verify()
    found = seen(yard)
    assert [(one.result, one.mended_at) for one in found.harms] == [(Result.CHANGED, None)]
    assert "backupkeeper repair Main --edited" in {one.command for one in found.steps}


def test_a_drive_that_is_away_keeps_its_last_free_bytes_with_their_day(yard: Yard) -> None:
    _, travel = yard.drives()
    yard.offload(yard.card("WIDE", CARD))
    before = drive(seen(yard), "Travel")
    yard.clock.at += 9 * DAY
    shutil.move(travel, yard.root / "in the other bag")
    found = drive(seen(yard), "Travel")
    assert found.is_here is False
    assert found.free_bytes is not None
    assert before.free_bytes is not None
    assert abs(found.free_bytes - before.free_bytes) < before.free_bytes / 50  # tests share a disk
    assert found.free_at is not None
    assert found.free_at < yard.clock.at - 8 * DAY
    assert found.last_seen == found.free_at


def test_free_bytes_are_remembered_once_a_day_unless_they_change(yard: Yard) -> None:
    yard.drives()

    def remembered() -> int:
        with yard.keeper() as keeper:
            return sum(1 for _ in keeper.context.catalog.events((EventKind.ROOM,)))

    seen(yard)
    first = remembered()
    assert first == 2
    seen(yard)
    yard.mirror()
    with yard.keeper() as keeper:
        keeper.places()
    assert remembered() == first
    yard.clock.at += DAY
    seen(yard)
    assert remembered() == 2 * first
    yard.clock.at -= 30 * DAY  # a clock that was set back is no reason to know nothing
    seen(yard)
    assert remembered() == 3 * first


def test_status_by_hand_says_the_same_of_what_is_here_and_what_was(yard: Yard) -> None:
    with yard.keeper() as keeper:
        assert keeper.status().rolls == 0
    main, travel = yard.drives()
    yard.offload(yard.card("WIDE", CARD))
    seen(yard)
    yard.clock.at += 9 * DAY
    shutil.move(travel, yard.root / "in the other bag")
    (roll_folder(main) / "DCIM/100/A.MP4").unlink()
    rot(roll_folder(main) / "DCIM/100/B.MP4", 100, b"rot")
    yard.verify("Main")
    with yard.keeper() as keeper:
        status = keeper.status()
    assert status.rolls == 1
    here, away = status.drives
    assert (here.name, here.last_seen, away.point) == ("Main", status.at, "")
    assert here.free_bytes is not None
    assert away.last_seen is not None  # no daemon ever ran: it was seen by hand
    assert [one.partition(": ")[2] for one in status.damage] == ["1 file damaged, 1 file missing"]


def test_a_list_of_the_places_remembers_what_is_free_too(yard: Yard) -> None:
    yard.drives()
    with yard.keeper() as keeper:
        keeper.places()
        assert len(remembered_room(keeper.context)) == 2
