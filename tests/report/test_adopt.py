"""What ``adopt`` says: hostile names are shown escaped, and its commands can be typed."""

import subprocess
from dataclasses import replace
from datetime import UTC, datetime

from backupkeeper.core.adopting import (
    BY_DATES,
    AdoptAll,
    AdoptPlan,
    FoundFolder,
    FoundRoll,
    Named,
    OldHashes,
    OldSource,
)
from backupkeeper.core.model import RollHead, RollId
from backupkeeper.core.outcomes import AdoptOutcome, Trouble
from backupkeeper.report.adopt import adopt_json, adopt_lines
from backupkeeper.report.lines import Look

EVIL = "Old \x1b[31m\n'stuff"
NAMED = Named(shoot="260612 Boatyard", source="Wide", roll="Roll 01", why=BY_DATES)
ROLL = FoundRoll(
    folder="Jobs/Wide/Roll 01",
    named=NAMED,
    files=1200,
    clips=600,
    size_bytes=3 * 10**12,
    old=(
        OldSource(kind=OldHashes.HISTORY, path="Jobs/ascmhl", scope="Jobs"),
        OldSource(kind=OldHashes.LIST, path="Jobs/a.md5", scope="Jobs"),
        OldSource(kind=OldHashes.LIST, path="Jobs/b.md5", scope="Jobs"),
    ),
)
PLAN = AdoptPlan(
    place="Main disk",
    path=EVIL,
    rolls=(ROLL, replace(ROLL, folder="Jobs/Wide/Roll 02", known="a roll already")),
    unplaced=(
        FoundFolder(
            folder=EVIL, why="no folder above it is dated", files=2, size_bytes=9,
            options=("--layout", "*/{roll}", "--shoot", "YYMMDD NAME", "--source", "NAME"),
        ),
    ),
    left_out=(FoundFolder(folder="Edit", why="named like", files=2, size_bytes=9),),
    others=(FoundFolder(folder="", why="", files=1, size_bytes=9),),
    rate=150e6,
    seconds=40_000.0,
)  # fmt: skip
HEAD = RollHead(
    id=RollId("0" * 64), shoot=NAMED.shoot, source="Wide", name="Roll 01", folder="Jobs/Wide/Roll 01",
    sealed_at=datetime(2026, 6, 12, tzinfo=UTC), file_count=3, size_bytes=9,
)  # fmt: skip
DONE = AdoptOutcome(
    place="Main disk", folder="Jobs/Wide/Roll 01", roll=HEAD, files=3, size_bytes=9, proven=2,
    not_cold="pages were cached", warnings=("These are the very files of X.",), confirmed=2,
    not_there=(EVIL,), troubles=(Trouble(place="Main disk", path=EVIL, message="not right"),),
)  # fmt: skip


def text(outcome: AdoptAll) -> str:
    return "\n".join(line.text for line in adopt_lines(outcome, Look(width=400)))


def test_a_look_tells_everything_and_believes_nothing() -> None:
    told = text(AdoptAll(plan=PLAN, dry_run=True))
    assert "1 roll to take in, 3.00 TB. Nothing was read or changed." in told
    assert "takes about 11 h 06 min at 150 MB/s" in told
    assert "1 ASC MHL history, 2 checksum lists" in told
    assert "proven" not in told
    assert "\x1b" not in told
    command = next(line for line in told.splitlines() if "--layout" in line)
    asked = subprocess.run(
        ["bash", "-c", f"printf '%s\\0' {command}"], capture_output=True, check=True
    )
    words = asked.stdout.decode().split("\0")[:-1]
    assert words == ["backupkeeper", "adopt", "Main disk", EVIL, *PLAN.unplaced[0].options]
    assert "not known" in text(AdoptAll(plan=replace(PLAN, rate=None, seconds=None), dry_run=True))


def test_what_was_taken_in_is_called_proven_as_far_as_it_is() -> None:
    told = text(AdoptAll(plan=PLAN, dry_run=False, done=(DONE,)))
    assert "1 roll taken in, 3 files, 9 bytes; 2 of them proven." in told
    assert "2 of 3 files proven" in told
    assert "2 files as older hashes say" in told
    assert "not right" in told
    assert "Not proven: pages were cached" in told
    assert "\x1b" not in told
    assert "nothing new was taken in" in text(AdoptAll(plan=PLAN, dry_run=False))


def test_the_object_has_all_of_it() -> None:
    found = adopt_json(AdoptAll(plan=PLAN, dry_run=False, done=(DONE,), failed=DONE.troubles))
    assert found["version"] == 1
    assert found["seconds"] == 40_000.0
    assert adopt_json(AdoptAll(plan=replace(PLAN, seconds=None), dry_run=True))["seconds"] is None
