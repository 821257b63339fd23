"""Somebody renames a shoot, moves a roll, renames a file by hand: it is found there, and not copied again."""

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.actions.recording import record_seen
from backupkeeper.core.model import Fact, Result, Role, Way
from backupkeeper.core.outcomes import Answer
from backupkeeper.ports.progress import Quiet
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import typed
from tests.stories.yard import SHOOT, clip, roll_folder, tree

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2, 200_000),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "NOTE.TXT": b"",
}
CLIP = "DCIM/100BOATY/BOAT0001.MP4"
ROLL = f"{SHOOT}/Originals/Wide/Roll 01"
OLD = 1_781_000_000


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    made.clock.at = datetime.now(UTC)  # commands that are typed go by the real clock
    take(made, "card", CARD)
    assert made.gaps_of("Roll 01") == (Role.CLOUD,)
    return made


def take(yard: ScopedYard, name: str, files: dict[str, bytes]) -> Path:
    """A card with the times of its day, taken in on both drives."""
    card = yard.card(name, files)
    for number, path in enumerate(files):
        os.utime(card / path, (OLD + number, OLD + number))
    assert yard.offload(card).sealed
    return card


def folder(yard: ScopedYard) -> Path:
    return roll_folder(yard.root / "Main")


def move(yard: ScopedYard, old: str, new: str) -> Path:
    """As a person does it: on the main drive, both paths below its root."""
    target = yard.root / "Main" / new
    target.parent.mkdir(parents=True, exist_ok=True)
    (yard.root / "Main" / old).rename(target)
    return target


def call_missing(yard: ScopedYard) -> None:
    """As somebody who did not look around: all that was there is gone."""
    place = yard.place("Main")
    newest = {(fact.path, fact.content): fact for fact in yard.facts("Main")}
    with yard.context() as context:
        gone = [
            Fact(
                at=context.clock.now(),
                place=place,
                path=path,
                content=content,
                way=Way.LOOKED,
                result=Result.MISSING,
            )
            for (path, content), fact in newest.items()
            if fact.result is not Result.MISSING
        ]
        record_seen(context, gone)
    assert Role.PRIMARY in yard.gaps_of("Roll 01")


def entries(yard: ScopedYard, drive: str) -> dict[str, tuple[int, int, int]]:
    """What stands on a drive, manifests too, but for the catalog's snapshots."""
    found = {
        str(path): (path.stat().st_ino, path.stat().st_size, path.stat().st_mtime_ns)
        for path in (yard.root / drive).rglob("*")
    }
    return {path: one for path, one in found.items() if "/.backupkeeper" not in path}


def findings(yard: ScopedYard, what: str = "Main") -> list[tuple[str, str]]:
    return sorted((one.path, one.finding.value) for one in yard.verify(what).checked)


MOVES = {
    "the shoot renamed": (SHOOT, "260612 Boatyard, day one"),
    "the shoot put away": (SHOOT, f"Old jobs/2026/{SHOOT}"),
    "the roll moved": (ROLL, f"{SHOOT}/Originals/Close/Roll 01"),
    "the roll's folder renamed": (ROLL, "Wide morning"),
    "the shoot renamed by case only": (SHOOT, SHOOT.upper()),
}


@pytest.mark.parametrize(("old", "new"), MOVES.values(), ids=MOVES.keys())
@pytest.mark.parametrize("called", [False, True], ids=["at once", "called missing"])
def test_what_was_moved_as_a_whole_is_found_read_and_not_copied_again(
    yard: ScopedYard, old: str, new: str, called: bool
) -> None:
    move(yard, old, new)
    if called:
        call_missing(yard)
        assert yard.gaps_of("Roll 01") == (Role.PRIMARY, Role.CLOUD)
    before, others = entries(yard, "Main"), entries(yard, "Travel")
    said = yard.verify("Main")
    assert said.all_well, said
    assert (said.matching_files, said.manifests) == (len(CARD), ())
    (moved,) = said.moved
    assert (moved.place, moved.was, moved.now) == ("Main", old, new)
    assert (moved.files, moved.not_cold) == (len(CARD), 0)
    again = yard.verify("Main")
    assert (again.all_well, again.matching_files, again.moved) == (True, len(CARD), ())
    brought = yard.mirror()
    assert (brought.copied_files, brought.waiting, brought.troubles) == (0, (), ())
    assert entries(yard, "Main") == before, "nothing is written anywhere, no manifest either"
    assert entries(yard, "Travel") == others
    assert not (yard.root / "Main" / old).exists()
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)
    assert yard.verdict(yard.root / "card").answer is Answer.YES


def test_a_renamed_file_stays_its_rolls_and_no_one_is_alarmed(yard: ScopedYard) -> None:
    move(yard, f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/100BOATY/launch.mp4")
    said = yard.verify("Main")
    assert said.all_well
    (moved,) = said.moved
    assert (moved.was, moved.now) == (f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/100BOATY/launch.mp4")
    assert yard.mirror().copied_files == 0
    assert yard.verify("Main").all_well
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)


def test_mirror_finds_by_itself_what_was_called_missing(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    (yard.root / "Main/Boats/Originals/Wide/Roll 01/NOTE.TXT").unlink()
    call_missing(yard)
    assert yard.gaps_of("Roll 01") == (Role.PRIMARY, Role.CLOUD)
    brought = yard.mirror()
    assert brought.copied_files == 1, "the note is really gone"
    assert [(one.was, one.now, one.files) for one in brought.moved] == [(SHOOT, "Boats", 3)]
    assert tree(folder(yard)) == {"NOTE.TXT": b""}
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)
    assert yard.verify("Main").all_well


def test_a_third_drive_is_filled_from_where_the_roll_lies_now(yard: ScopedYard) -> None:
    shutil.rmtree(yard.root / "Travel")
    move(yard, SHOOT, "Boats")
    yard.drive("Third", Role.SECONDARY)
    typed(yard, "place", "lost", "Travel", "--yes")
    brought = yard.mirror()
    assert brought.troubles == ()
    assert brought.copied_files == len(CARD)
    assert tree(yard.root / "Third" / ROLL) == CARD


def test_moving_back_and_on_is_followed(yard: ScopedYard) -> None:
    for old, new in [(SHOOT, "Boats"), ("Boats", SHOOT), (SHOOT, "A"), ("A", "B"), ("B", SHOOT)]:
        move(yard, old, new)
        said = yard.verify("Main")
        assert said.all_well, (old, new, said)
        assert [(one.was, one.now) for one in said.moved] == [(old, new)]
        assert said.matching_files == len(CARD)
        assert yard.mirror().copied_files == 0
    assert yard.verify("Main").all_well


def test_times_that_were_lost_on_the_way_don_t_matter_where_names_are_kept(
    yard: ScopedYard,
) -> None:
    """Copied elsewhere by a tool that keeps no times, and the old folder deleted."""
    shutil.copytree(yard.root / "Main" / SHOOT, yard.root / "Main/Boats", copy_function=shutil.copy)
    shutil.rmtree(yard.root / "Main" / SHOOT)
    said = yard.verify("Main")
    assert (said.all_well, said.matching_files) == (True, len(CARD))


def test_what_was_only_copied_by_hand_is_no_move(yard: ScopedYard) -> None:
    shutil.copytree(yard.root / "Main" / SHOOT, yard.root / "Main/Boats")
    before = len(yard.facts("Main"))
    said = yard.verify("Main")
    assert (said.all_well, said.moved) == (True, ())
    after = yard.facts("Main")
    assert len(after) == before + len(CARD)
    assert not any(fact.path.startswith("Boats") for fact in after)


def test_of_two_alike_in_size_and_time_the_bytes_decide(yard: ScopedYard) -> None:
    wrong = yard.root / "Main/A folder that comes first/BOAT0001.MP4"
    wrong.parent.mkdir()
    wrong.write_bytes(clip(7))
    os.utime(wrong, (OLD, OLD))
    move(yard, SHOOT, "Boats")
    said = yard.verify("Main")
    assert said.all_well
    assert [(one.was, one.now, one.files) for one in said.moved] == [(SHOOT, "Boats", len(CARD))]
    assert not any("comes first" in fact.path for fact in yard.facts("Main"))


def test_what_was_moved_onto_another_drive_is_not_on_this_one(yard: ScopedYard) -> None:
    shutil.move(yard.root / "Main" / SHOOT, yard.root / "Travel/From main")
    assert findings(yard) == [(f"{ROLL}/{path}", "missing") for path in sorted(CARD)]
    assert yard.verify("Travel").moved == ()
    assert yard.gaps_of("Roll 01") == (Role.PRIMARY, Role.CLOUD)


@pytest.mark.parametrize("trash", [".Trash-1000/files", "$RECYCLE.BIN/S-1-5"])
def test_what_lies_in_the_trash_is_not_there(yard: ScopedYard, trash: str) -> None:
    move(yard, SHOOT, f"{trash}/{SHOOT}")
    assert findings(yard) == [(f"{ROLL}/{path}", "missing") for path in sorted(CARD)]


def test_a_link_where_the_folder_was_hides_nothing_and_shows_nothing(yard: ScopedYard) -> None:
    target = move(yard, SHOOT, "Boats")
    (yard.root / "Main" / SHOOT).symlink_to(target)
    said = yard.verify("Main")
    assert (said.all_well, [one.now for one in said.moved]) == (True, ["Boats"])
    assert yard.verify("Main").all_well
    assert yard.mirror().copied_files == 0


def test_a_path_names_it_where_it_lies_now_and_by_its_roll(yard: ScopedYard) -> None:
    target = move(yard, SHOOT, "Boats")
    said = typed(yard, "verify", str(target))
    assert said.code == 2
    assert "backupkeeper verify Main finds it" in said.all
    assert yard.verify("Main").all_well
    assert yard.verify(str(target)).matching_files == len(CARD)
    assert yard.verify(str(target / "Originals/Wide/Roll 01" / CLIP)).matching_files == 1
    assert yard.verify(f"{SHOOT}/Wide/Roll 01/{CLIP}").matching_files == 2
    out = yard.root / "out"
    said = typed(
        yard, "restore", str(target / "Originals/Wide/Roll 01" / CLIP), "--to", str(out), "--yes"
    )
    assert said.code == 0, said.all
    assert list(tree(out).values()) == [CARD[CLIP]]


def test_a_restore_takes_it_from_where_it_lies_now(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    assert yard.verify("Main").all_well
    (yard.root / "Travel").rename(yard.root / "in the other bag")
    said = typed(yard, "restore", SHOOT, "--to", str(yard.root / "out"), "--yes")
    assert said.code == 0, said.all
    assert tree(yard.root / "out" / ROLL) == CARD


def test_two_rolls_that_share_a_file_are_each_found(yard: ScopedYard) -> None:
    other = {**CARD, CLIP: clip(9), "DCIM/100BOATY/BOAT0002.MP4": clip(8, 150_000)}
    take(yard, "second", other)
    move(yard, SHOOT, "Boats")
    said = yard.verify("Main")
    assert (said.all_well, said.matching_files) == (True, 2 * len(CARD))
    assert [(one.was, one.now, one.files) for one in said.moved] == [(SHOOT, "Boats", 8)]
    assert yard.verify("Main").matching_files == 2 * len(CARD)
    move(yard, "Boats/Originals/Wide/Roll 02", "Second roll")
    said = yard.verify("Main")
    assert said.all_well, said
    assert [(one.was, one.now, one.files) for one in said.moved] == [
        ("Boats/Originals/Wide/Roll 02", "Second roll", 4)
    ]


def test_a_roll_of_which_some_stayed_is_told_by_what_moved(yard: ScopedYard) -> None:
    move(yard, f"{ROLL}/DCIM", f"{ROLL}/Clips")
    said = yard.verify("Main")
    assert said.all_well
    assert [(one.was, one.now, one.files) for one in said.moved] == [
        (f"{ROLL}/DCIM", f"{ROLL}/Clips", 3)
    ]
    assert said.manifests, "what stayed goes on with the history beside it"


def test_where_it_was_adopted_after_it_was_moved_that_counts(yard: ScopedYard) -> None:
    move(yard, ROLL, f"{SHOOT}/Originals/Close/Roll 01")
    said = typed(yard, "adopt", "Main", "--json")
    assert said.code == 0, said.all
    outcome = yard.verify("Main")
    assert (outcome.all_well, [one.files for one in outcome.moved]) == (True, [len(CARD)])
    assert yard.mirror().copied_files == 0


class StopsAtFile(Quiet):
    """Ctrl-C at the n-th file that is named."""

    def __init__(self, count: int) -> None:
        self.left = count

    def file(self, path: str) -> None:
        self.left -= 1
        if self.left == 0:
            raise KeyboardInterrupt


def test_what_was_read_before_a_stop_is_kept_and_not_read_again(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.verify("Main", progress=StopsAtFile(3))
    found = [fact for fact in yard.facts("Main") if fact.path.startswith("Boats")]
    assert [fact.is_proof for fact in found] == [True, True]
    said = yard.verify("Main")
    assert said.all_well
    assert (said.matching_files, [one.files for one in said.moved]) == (len(CARD), [2])


class Pulled(Quiet):
    """The drive goes away when the second file is to be read."""

    def __init__(self, drive: Path) -> None:
        self.drive, self.left = drive, 2

    def file(self, path: str) -> None:
        self.left -= 1
        if self.left == 0:
            self.drive.rename(self.drive.with_name("pulled"))


def test_a_drive_that_goes_away_leaves_no_news_of_what_was_not_read(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    before = len(yard.facts("Main"))
    with yard.keeper() as keeper:
        said = keeper.verify("Main", progress=Pulled(yard.root / "Main"))
    assert [trouble.place for trouble in said.troubles] == ["Main"]
    (yard.root / "pulled").rename(yard.root / "Main")
    after = yard.facts("Main")[before:]
    assert {fact.result for fact in after} == {Result.MATCHES, Result.MISSING}
    assert len(after) == 2, "one file, at its new path and no longer at the old one"


def test_the_commands_tell_it_in_words_and_to_programs(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    told = typed(yard, "verify", "Main")
    assert told.code == 0, told.all
    assert "moved, and found again: 4 files" in told.all
    assert "now at Boats" in told.all
    move(yard, "Boats", "Barges")
    yard.clock.at = datetime.now(UTC)
    call_missing(yard)
    told = typed(yard, "mirror", "--json")
    assert told.code == 0
    (one,) = told.json["moved"]
    assert one == {
        "place": "Main",
        "was": "Boats",
        "now": "Barges",
        "files": 4,
        "bytes": sum(map(len, CARD.values())),
        "not_cold": 0,
    }
