"""What drives say of themselves is remembered once a day, and what speaks against one is said."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.context import Context
from backupkeeper.actions.health import advice_on, advice_on_drives, note_health, sentence
from backupkeeper.actions.online import OnlineDrive, online_drives
from backupkeeper.core.model import Event, EventKind, Fact, PlaceId, Result, Way
from backupkeeper.core.trends import Level
from backupkeeper.drives.smart import Ran, Smart
from tests.stories.yard import HandClock, Yard, clip

FAILING = b'{"smart_status": {"passed": false}, "device": {"protocol": "ATA"}}'
DAY = timedelta(days=1)


class Asked:
    """Stands for smartctl: what it prints, and how often it was asked."""

    def __init__(self, said: bytes = FAILING, status: int = 8) -> None:
        self.times = 0
        self._ran = Ran(status=status, output=said)

    def __call__(self, _arguments: Sequence[str]) -> Ran | None:
        self.times += 1
        return self._ran


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def drive_of(context: Context) -> OnlineDrive:
    here, _ = online_drives(context)
    main = next(one for one in here if one.place.name == "Main")
    return replace(main, info=replace(main.info, block_device="/dev/vda"))


def bad(context: Context, place: PlaceId, name: str, result: Result, days: int) -> Fact:
    content = next(iter(context.catalog.facts_at(place))).content
    return Fact(
        at=context.clock.now() - days * DAY, place=place, path=name, content=content,
        way=Way.REHASH, result=result, cold=True,
    )  # fmt: skip


def test_a_drive_is_asked_once_a_day_and_its_answer_remembered(yard: Yard) -> None:
    yard.drives()
    asked = Asked()
    with yard.keeper() as keeper:
        drive, clock = drive_of(keeper.context), keeper.context.clock
        assert isinstance(clock, HandClock)
        for hours in (0, 5, 22, 24):
            clock.at = yard.clock.at.replace(hour=1) + timedelta(hours=hours)
            note_health(keeper.context, drive, Smart(run=asked))
        events = list(keeper.context.catalog.events((EventKind.HEALTH,), subject=drive.place.id))
    assert (asked.times, len(events)) == (2, 2)


def test_a_folder_without_a_device_is_not_asked(yard: Yard) -> None:
    yard.drives()
    asked = Asked()
    with yard.keeper() as keeper:
        drive = drive_of(keeper.context)
        note_health(
            keeper.context,
            replace(drive, info=replace(drive.info, block_device=None)),
            Smart(run=asked),
        )
    assert asked.times == 0


def test_a_drive_that_says_it_is_failing_should_be_replaced(yard: Yard) -> None:
    yard.drives()
    with yard.keeper() as keeper:
        drive, now = drive_of(keeper.context), keeper.context.clock.now()
        assert advice_on(keeper.context, drive.place, now).level is Level.FINE
        assert advice_on_drives(keeper.context, now) == {}
        note_health(keeper.context, drive, Smart(run=Asked()))
        (found,) = advice_on_drives(keeper.context, now + DAY).values()
        assert found.level is Level.REPLACE
        assert sentence("Main", found).startswith("Main: replace this drive.")


def test_sectors_of_several_files_on_several_days_speak_against_a_drive(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", {"DCIM/C1.MP4": clip(1)}))
    with yard.keeper() as keeper:
        context = keeper.context
        place = drive_of(context).place
        facts = [
            bad(context, place.id, f"{n}.MP4", Result.UNREADABLE, days)
            for n, days in enumerate((20, 10, 1))
        ]
        context.catalog.record(facts=facts)
        assert advice_on(context, place, context.clock.now()).level is Level.REPLACE
        assert advice_on(context, place, context.clock.now() + 800 * DAY).level is Level.FINE


def test_rates_that_fell_are_told_and_words_that_nobody_understands_are_passed_over(
    yard: Yard,
) -> None:
    yard.drives()
    with yard.keeper() as keeper:
        context = keeper.context
        place, now = drive_of(context).place, context.clock.now()
        rates = [100] * 5 + [20] * 4
        events = [
            Event(
                at=now - (10 - n) * DAY, kind=EventKind.MOVED, subject=f"prove|{place.id}",
                detail=f"{rate * 10**9} 1000.0",
            )
            for n, rate in enumerate(rates)
        ]  # fmt: skip
        context.catalog.note(
            [
                *events,
                replace(events[0], detail="much", at=now - DAY),
                replace(events[0], detail="5 1.0", at=now - DAY),
                Event(at=now - DAY, kind=EventKind.HEALTH, subject=place.id, detail="{}"),
                Event(at=now - DAY, kind=EventKind.HEALTH, subject=place.id, detail='{"signs": 5}'),
                Event(
                    at=now, kind=EventKind.HEALTH, subject=place.id,
                    detail='{"signs": null, "why_not": "x"}',
                ),
            ]
        )  # fmt: skip
        found = advice_on(context, place, now)
        assert found.level is Level.WATCH
        assert "20.0 MB/s" in " ".join(found.reasons)
