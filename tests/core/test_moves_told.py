"""What a person is told of moves by hand: together what belongs together, and only the last word."""

from dataclasses import replace

from hypothesis import given, strategies as st

from backupkeeper.core.moves_told import MANY, How, as_told, in_words, lately, moved_notes
from backupkeeper.core.moving import MOST_TOLD, Moved

FOLDERS = st.sampled_from(["S", "S/Wide", "S/Close", "T", "S/Wide/Roll 01"])


def moved(was: str, now: str, files: int = 1) -> Moved:
    return Moved(place="Main", was=was, now=now, files=files, size_bytes=10 * files)


def test_what_changed_places_is_told_as_one() -> None:
    there, back = moved("S/Roll 01", "S/Roll 02", 4), moved("S/Roll 02", "S/Roll 01", 3)
    for pair in ([there, back], [back, there]):
        (one,) = as_told(pair)
        assert (one.how, one.was, one.now, one.files) == (How.SWAPPED, "S/Roll 01", "S/Roll 02", 7)
        assert in_words(one) == "S/Roll 01 and S/Roll 02 changed places (7 files)"
    other = replace(back, place="Travel")
    assert [one.how for one in as_told([there, other])] == [How.MOVED, How.MOVED]


def test_many_files_moved_one_by_one_are_told_together() -> None:
    many = [moved(f"S/DCIM/{n}.MP4", f"Best/{n}.MP4") for n in range(MANY)]
    assert [one.how for one in as_told(many[1:])] == [How.MOVED] * (MANY - 1)
    (one,) = as_told(many)
    assert (one.how, one.was, one.now, one.files) == (How.ONE_BY_ONE, "S/DCIM", "Best", MANY)
    assert in_words(one) == f"{MANY} files of S/DCIM were moved or renamed one by one, to Best"
    top = as_told([moved(f"{n}", f"{n}.MP4") for n in range(MANY)])
    assert in_words(top[0]).endswith(
        "of its top folder were moved or renamed one by one, to its top folder"
    )


def test_clips_that_swapped_names_among_many_that_were_renamed_are_told_apart() -> None:
    many = [moved(f"S/{n}", f"S/{n}.MP4") for n in range(MANY)]
    told = as_told([*many, moved("S/A", "S/B"), moved("S/B", "S/A")])
    assert [(one.how, one.files) for one in told] == [(How.ONE_BY_ONE, MANY), (How.SWAPPED, 2)]


@given(
    st.lists(
        st.builds(moved, FOLDERS, FOLDERS, st.integers(1, 9)), unique_by=lambda m: (m.was, m.now)
    )
)
def test_every_file_is_told_of_once(moves: list[Moved]) -> None:
    moves = [one for one in moves if one.was != one.now]
    told = as_told(moves)
    assert sum(one.files for one in told) == sum(one.files for one in moves)
    assert sum(one.size_bytes for one in told) == sum(one.size_bytes for one in moves)


def test_what_was_moved_on_is_told_with_its_last_place() -> None:
    on, first = moved("Boats", "Barges", 4), moved("S", "Boats", 4)
    assert lately([[on], [first]]) == [moved("S", "Barges", 4)]
    assert lately([[moved("Boats", "S", 4)], [first]]) == [], "and not at all where it is back"
    some = moved("Boats/A.MP4", "A.MP4")
    assert lately([[some], [first]]) == [some, first], "most of it is there yet"
    assert lately([[on], [replace(first, files=3)]]) == [on]
    assert lately([[replace(on, place="Travel")], [first]]) == [replace(on, place="Travel"), first]


def test_rolls_that_swapped_again_and_again() -> None:
    swap = [moved("A", "B", 3), moved("B", "A", 3)]
    assert lately([swap, swap]) == []
    assert lately([swap, swap, swap]) == swap


def test_what_a_report_tells_of_moves_is_bounded() -> None:
    one = moved("260612 Boatyard", "Boats")
    assert moved_notes([]) == []
    (only,) = moved_notes([one])
    assert (
        only
        == "Main: 260612 Boatyard is now at Boats (1 file), by hand, and known there by its bytes."
    )
    many = [moved(f"{n}/S", f"{n}/T", 2_000) for n in range(MOST_TOLD + 5)]
    told = moved_notes(many)
    assert len(told) == MOST_TOLD + 1
    assert "2,000 files" in told[0]
    assert told[-1] == "There were 5 more moves like that."
