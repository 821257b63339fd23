"""Where a roll's own copies lie: in its folder, or wherever a drive has all of it."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from backupkeeper.core.lying import Lying, Trees
from backupkeeper.core.model import Blake3, Copy, CopyState
from tests.core.made_up_copies import CLIP, MAIN, PLACES, TRAVEL, VAULT, copy, roll

SIDECAR = Blake3("5" * 64)
ROLL = roll(("DCIM/CLIP0001.MP4", CLIP, 9), ("DCIM/CLIP0001.XML", SIDECAR, 2))
FIRST, SECOND = ROLL.files
HOME = ROLL.head.folder
ELSEWHERE = [
    copy(TRAVEL, path="Mine/A.MP4"),
    copy(TRAVEL, path="Mine/A.XML", content=SIDECAR),
]
HERE = [
    copy(MAIN, path=f"{HOME}/DCIM/CLIP0001.MP4"),
    copy(MAIN, path=f"{HOME}/DCIM/CLIP0001.XML", content=SIDECAR),
]


def lying(*copies: Copy) -> Lying:
    groups: dict[Blake3, list[Copy]] = {}
    for one in copies:
        groups.setdefault(one.content, []).append(one)
    return Lying(ROLL, groups, PLACES)


def test_a_drive_that_has_all_of_it_has_it_under_its_own_names() -> None:
    found = lying(*HERE, *ELSEWHERE)
    assert found.own(FIRST) == [HERE[0], ELSEWHERE[0]]
    assert found.own(SECOND) == [HERE[1], ELSEWHERE[1]]


@pytest.mark.parametrize("state", [CopyState.MISSING, CopyState.OUT_OF_REACH])
def test_half_of_it_less_and_its_own_tree_is_wanted(state: CopyState) -> None:
    assert lying(*HERE, ELSEWHERE[1]).own(SECOND) == [HERE[1]]
    gone = replace(ELSEWHERE[0], state=state)
    assert lying(*HERE, gone, ELSEWHERE[1]).own(SECOND) == [HERE[1]]


def test_where_most_of_it_lies_elsewhere_only_the_rest_is_wanted() -> None:
    third = Blake3("6" * 64)
    many = roll(("A.MP4", CLIP, 9), ("A.XML", SIDECAR, 2), ("B3SUMS", third, 2))
    found = Lying(many, {CLIP: [ELSEWHERE[0]], SIDECAR: [ELSEWHERE[1]], third: []}, PLACES)
    assert [found.own(file) for file in many.files] == [[ELSEWHERE[0]], [ELSEWHERE[1]], []]
    few = roll(*((f.path, f.content, f.size) for f in many.files), ("NOTE", Blake3("7" * 64), 1))
    found = Lying(few, {CLIP: [ELSEWHERE[0]], SIDECAR: [ELSEWHERE[1]]}, PLACES)
    assert [found.own(file) for file in few.files] == [[], [], [], []]


def test_a_damaged_copy_is_there_all_the_same() -> None:
    bad = replace(ELSEWHERE[0], state=CopyState.DAMAGED)
    assert lying(bad, ELSEWHERE[1]).own(FIRST) == [bad]


def test_where_its_own_folder_has_a_file_no_other_copy_stands_in() -> None:
    twin = copy(MAIN, path="Mine/A.MP4")
    assert lying(*HERE, twin).own(FIRST) == [HERE[0]]
    gone = replace(HERE[0], state=CopyState.MISSING)
    assert lying(gone, HERE[1], twin).own(FIRST) == [gone, twin]


def among(*others: tuple[str, str, Blake3]) -> Trees:
    """Other rolls: each one's folder, a path in it and what it has there."""

    def homes(contents: Iterable[Blake3]) -> dict[Blake3, list[tuple[str, str]]]:
        wanted = set(contents)
        return {c: [(f, p) for f, p, its in others if its == c] for c in wanted}

    return Trees(folders=frozenset(folder for folder, _, _ in others), homes=homes)


@pytest.mark.parametrize(
    ("others", "stands"),
    [
        ([("Mine", "A.MP4", CLIP), ("Mine", "A.XML", SIDECAR)], False),
        ([("Mine", "A.MP4", SIDECAR), ("Mine", "A.XML", CLIP)], True),
        ([("Mine", "B.MP4", CLIP), ("Mine", "B.XML", SIDECAR)], True),
        ([("Min", "A.MP4", CLIP), (HOME, "A.MP4", CLIP)], True),
    ],
    ids=["its own", "swapped", "put beside", "no other's"],
)
def test_what_is_another_roll_s_own_never_stands_in(
    others: list[tuple[str, str, Blake3]], *, stands: bool
) -> None:
    groups = {CLIP: [ELSEWHERE[0]], SIDECAR: [ELSEWHERE[1]]}
    found = Lying(ROLL, groups, PLACES, lambda: among(*others))
    assert bool(found.own(FIRST)) is stands
    assert bool(found.own(SECOND)) is stands


def test_clips_of_one_roll_that_swapped_names_are_its_own_where_they_lie() -> None:
    two = roll(("A.MP4", CLIP, 9), ("B.MP4", SIDECAR, 9))
    gone = [
        replace(copy(MAIN, path=f"{HOME}/{name}", content=content), state=CopyState.MISSING)
        for name, content in (("A.MP4", CLIP), ("B.MP4", SIDECAR))
    ]
    now = [
        copy(MAIN, path=f"{HOME}/B.MP4"),
        copy(MAIN, path=f"{HOME}/A.MP4", content=SIDECAR),
    ]
    found = Lying(two, {CLIP: [gone[0], now[0]], SIDECAR: [gone[1], now[1]]}, PLACES)
    assert found.own(two.files[0]) == [gone[0], now[0]]
    assert found.own(two.files[1]) == [gone[1], now[1]]


def test_objects_elsewhere_in_a_bucket_are_not_its_own() -> None:
    objects = [replace(one, place=VAULT) for one in ELSEWHERE]
    assert lying(*objects).own(FIRST) == []


def test_a_roll_without_copies_or_files_has_none() -> None:
    assert lying().own(FIRST) == []
    Lying(replace(ROLL, files=()), {}, PLACES)


def test_a_file_that_was_moved_is_its_own_where_it_lies_now_also_alone() -> None:
    gone = replace(HERE[0], state=CopyState.MISSING)
    moved = copy(MAIN, path="Boats/CLIP0001.MP4")
    lost = replace(HERE[1], state=CopyState.MISSING)
    found = lying(gone, moved, lost)
    assert found.own(FIRST) == [gone, moved]
    assert found.own(SECOND) == [lost]


def test_what_was_moved_on_from_elsewhere_is_followed() -> None:
    left = replace(ELSEWHERE[0], state=CopyState.MISSING)
    on = copy(TRAVEL, path="Mine/B.MP4")
    found = lying(*HERE, left, on)
    assert found.own(FIRST) == [HERE[0], on]
    assert found.own(SECOND) == [HERE[1]]


def test_a_file_like_another_of_the_roll_does_not_stand_in_for_it() -> None:
    twins = roll(("A.TXT", CLIP, 9), ("B.TXT", CLIP, 9))
    one = copy(MAIN, path=f"{HOME}/A.TXT")
    gone = replace(copy(MAIN, path=f"{HOME}/B.TXT"), state=CopyState.MISSING)
    found = Lying(twins, {CLIP: [one, gone]}, PLACES)
    assert found.own(twins.files[1]) == [gone]
    assert found.own(twins.files[0]) == [one]
