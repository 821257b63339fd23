"""The page's places: what is known of each drive and bucket, and what is not."""

import pytest

from backupkeeper.core.model import Role, Standing
from backupkeeper.core.overview import DriveLine, Filling
from backupkeeper.core.prices import BucketCost
from backupkeeper.report.page_places import buckets
from tests.report.boatyard import SUMMER, place
from tests.report.overview_parts import bucket, drive, overview
from tests.report.overviews import ALL, all_well
from tests.report.test_page import part
from tests.report.test_page_parts import said


def said_of(line: DriveLine) -> str:
    shown = overview(drives=(line,))
    return part(shown, "drives").partition("Full at this rate ")[2]


def test_a_drive_says_room_health_when_seen_and_when_full() -> None:
    assert said_of(drive(Role.SECONDARY)) == (
        "Travel secondary drive 2.87 TB 31,204 files 1.13 TB free of 4.00 TB as of 2026-06-14 07:12 nothing "
        "bad is known 2 days ago 2026-06-12 1 day ago 2026-06-13 oldest proof 2 months ago 2026-04-04 "
        "full in about 7 usual shoots; between October 2026 and December 2026"
    )


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({"free_bytes": None}, "not known of 4.00 TB"),
        (
            {"free_bytes": None, "place": place(Role.PRIMARY, size_bytes=None)},
            "files not known nothing",
        ),
        ({"in_doubt": True}, "in doubt as a whole"),
        ({"is_bare": True}, "here without its marker Nothing on it counts."),
        ({"last_seen": None, "is_here": False}, "not seen since it was taken in"),
        ({"last_proven": None, "oldest_proof": None}, "here now never"),
        ({"place": place(Role.PRIMARY, standing=Standing.LOST)}, "lost"),
        ({"place": place(Role.PRIMARY, standing=Standing.RETIRED)}, "retired"),
        ({"filling": Filling()}, "not full within ten years at this rate"),
        ({"filling": Filling(why="no shoot was taken")}, "is not known (no shoot was taken)"),
    ],
)
def test_a_drive_says_what_is_not_known_or_not_well(
    changes: dict[str, object], wanted: str
) -> None:
    assert wanted in said_of(drive(Role.PRIMARY, **changes))


def test_reasons_stand_below_the_advice_about_a_drive() -> None:
    said = part(ALL["drive-failing"](), "drives")
    assert "replace this drive" in said
    assert "It could not read 14 sectors in the last week" in said
    assert "try another cable and port" in said


def test_a_bucket_says_its_cost_or_that_no_prices_are_set() -> None:
    said = part(all_well(), "buckets")
    assert "14.35 EUR a month" in said
    assert "28.70 EUR to fetch all back" in said
    assert "no prices are set" in part(overview(buckets=(bucket(cost=None),)), "buckets")


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        (
            {"cost": BucketCost(name="x", held=(), currency="EUR", trouble="It did not answer.")},
            "It did not",
        ),
        ({"cost": BucketCost(name="x", held=(), currency="EUR")}, "a price is missing in [prices]"),
        ({"fetched_files": 0}, "never"),
        ({"checked_at": None, "snapshot_at": None}, "never"),
    ],
)
def test_a_bucket_says_what_is_not_known(changes: dict[str, object], wanted: str) -> None:
    assert wanted in said(buckets(overview(buckets=(bucket(**changes),)), SUMMER))
