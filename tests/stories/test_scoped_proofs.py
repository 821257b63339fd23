"""One roll at one drive read again, as the daemon asks for it: a little each night."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions import verify as verifying
from backupkeeper.actions.verify import prove_roll
from backupkeeper.core.errors import DriveGoneError, PlaceHeldError
from backupkeeper.core.model import CopyState, Fact, Way
from backupkeeper.core.outcomes import Finding
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.ports.progress import Quiet
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import clip, roll_folder, rot

CARD = {f"DCIM/100BOATY/BOAT{number:04}.MP4": clip(number) for number in range(1, 7)}
MONTHS = timedelta(days=80)


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    yard = ScopedYard(tmp_path)
    yard.drives()
    assert yard.offload(yard.card("card", CARD)).sealed
    return yard


def rehashed(yard: ScopedYard, at: str = "Main") -> list[Fact]:
    return [fact for fact in yard.facts(at) if fact.way is Way.REHASH]


def generations(yard: ScopedYard, drive: str = "Main") -> int:
    folder = roll_folder(yard.root / drive) / "ascmhl"
    data = {path.name: path.read_bytes() for path in folder.iterdir()}
    history = read_history(data, data.__getitem__)
    assert history is not None
    assert history.faults == ()
    return len(history.chain)


def test_what_is_proven_since_is_not_read(yard: ScopedYard) -> None:
    outcome = yard.prove_one("Main", before=yard.clock.at - timedelta(days=1))
    assert (outcome.matching_files, outcome.checked, outcome.manifests) == (0, (), ())
    assert rehashed(yard) == []
    assert generations(yard) == 1


def test_old_proofs_are_made_again_and_the_manifest_goes_on(yard: ScopedYard) -> None:
    yard.clock.at += MONTHS
    outcome = yard.prove_one("Main")
    assert (outcome.matching_files, outcome.troubles) == (len(CARD), ())
    assert outcome.matching_bytes == sum(map(len, CARD.values()))
    assert {fact.is_proof for fact in rehashed(yard)} == {True}
    assert len(outcome.manifests) == 1
    assert generations(yard) == 2
    assert rehashed(yard, "Travel") == []
    assert yard.states("Main") == {CopyState.PROVEN}


def test_only_the_roll_that_is_named_is_read(yard: ScopedYard) -> None:
    yard.offload(yard.card("other", {"DCIM/100BOATY/BOAT0101.MP4": clip(9)}))
    yard.clock.at += MONTHS
    assert yard.prove_one("Main", roll="Roll 02").matching_files == 1


class Ticking(Quiet):
    """Each file takes so long."""

    def __init__(self, yard: ScopedYard, seconds: float) -> None:
        self._yard = yard
        self._seconds = seconds

    def file(self, path: str) -> None:
        self._yard.clock.at += timedelta(seconds=self._seconds)


def test_it_ends_within_its_time_and_goes_on_where_it_was(yard: ScopedYard) -> None:
    yard.clock.at += MONTHS
    before = yard.clock.at
    nights = []
    for _ in range(4):
        outcome = yard.prove_one("Main", before=before, budget_s=119, progress=Ticking(yard, 60))
        nights.append(outcome.matching_files)
        yard.clock.at += timedelta(hours=20)
    assert nights == [2, 2, 2, 0]
    assert len({fact.path for fact in rehashed(yard)}) == len(rehashed(yard)) == len(CARD)
    assert generations(yard) == 4


def test_a_file_longer_than_the_time_is_read_all_the_same(yard: ScopedYard) -> None:
    yard.clock.at += MONTHS
    outcome = yard.prove_one("Main", budget_s=1, progress=Ticking(yard, 3600))
    assert outcome.matching_files == 1


def test_damage_is_found_once_and_not_read_again_in_vain(yard: ScopedYard) -> None:
    name = "DCIM/100BOATY/BOAT0002.MP4"
    rot(roll_folder(yard.root / "Main") / name, 77, b"spoiled")
    (roll_folder(yard.root / "Main") / "DCIM/100BOATY/BOAT0003.MP4").unlink()
    yard.clock.at += MONTHS
    outcome = yard.prove_one("Main")
    assert {one.finding for one in outcome.checked} == {Finding.DAMAGED, Finding.MISSING}
    assert outcome.matching_files == len(CARD) - 2
    assert generations(yard) == 2
    count = len(yard.facts("Main"))
    again = yard.prove_one("Main", before=yard.clock.at - timedelta(days=1))
    assert (again.checked, again.matching_files) == ((), 0)
    assert len(yard.facts("Main")) == count
    assert (roll_folder(yard.root / "Main") / name).stat().st_size == len(CARD[name])  # left as is


def test_what_was_never_proven_is_read_whenever_it_was_written(yard: ScopedYard) -> None:
    (written,) = {fact.path for fact in yard.facts("Main") if "BOAT0004" in fact.path}
    with yard.context() as context:
        fact = next(one for one in yard.facts("Main") if one.path == written)
        context.catalog.record(
            facts=[replace(fact, at=context.clock.now(), way=Way.WRITTEN, cold=False, mount="x:1")]
        )
    assert yard.states("Main") == {CopyState.PROVEN, CopyState.WRITTEN}
    outcome = yard.prove_one("Main", before=yard.clock.at - timedelta(days=1))
    assert outcome.matching_files == 1
    assert yard.states("Main") == {CopyState.PROVEN}


def test_what_another_reading_in_this_mount_can_not_show_is_left(yard: ScopedYard) -> None:
    with yard.context() as context:
        token = context.mounts.under(str(yard.root / "Main")).token
        context.catalog.record(
            facts=[
                replace(fact, at=context.clock.now(), way=Way.WRITTEN, cold=False, mount=token)
                for fact in yard.facts("Main")
            ]
        )
    assert yard.states("Main") == {CopyState.WRITTEN}
    assert yard.prove_one("Main").matching_files == 0
    assert rehashed(yard) == []


def test_the_drive_is_held_and_must_be_here(yard: ScopedYard) -> None:
    place = yard.place("Main")
    with (
        yard.context() as context,
        context.locks.hold(place, called="Main", doing="something else"),
        pytest.raises(PlaceHeldError),
    ):
        yard.prove_one("Main")
    (yard.root / "Main").rename(yard.root / "elsewhere")
    with pytest.raises(DriveGoneError, match="Main"):
        yard.prove_one("Main")


def test_a_drive_that_goes_ends_it_and_what_was_read_is_kept(yard: ScopedYard) -> None:
    yard.clock.at += MONTHS

    def pull() -> None:
        (yard.root / "Main").rename(yard.root / "pulled")

    ident, place = yard.roll(), yard.place("Main")
    with yard.context() as context, pytest.raises(DriveGoneError):
        prove_roll(
            context,
            place,
            ident,
            proven_before=yard.clock.at,
            budget_s=None,
            progress=AtAdvance(4, pull),
        )
    kept = rehashed(yard)
    assert kept
    assert {fact.is_proof for fact in kept} == {True}
    (yard.root / "pulled").rename(yard.root / "Main")
    outcome = yard.prove_one("Main", before=yard.clock.at - timedelta(days=1))
    assert outcome.matching_files == len(CARD) - len(kept)


def interrupt() -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("number", [1, 2, 3, 5, 8, 12])
def test_stopped_at_any_moment_it_goes_on_where_it_was(yard: ScopedYard, number: int) -> None:
    yard.clock.at += MONTHS
    before = yard.clock.at
    with pytest.raises(KeyboardInterrupt):
        yard.prove_one("Main", before=before, progress=AtAdvance(number, interrupt))
    kept = rehashed(yard)
    assert {fact.is_proof for fact in kept} <= {True}
    outcome = yard.prove_one("Main", before=before)
    assert outcome.matching_files == len(CARD) - len(kept)
    assert yard.states("Main") == {CopyState.PROVEN}
    assert yard.verify("Main").all_well


def test_large_files_are_recorded_one_by_one(
    yard: ScopedYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a kill costs one of them, not two hundred."""
    monkeypatch.setattr(verifying, "BYTES_A_STEP", 1000)
    yard.clock.at += MONTHS
    seen: list[int] = []

    class Looking(Quiet):
        def file(self, path: str) -> None:
            seen.append(len(rehashed(yard)))

    yard.prove_one("Main", progress=Looking())
    assert seen == list(range(len(CARD)))


def test_names_that_fit_the_drive_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = ScopedYard(tmp_path)
    yard.drives()
    yard.offload(yard.card("card", {"DCIM/A?.MP4": clip(1), "DCIM/B.MP4": clip(2)}))
    yard.clock.at += MONTHS
    assert yard.prove_one("Main").matching_files == 2
    assert yard.states("Main") == {CopyState.PROVEN}
