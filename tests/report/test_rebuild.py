"""The commands that a rebuild's report names: each reaches the places that it speaks of."""

from datetime import UTC, datetime

import pytest

from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role
from backupkeeper.core.rebuilding import PlaceNow, RebuildOutcome, UnknownRoll
from backupkeeper.report.lines import Look
from backupkeeper.report.rebuild import rebuild_json, rebuild_lines

NOW = datetime(2026, 6, 12, 18, tzinfo=UTC)
BUCKET = PlaceNow(
    place=Place(
        id=PlaceId("b"),
        name="Off site",
        role=Role.CLOUD,
        kind=PlaceKind.BUCKET,
        created_at=NOW,
        location="s3://boatyard/my footage",
        endpoint="https://store.example",
        profile="footage",
    ),
    here=False,
    looked_at=True,
)
TO_BUCKET = "--from 's3://boatyard/my footage' --endpoint https://store.example --profile footage"


def commands(places: tuple[PlaceNow, ...], unknown_at: tuple[str, ...]) -> list[str]:
    outcome = RebuildOutcome(
        dry_run=False,
        sources=(),
        taken=(),
        unusable=(),
        places=places,
        rolls=0,
        files=0,
        size_bytes=0,
        unknown=tuple(
            UnknownRoll(place=at, folder="F", files=1, size_bytes=1, known_by_manifest=1)
            for at in unknown_at
        ),
    )
    assert rebuild_json(outcome)["version"] == 1
    lines = (line.text.strip() for line in rebuild_lines(outcome, Look(width=200)))
    return [line for line in lines if line.startswith("backupkeeper ")]


@pytest.mark.parametrize(
    ("unknown_at", "wanted"),
    [
        pytest.param(("Main",), ["backupkeeper rebuild --merge --take-in"], id="on a drive"),
        pytest.param(
            ("Off site", "Off site"),
            [f"backupkeeper rebuild --merge --take-in {TO_BUCKET}"],
            id="in a bucket, which is looked at only when named",
        ),
        pytest.param(
            ("Off site", "Main"),
            [
                "backupkeeper rebuild --merge --take-in",
                f"backupkeeper rebuild --merge --take-in {TO_BUCKET}",
            ],
            id="in both",
        ),
    ],
)
def test_rolls_are_taken_in_from_where_they_lie(
    unknown_at: tuple[str, ...], wanted: list[str]
) -> None:
    assert commands((BUCKET,), unknown_at) == wanted


def test_a_bucket_that_was_not_looked_at_is_named_with_all_that_reaches_it() -> None:
    away = PlaceNow(place=BUCKET.place, here=False, looked_at=False)
    assert commands((away,), ()) == [f"backupkeeper rebuild --merge {TO_BUCKET}"]


def test_where_no_snapshot_could_be_used_nothing_is_said_to_be_taken_over_from_one() -> None:
    outcome = RebuildOutcome(
        dry_run=False,
        sources=(),
        taken=(),
        unusable=(),
        places=(BUCKET,),
        rolls=1,
        files=1,
        size_bytes=1,
        unknown=(),
    )
    told = " ".join(line.text for line in rebuild_lines(outcome, Look(width=200)))
    assert "No usable snapshot was found." in told
    assert "What the snapshots say" not in told
