"""Damaged files that repairs have set aside: listed, and deleted only on a person's word."""

import os
from pathlib import Path

import pytest

from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import Yard, clip, roll_folder, rot

CLIP = "DCIM/100BOATY/BOAT0002.MP4"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    """With a file on Main that was damaged and mended."""
    yard = yard_of_today(tmp_path)
    main, _ = yard.drives()
    assert offloaded(yard, yard.card("card", {CLIP: clip(2)})).code == 0
    rot(roll_folder(main) / CLIP, 100, b"rot")
    assert typed(yard, "verify", "Main").code == 1
    assert typed(yard, "repair").code == 0
    return yard


def kept(yard: Yard) -> list[Path]:
    folder = yard.root / "Main/.backupkeeper/set-aside"
    return [path for path in folder.rglob("*") if path.is_file() and path.name != "note.json"]


def test_what_is_kept_is_listed_with_what_it_was(yard: Yard) -> None:
    said = typed(yard, "place", "set-aside", "main", "--json")
    (one,) = said.json["files"]
    assert one["replaced"].endswith(CLIP)
    assert (one["proven"], one["size"]) == (True, 300_000)
    assert str(kept(yard)[0]).endswith(one["path"])
    assert "Kept: 1 file that repairs set aside" in typed(yard, "place", "set-aside", "Main").out
    assert "Nothing is set aside" in typed(yard, "place", "set-aside", "Travel").out


def test_nothing_is_deleted_without_a_persons_word(yard: Yard) -> None:
    said = typed(yard, "place", "set-aside", "Main", "--delete")
    assert (said.code, "--yes" in said.err) == (2, True)
    assert len(kept(yard)) == 1
    assert (
        "Deleted: 1 file that repairs set aside"
        in typed(yard, "place", "set-aside", "Main", "--delete", "--yes").out
    )
    assert kept(yard) == []
    assert (yard.root / "Main/.backupkeeper/set-aside").is_dir(), "the notes stay"
    assert (
        "Nothing was deleted" in typed(yard, "place", "set-aside", "Main", "--delete", "--yes").out
    )
    assert typed(yard, "verify").code == 0


def test_what_is_damaged_again_keeps_its_old_damage(yard: Yard) -> None:
    rot(roll_folder(yard.root / "Main") / CLIP, 200, b"rot")
    assert typed(yard, "verify", "Main").code == 1
    said = typed(yard, "place", "set-aside", "Main", "--delete", "--yes")
    assert "Nothing was deleted" in said.out
    assert len(kept(yard)) == 1


@pytest.mark.parametrize(
    "note",
    [
        "",
        "[]",
        "{",
        '{"path": 5}',
        '{"path": "../../x", "blake3_it_should_have": "' + "a" * 64 + '"}',
    ],
)
def test_a_note_that_can_not_be_believed_keeps_its_file(yard: Yard, note: str) -> None:
    kept(yard)[0].with_name("note.json").write_text(note)
    said = typed(yard, "place", "set-aside", "Main", "--delete", "--yes")
    assert (said.code, len(kept(yard))) == (0, 1)
    assert typed(yard, "place", "set-aside", "Main", "--json").json["files"][0]["proven"] is False


def test_nothing_is_deleted_through_a_link(yard: Yard) -> None:
    folder = kept(yard)[0].parent
    outside = yard.root / "outside"
    folder.rename(outside)
    folder.symlink_to(outside)
    typed(yard, "place", "set-aside", "Main", "--delete", "--yes")
    assert (outside / "BOAT0002.MP4").exists()


@pytest.mark.parametrize("what", ["gone", "shorter"])
def test_what_took_the_place_must_still_be_there(yard: Yard, what: str) -> None:
    place = roll_folder(yard.root / "Main") / CLIP
    if what == "gone":
        place.unlink()
    else:
        os.truncate(place, 100)
    said = typed(yard, "place", "set-aside", "Main", "--delete", "--yes")
    assert "Nothing was deleted" in said.out
    assert len(kept(yard)) == 1


def test_a_name_of_no_drive_is_wrong_usage(yard: Yard) -> None:
    assert typed(yard, "place", "set-aside", "Nowhere").code == 2
    assert typed(yard, "place", "set-aside", "--delete", "--yes").code == 2


def test_without_a_name_every_drive_that_is_here_is_told_of(yard: Yard) -> None:
    said = typed(yard, "place", "set-aside")
    assert (said.code, "Main: .backupkeeper/set-aside/" in said.out) == (0, True)


def test_an_edit_that_made_way_is_never_deleted(yard: Yard) -> None:
    place = roll_folder(yard.root / "Main") / CLIP
    place.write_bytes(b"my edit")
    os.utime(place, (2e9, 2e9))
    assert typed(yard, "verify", "Main").code == 1
    assert typed(yard, "repair", "--edited").code == 0
    listed = typed(yard, "place", "set-aside", "--json").json["files"]
    assert sorted(one["edit"] for one in listed) == [False, True]
    said = typed(yard, "place", "set-aside", "Main", "--delete", "--yes")
    assert "Deleted: 1 file" in said.out
    assert [path.read_bytes() for path in kept(yard)] == [b"my edit"]
    assert "somebody's edit" in typed(yard, "place", "set-aside", "Main").out
