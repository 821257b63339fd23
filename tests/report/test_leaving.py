"""Places that leave and come back, in words: nothing is promised that is not so."""

from dataclasses import replace

import pytest

from backupkeeper.core.leaving import Leaving, RollLeft
from backupkeeper.core.model import PlaceKind, Role, Standing
from backupkeeper.core.outcomes import PlaceBack, PlaceRenamed
from backupkeeper.report import exits
from backupkeeper.report.leaving import (
    back_lines,
    done_lines,
    leaving_json,
    leaving_lines,
    renamed_json,
    renamed_lines,
)
from backupkeeper.report.lines import Line, Look
from tests.core.made_up_copies import CLIP, MAIN, NOW, PLACES, TRAVEL, VAULT, place, roll

HEAD = roll(("DCIM/A.MP4", CLIP, 10)).head
WELL = RollLeft(roll=HEAD, held=(3, 30), opens=False, has_gap=False)
GAP = replace(WELL, opens=True, has_gap=True, copied=(3, 30), sources={TRAVEL: (3, 30)})


def leaving(*rolls: RollLeft, **more: object) -> Leaving:
    made = Leaving(place=PLACES[MAIN], standing=Standing.LOST, rolls=rolls, places=PLACES)
    return replace(made, **more)  # type: ignore[arg-type]  # each is one of its fields


def text(lines: list[Line]) -> str:
    return " ".join(" ".join(line.text for line in lines).split())


def told(*rolls: RollLeft, **more: object) -> str:
    return text(leaving_lines(leaving(*rolls, **more), Look()))


def test_nothing_there_and_no_gap() -> None:
    assert "Nothing of any roll is known to be there." in told()
    assert "No roll has a gap in the role primary then." in told(WELL)
    assert exits.of_leaving(leaving(WELL)) == exits.WELL
    assert exits.of_leaving(leaving(GAP)) == exits.ATTENTION
    assert exits.of_leaving(leaving(WELL, refused=True)) == exits.ATTENTION


def test_a_gap_and_where_it_is_filled() -> None:
    assert "No other place has the role primary: they wait" in told(GAP)
    spares = (place("Spare"), place("Other"))
    assert "They go to Spare or Other, as far as there is room." in told(GAP, targets=spares)
    assert "They go to Main 2." in told(GAP, replacement="Main 2")
    assert "(it has one now)" in told(replace(GAP, opens=False))
    assert "2 rolls have a gap" in told(GAP, replace(GAP, roll=replace(HEAD, folder="x")))


@pytest.mark.parametrize(
    ("alone", "last", "words"),
    [
        ((1, 10), (1, 10), "1 file (10 bytes); there is no other copy that could be good"),
        ((2, 20), (1, 10), "2 files (20 bytes); of 1 file (10 bytes) no other copy"),
        ((2, 20), (0, 0), "2 files (20 bytes); other copies wait for a proof"),
    ],
)
def test_what_stands_alone(alone: tuple[int, int], last: tuple[int, int], words: str) -> None:
    said = told(replace(GAP, alone=alone, last=last))
    assert words in said
    assert f"{'has' if alone[0] == 1 else 'have'} no proven copy anywhere else" in said


def test_what_only_a_bucket_has_and_what_nothing_has() -> None:
    said = told(replace(GAP, sources={VAULT: (3, 30)}, nowhere=(2, 20)))
    assert "No drive has these: bring them back with backupkeeper restore." in said
    assert "2 files (20 bytes) can be copied from no place." in said


def test_what_is_under_way() -> None:
    said = told(GAP, unfinished=("260612 Boatyard/x",), uploads=2)
    assert "Offload its card again: 260612 Boatyard/x" in said
    assert "2 uploads under way to it" in said


def test_what_was_done() -> None:
    alone = text(done_lines(leaving(GAP, done_at=NOW), Look()))
    assert (
        "nothing fills the gap until one is taken in: backupkeeper place add PATH --role primary"
        in alone
    )
    assert "by hand" not in alone
    done = leaving(GAP, done_at=NOW, replacement="Main 2")
    assert "by hand: backupkeeper mirror" in text(done_lines(done, Look()))
    in_bucket = replace(done, place=PLACES[VAULT])
    assert PLACES[VAULT].role is Role.CLOUD
    assert "by hand: backupkeeper upload" in text(done_lines(in_bucket, Look()))
    nothing_to_do = text(done_lines(leaving(WELL, done_at=NOW), Look()))
    assert "by hand" not in nothing_to_do
    assert "Recorded: main is lost." in nothing_to_do
    assert "NOT recorded" in text(done_lines(leaving(GAP, refused=True), Look()))
    assert "Nothing was changed." in text(done_lines(leaving(GAP), Look()))
    assert leaving_json(done, PLACES[TRAVEL])["taken_in"]


def test_a_place_that_is_back() -> None:
    back = PlaceBack(place=PLACES[MAIN], was=Standing.RETIRED, files=2, size_bytes=20)
    said = text(back_lines(back, Look()))
    assert said.startswith("main is no longer retired. Nothing on it counts as proven")
    empty = text(back_lines(replace(back, files=0), Look()))
    assert empty == "main is no longer retired."
    marked = replace(back, was=Standing.ACTIVE, marked_at="/media/main")
    said = text(back_lines(marked, Look()))
    assert said.startswith("main has its marker again, at /media/main. Nothing on it counts")
    assert "no longer" not in said
    assert PLACES[VAULT].kind is PlaceKind.BUCKET
    assert "which may cost money" in text(back_lines(replace(back, place=PLACES[VAULT]), Look()))


def test_another_name() -> None:
    renamed = PlaceRenamed(place=PLACES[MAIN], was="Old", marker_waits="It is not here.")
    assert "still tells the old name (It is not here.)" in text(
        renamed_lines(renamed, Look(), dry_run=False)
    )
    assert "Nothing was changed." in text(renamed_lines(renamed, Look(), dry_run=True))
    assert not renamed_json(renamed, dry_run=True)["recorded"]


def test_hostile_names_can_do_nothing_to_a_terminal() -> None:
    bad = replace(HEAD, folder="x\x1b[31m/y")
    lines = leaving_lines(leaving(replace(GAP, roll=bad, alone=(1, 10))), Look(width=40))
    assert not any("\x1b" in line.text for line in lines)
