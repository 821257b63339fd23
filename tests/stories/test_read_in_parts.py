"""A large file whose reading is broken off is taken up where it was: on real folders, cold."""

import os
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from backupkeeper.actions import proving, verify as verifying
from backupkeeper.actions.verify import prove_roll
from backupkeeper.core.model import Fact, Way
from backupkeeper.core.outcomes import VerifyOutcome
from backupkeeper.ports.progress import Progress
from backupkeeper.wiring import Keeper
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, Yard, clip, roll_folder, rot

MiB = 1 << 20
CLIP = "DCIM/100BOATY/BOAT0001.MP4"
SIZE = 33 * MiB + 5
DAY = timedelta(days=1)


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Yard:
    for module in (proving, verifying):
        monkeypatch.setattr(module, "PART_FROM_BYTES", 16 * MiB)
    yard = Yard(tmp_path)
    yard.drives()
    yard.offload(yard.card("card", {CLIP: clip(1, SIZE)}))
    yard.clock.at += 80 * DAY
    return yard


def prove(
    keeper: Keeper, budget_s: float | None = 0.0, progress: Progress = QUIET
) -> VerifyOutcome:
    context = keeper.context
    main = next(place for place in context.catalog.places() if place.name == "Main")
    (head,) = context.catalog.rolls()
    return prove_roll(
        context, main.id, head.id, proven_before=context.clock.now() - DAY,
        budget_s=budget_s, progress=progress,
    )  # fmt: skip


def facts(keeper: Keeper) -> list[Fact]:
    main = next(place for place in keeper.context.catalog.places() if place.name == "Main")
    return sorted(keeper.context.catalog.facts_at(main.id), key=lambda fact: fact.at)


def newest_proof(keeper: Keeper) -> datetime:
    return max(fact.at for fact in facts(keeper) if fact.is_proof)


def test_each_nights_budget_brings_it_on_until_it_is_proven(yard: Yard) -> None:
    begun = yard.clock.at
    with yard.keeper() as keeper:
        outcomes = []
        for _ in range(5):
            outcomes.append(prove(keeper))
            yard.clock.at += timedelta(hours=1)
        read = [one.read_bytes for one in outcomes]
        assert read == [8 * MiB, 8 * MiB, 8 * MiB, 8 * MiB, SIZE - 32 * MiB]
        assert [one.matching_files for one in outcomes] == [0, 0, 0, 0, 1]
        assert outcomes[-1].checked == (), "it is right, and nothing is to be told"
        found = next(fact for fact in facts(keeper) if fact.is_proof and fact.at >= begun)
        assert found.note == "Read in parts."
        assert found.at - begun < timedelta(minutes=1), "as old as its first part"
        assert prove(keeper).matching_files == 0, "nothing is left to read"


def test_what_was_written_to_in_between_is_read_from_its_beginning(yard: Yard) -> None:
    hurt = roll_folder(yard.root / "Main") / CLIP
    with yard.keeper() as keeper:
        prove(keeper)
        rot(hurt, 100, b"in the part that was read")
        os.utime(hurt, (2e9, 2e9))
        yard.clock.at += timedelta(hours=1)
        outcome = prove(keeper, budget_s=None)
        (checked,) = outcome.checked
        assert checked.finding.value == "changed"
        assert checked.damage[0][0] < 16 * MiB


def test_after_ctrl_c_it_goes_on(yard: Yard) -> None:
    def interrupt() -> None:
        raise KeyboardInterrupt

    with yard.keeper() as keeper:
        with pytest.raises(KeyboardInterrupt):
            prove(keeper, None, AtAdvance(3, interrupt))
        (part,) = [fact for fact in facts(keeper) if fact.way is Way.PART]
        assert part.damage == ((24 * MiB, SIZE),)
        yard.clock.at += DAY
        assert prove(keeper, None).matching_files == 1
        assert newest_proof(keeper) == part.at


def test_damage_in_the_rest_is_found_and_the_whole_is_read_then(yard: Yard) -> None:
    with yard.keeper() as keeper:
        prove(keeper)
        rot(roll_folder(yard.root / "Main") / CLIP, 30 * MiB, b"rot")
        (checked,) = prove(keeper, budget_s=None).checked
        assert checked.finding.value == "damaged"
        assert checked.damage == ((30 * MiB, 30 * MiB + 3),)


def test_an_old_beginning_is_read_again(yard: Yard) -> None:
    with yard.keeper() as keeper:
        prove(keeper)
        yard.clock.at += 15 * DAY
        begun = yard.clock.at
        assert prove(keeper, budget_s=None).matching_files == 1
        assert newest_proof(keeper) >= begun


def test_damage_behind_a_part_is_told_however_short_the_nights_are(yard: Yard) -> None:
    rot(roll_folder(yard.root / "Main") / CLIP, SIZE - 3, b"rot")
    with yard.keeper() as keeper:
        for _ in range(4):
            assert prove(keeper).begun_files == 1
            yard.clock.at += timedelta(hours=20)
        (checked,) = prove(keeper).checked
        assert checked.damage == ((SIZE - 3, SIZE),)
        assert prove(keeper).checked == (), "it is known, and not read again in vain"
