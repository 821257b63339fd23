"""Six years at the yard: old proofs go, and whoever asks hears what they would have heard anyway."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.snapshots import keep_snapshots
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.merging import MergeWish
from backupkeeper.core.model import Fact, Result, Way
from backupkeeper.core.thinning import spare
from backupkeeper.daemon.doing import do
from backupkeeper.daemon.errand import Finished
from backupkeeper.daemon.memory import Memory
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, HandClock, clip

CARD = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2)}
DAY = timedelta(days=1)
TODAY = datetime(2032, 6, 12, 12, tzinfo=UTC)


class OldYard(ScopedYard):
    """One that has been at work for years."""

    def years(self) -> None:
        """What nightly proofs would have left: each copy again every ninety days, and damage once."""
        with self.context() as context:
            for place in context.catalog.places():
                known = [one for one in context.catalog.facts_at(place.id) if one.is_proof]
                for one in known:
                    again = replace(one, way=Way.REHASH, mount="old boot:1")
                    context.catalog.record(
                        facts=[replace(again, at=one.at + n * 90 * DAY) for n in range(1, 24)]
                    )
                hurt = replace(known[0], way=Way.REHASH, at=known[0].at + 905 * DAY)
                context.catalog.record(facts=[replace(hurt, result=Result.DAMAGED)])
        self.clock.at = TODAY

    def thins(self) -> Finished:
        with self.context() as context:
            return do(context, Deed(kind=DeedKind.THIN, why=""), QUIET)

    def keeps(self) -> set[str]:
        """Names of places that got a snapshot."""
        with self.context() as context:
            return set(keep_snapshots(context, QUIET).kept)

    def every_fact(self) -> set[Fact]:
        with self.context() as context:
            places = context.catalog.places()
            return {one for place in places for one in context.catalog.facts_at(place.id)}

    def is_due(self) -> bool:
        with self.context() as context:
            return Memory(context.catalog, self.clock).thinning_due(self.clock.now())

    def told(self) -> Any:
        """What report, gaps and may-wipe say, all asked at one instant."""
        self.clock.at = TODAY  # it ticks with every look at it
        with self.keeper() as keeper:
            overview, gaps = keeper.overview(), keeper.gaps()
        # How much is free on this machine's disk is nobody's matter here.
        drives = tuple(replace(one, free_bytes=0) for one in overview.drives)
        return replace(overview, drives=drives), gaps, self.verdict(self.root / "wide")


@pytest.fixture
def yard(tmp_path: Path) -> OldYard:
    clock = HandClock(at=TODAY - 2180 * DAY)
    yard = OldYard(tmp_path, policy='wipe_needs = ["primary", "secondary"]\ndistinct_devices = false', clock=clock)  # fmt: skip
    yard.drives()
    with yard.context() as context:
        Memory(context.catalog, clock).first_run(clock.now())
    yard.offload(yard.card("wide", CARD))
    yard.years()
    return yard


def test_a_person_hears_the_same_and_old_facts_are_gone(yard: OldYard) -> None:
    facts, told = yard.every_fact(), yard.told()
    assert yard.is_due()
    came = yard.thins()
    left = yard.every_fact()
    went = len(facts) - len(left)
    assert left == facts - set(spare(facts, TODAY))
    assert 2 * len(left) < len(facts)
    assert came.said == f"Of 4 copies {went} facts went that only repeated those before and after them."  # fmt: skip
    assert not yard.is_due()
    assert yard.told() == told
    assert not told[2].may_wipe, "all proofs are too old"
    assert yard.thins().said.startswith("Of 4 copies 0 facts went")


def test_thinning_calls_for_no_snapshot_and_the_next_fact_does(yard: OldYard) -> None:
    assert yard.keeps() == {"Main", "Travel"}
    yard.thins()
    yard.clock.at += DAY
    assert yard.keeps() == set()
    known = next(iter(yard.every_fact()))
    with yard.context() as context:
        context.catalog.record(facts=[replace(known, at=TODAY)])
    assert yard.keeps() == {"Main", "Travel"}


def test_two_machines_come_to_rest(yard: OldYard, tmp_path: Path) -> None:
    """What one lets go comes back from the other, and goes again; nobody writes snapshots for ever."""
    yard.keeps()
    (tmp_path / "other").mkdir()
    other = OldYard(tmp_path / "other", policy="distinct_devices = false", clock=yard.clock)

    def hears(who: OldYard) -> None:
        with who.keeper() as keeper:
            wish = MergeWish(sources=(str(yard.root / "Main"),))
            assert keeper.merge(wish, progress=QUIET).all_well

    hears(other)
    whole = other.every_fact()
    assert whole == yard.every_fact()
    yard.thins()
    thinned = yard.every_fact()
    yard.clock.at += DAY
    assert other.keeps() == {"Main", "Travel"}  # its first ones, with all facts in them
    hears(yard)
    assert yard.every_fact() == whole
    yard.clock.at += DAY
    assert yard.keeps() == {"Main", "Travel"}
    hears(other)
    for _ in range(3):
        yard.clock.at += DAY
        assert (yard.keeps(), other.keeps()) == (set(), set())
    for one in (yard, other):
        one.thins()
        assert one.every_fact() == thinned - set(spare(thinned, yard.clock.at))
        yard.clock.at += DAY
        assert (yard.keeps(), other.keeps()) == (set(), set())
