"""Restores where the bucket does not answer: not asked where it need not be, told where it must."""

from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.errors import BucketUnreachableError
from backupkeeper.core.model import Fact, Place, PlaceId, PlaceKind, Result, Role, Way
from backupkeeper.core.restoring import Asked, Fate, RestoreOutcome
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder

LARGE, SMALL = "DCIM/100BOATY/BOAT0001.MP4", "DCIM/100BOATY/BOAT0002.MP4"
CARD = {LARGE: clip(1), SMALL: clip(2), "A.XML": b"<clip/>\n", "MISC/EMPTY.DAT": b""}
SMALL_ROLL = "Wide/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def taken_in(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CARD))


def restored(yard: Yard, what: str = SHOOT) -> RestoreOutcome:
    asked = Asked(what=what, to=str(yard.root / "back"))
    with yard.keeper() as keeper:
        return keeper.restore(asked, agree=lambda _: True, progress=QUIET)


class DeadBucket:
    """A bucket of which nothing can be had; counts how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0
        self.empty_lists = 0
        """So many listings come, with nothing in them, before it dies."""

    def listing(self, below: str = "") -> Any:
        self.asked += 1
        if self.asked > self.empty_lists:
            raise BucketUnreachableError("Nothing answers at the bucket.")
        return iter(())

    def __getattr__(self, name: str) -> Any:
        def refuse(*args: Any, **named: Any) -> Any:
            self.asked += 1
            raise BucketUnreachableError("Nothing answers at the bucket.")

        return refuse


def with_a_dead_bucket(yard: Yard, monkeypatch: pytest.MonkeyPatch, *paths: str) -> DeadBucket:
    """A bucket that is known to have these files, and does not answer."""
    dead = DeadBucket()
    monkeypatch.setattr("backupkeeper.cloud.bucket.open_bucket", lambda *args, **named: dead)
    with yard.keeper() as keeper:
        catalog, clock = keeper.context.catalog, keeper.context.clock
        place = Place(
            id=PlaceId("vault"),
            name="Off site",
            role=Role.CLOUD,
            kind=PlaceKind.BUCKET,
            created_at=clock.now(),
            location="s3://yard/f",
        )
        catalog.put_place(place)
        (head,) = catalog.rolls()
        catalog.record(
            facts=[
                Fact(
                    at=clock.now(),
                    place=place.id,
                    path=f"{head.folder}/{file.path}",
                    content=file.content,
                    way=Way.ATTESTED,
                    result=Result.MATCHES,
                )
                for file in catalog.roll(head.id).files
                if file.path in paths
            ]
        )
    return dead


def test_a_bucket_is_not_asked_where_drives_have_everything(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken_in(yard)
    dead = with_a_dead_bucket(yard, monkeypatch, LARGE, SMALL)
    assert restored(yard, SMALL_ROLL).all_well
    assert dead.asked == 0


@pytest.mark.parametrize("lists", [0, 1, 2])
def test_a_bucket_that_does_not_answer_is_told_and_what_else_there_is_comes(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, lists: int
) -> None:
    taken_in(yard)
    with_a_dead_bucket(yard, monkeypatch, LARGE, SMALL).empty_lists = lists
    for drive in ("Main", "Travel"):
        (roll_folder(yard.root / drive) / SMALL).unlink()
    yard.verify()
    outcome = restored(yard)
    assert outcome.restored_files == 3
    assert [(one.path.rpartition("/")[2], one.fate) for one in outcome.not_there] == [
        ("BOAT0002.MP4", Fate.FAILED if lists > 1 else Fate.HOMELESS)
    ]
    assert "Nothing answers" in " ".join(one.message for one in outcome.troubles)
