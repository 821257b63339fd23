"""The same footage on two drives, each with its own habit of folders and names: known by content."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.adopt_reading import CHUNK_FILES
from backupkeeper.core.model import Result, Role
from backupkeeper.ports.progress import Quiet
from tests.manifests.made_history import Folder, made_generation
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_adopt import stats
from tests.stories.test_adopt_place import CARD, OLD, SOUND, adopt, md5_list, put
from tests.stories.typed import typed
from tests.stories.yard import QUIET, SHOOT, clip, rot, tree

HERE = "Jobs/2026-06-12 Boatyard/Wide/Card 1"
THERE = "Copies/260612_Boatyard/Cam A/A001"
RENAMED = {"A001_01.MP4": CARD["DCIM/100BOATY/BOAT0001.MP4"],
           "A001_02.MP4": CARD["DCIM/100BOATY/BOAT0002.MP4"], "A001.TXT": b"x\n"}  # fmt: skip


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    # Commands that are typed go by the real clock.
    made.clock.at = datetime.now(UTC)
    return made


def both(yard: ScopedYard, files: dict[str, bytes]) -> tuple[Path, Path]:
    """Taken in on Main, and then on Travel, where it lies elsewhere."""
    here, there = put(yard, HERE, CARD), put(yard, THERE, files, "Travel")
    assert adopt(yard).code == 0
    said = adopt(yard, place="Travel")
    assert said.code == 0, said.all
    (one,) = said.json["taken_in"]
    assert (one["folder"], one["roll_folder"]) == (THERE, HERE)
    assert any(HERE in warning for warning in one["warnings"])
    return here, there


@pytest.mark.parametrize("files", [CARD, RENAMED], ids=["same names", "other names"])
def test_it_is_one_roll_that_lacks_nothing_and_is_not_copied_again(
    yard: ScopedYard, files: dict[str, bytes]
) -> None:
    _, there = both(yard, files)
    with yard.context() as context:
        assert [head.folder for head in context.catalog.rolls()] == [HERE]
    assert yard.gaps_of("Card 1") == (Role.CLOUD,)
    before = stats(yard.root / "Travel")
    outcome = yard.mirror()
    assert (outcome.copied_files, outcome.waiting, outcome.troubles) == (0, (), ())
    assert stats(yard.root / "Travel") == before
    assert tree(there) == files
    assert len(list((there / "ascmhl").glob("*.mhl"))) == 1
    assert yard.verdict(yard.card("CARD", CARD)).may_wipe
    again = adopt(yard, place="Travel")
    assert again.json["taken_in"] == []
    assert "known here already" in again.json["rolls"][0]["known"]


@pytest.mark.parametrize("files", [CARD, RENAMED], ids=["same names", "other names"])
def test_each_place_is_read_again_and_mended_at_its_own_path(
    yard: ScopedYard, files: dict[str, bytes]
) -> None:
    _, there = both(yard, files)
    said = yard.verify("Travel")
    assert said.all_well
    assert said.matching_files == len(files)
    name = next(path for path in files if path.endswith(".MP4"))
    rot(there / name, 5000, b"rot")
    (found,) = yard.verify("Travel").checked
    assert (found.path, found.finding.value) == (f"{THERE}/{name}", "damaged")
    outcome = yard.repair()
    assert outcome.all_well, outcome
    assert tree(there) == files
    assert yard.verify("Travel").all_well


def test_the_daemon_plans_to_prove_it_there_and_nothing_else(yard: ScopedYard) -> None:
    both(yard, RENAMED)
    yard.clock.at += timedelta(days=80)
    read = yard.prove_one("Travel", roll="Card 1")
    assert read.matching_files == len(RENAMED)


def test_where_one_file_is_not_there_that_one_is_brought(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    some = {path: data for path, data in CARD.items() if "0002" not in path}
    put(yard, THERE, some, "Travel")
    assert adopt(yard).code == 0
    assert adopt(yard, place="Travel").code == 0
    assert yard.gaps_of("Card 1") == (Role.SECONDARY, Role.CLOUD)
    assert yard.mirror().copied_files == 1
    assert tree(yard.root / "Travel" / HERE) == {p: d for p, d in CARD.items() if p not in some}
    assert yard.gaps_of("Card 1") == (Role.CLOUD,)
    said = yard.verify("Travel")
    assert (said.all_well, said.matching_files) == (True, len(CARD))
    assert yard.mirror().copied_files == 0


def test_a_drive_without_the_checksum_list_gets_that_alone(yard: ScopedYard) -> None:
    """The list was a file of the first drive's roll, for it lay among the footage."""
    listed = {**CARD, "CLIPS.TXT": b"what is on it\n"}
    put(yard, HERE, listed)
    put(yard, THERE, CARD, "Travel")
    assert adopt(yard).code == 0
    assert adopt(yard, place="Travel").code == 0
    assert yard.mirror().copied_files == 1
    assert tree(yard.root / "Travel" / HERE) == {"CLIPS.TXT": listed["CLIPS.TXT"]}


def test_where_half_of_a_roll_lies_the_tree_is_brought(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    put(yard, THERE, dict(list(CARD.items())[: len(CARD) // 2]), "Travel")
    assert adopt(yard).code == 0
    assert adopt(yard, place="Travel").code == 0
    assert yard.mirror().copied_files == len(CARD)
    assert tree(yard.root / "Travel" / HERE) == CARD


def test_of_more_than_the_known_roll_only_the_rest_is_a_roll(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    there = put(yard, THERE, {**RENAMED, "A001_03.MP4": clip(77)}, "Travel")
    adopt(yard)
    said = adopt(yard, place="Travel")
    (one,) = said.json["taken_in"]
    assert (one["roll_folder"], one["files"]) == (THERE, len(RENAMED) + 1)
    assert any("3 of 4 files are footage of" in warning for warning in one["warnings"])
    with yard.context() as context:
        assert {head.folder: head.file_count for head in context.catalog.rolls()} == {
            HERE: 3,
            THERE: 1,
        }
    brought = yard.mirror()
    assert (brought.copied_files, brought.troubles) == (1, ())
    assert tree(yard.root / "Main" / THERE) == {"A001_03.MP4": clip(77)}
    assert not (yard.root / "Travel" / HERE).exists()
    checked = yard.verify("Travel")
    assert (checked.all_well, checked.matching_files) == (True, len(RENAMED) + 1), checked
    (manifest,) = (there / "ascmhl").glob("*.mhl")
    assert all(name in manifest.read_text() for name in (*RENAMED, "A001_03.MP4"))
    again = adopt(yard, place="Travel")
    assert (again.code, again.json["taken_in"]) == (0, [])


def test_cards_that_only_share_some_files_keep_their_whole_trees(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    other = {
        "DCIM/200BOATY/BOAT0900.MP4": clip(78),
        "DCIM/200BOATY/BOAT0901.MP4": clip(79),
        "NOTE.TXT": b"x\n",
    }
    put(yard, "Jobs/2026-06-12 Boatyard/Wide/Card 2", other)
    assert adopt(yard).code == 0
    with yard.context() as context:
        assert sorted(head.file_count for head in context.catalog.rolls()) == [3, 3]


def test_rolls_of_one_name_are_told_apart(yard: ScopedYard) -> None:
    """Two drives, each with another Card 1 of that day and source."""
    put(yard, HERE, CARD)
    put(yard, "More/2026-06-12 Boatyard/Wide/Card 1", {"A.MP4": clip(80)}, "Travel")
    assert adopt(yard).code == 0
    assert adopt(yard, place="Travel").code == 0
    with yard.context() as context:
        names = [head.name for head in context.catalog.rolls()]
    assert names == ["Card 1", "Card 1 (2)"]
    said = typed(yard, "gaps")
    assert said.all.count("Wide/Card 1 (2)") == 1
    assert yard.verify("Wide/Card 1 (2)").matching_files == 1


def put_history(folder: Path, files: dict[str, bytes]) -> None:
    """The folder's own, made without the program's commands."""
    history = Folder()
    history.add(made_generation(files, folder_name=folder.name))
    (folder / "ascmhl").mkdir()
    for name, data in history.files.items():
        (folder / "ascmhl" / name).write_bytes(data)
        os.utime(folder / "ascmhl" / name, (OLD, OLD))


@pytest.mark.parametrize("kind", ["list", "history of a folder in it"])
def test_old_hashes_that_lie_beside_known_footage_make_no_roll_of_it(
    yard: ScopedYard, kind: str
) -> None:
    put(yard, HERE, CARD)
    below = "" if kind == "list" else "clips/"
    files = {f"{below}{path}": data for path, data in RENAMED.items()}
    there = put(yard, THERE, files, "Travel")
    if kind == "list":
        put(yard, THERE, {"MD5SUMS": md5_list(files)}, "Travel")
    else:
        put_history(there / "clips", RENAMED)
    words = [THERE, "--shoot", SHOOT, "--source", "Cam", "--roll", "A001"]
    said = adopt(yard), adopt(yard, *words, place="Travel")
    assert [one.code for one in said] == [0, 0], said[1].all
    (one,) = said[1].json["taken_in"]
    assert (one["folder"], one["roll_folder"]) == (THERE, HERE)
    assert any("stays only here" in warning for warning in one["warnings"])
    before = stats(yard.root / "Travel")
    assert yard.mirror().copied_files == 0
    assert stats(yard.root / "Travel") == before
    assert yard.gaps_of("Card 1") == (Role.CLOUD,)
    again = adopt(yard, *words, place="Travel")
    assert again.json["taken_in"] == []
    assert "known here already" in again.json["rolls"][0]["known"]
    with yard.context() as context:
        assert [head.folder for head in context.catalog.rolls()] == [HERE]


def test_a_folder_of_lists_alone_is_no_footage_that_is_known(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    put(yard, THERE, {"A.md5": md5_list(RENAMED), "B.md5": md5_list(CARD)}, "Travel")
    adopt(yard)
    words = ["--shoot", SHOOT, "--source", "Cam", "--roll", "A001"]
    said = adopt(yard, THERE, *words, place="Travel")
    assert [one["roll_folder"] for one in said.json["taken_in"]] == [THERE], said.all


def test_the_same_folder_on_another_drive_is_compared_with_the_roll(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    there = put(yard, HERE, CARD, "Travel")
    assert adopt(yard).code == 0
    said = adopt(yard, place="Travel")
    assert said.code == 0, said.all
    assert [(one["files"], one["proven"]) for one in said.json["taken_in"]] == [(3, 3)]
    assert len(list((there / "ascmhl").glob("*.mhl"))) == 1
    assert yard.mirror().copied_files == 0
    assert yard.verify("Travel").all_well


def test_how_fast_a_drive_is_goes_by_what_was_read_and_not_by_what_was_taken_up(
    yard: ScopedYard,
) -> None:
    folder = f"{SHOOT}/Originals/Recorder/Roll 01"
    many = {f"{number:04}.WAV": clip(number, 9_000) for number in range(CHUNK_FILES + 3)}
    put(yard, folder, many)
    place = yard.place("Main")
    with yard.context() as context, pytest.raises(KeyboardInterrupt):
        # Past the first chunk, both readings of it: that is recorded.
        adopt_folder(context, place, folder, StopsAtFile(2 * CHUNK_FILES + 2))
    with yard.context() as context:
        outcome = adopt_folder(context, place, folder, QUIET)
    assert outcome.files == len(many)
    assert outcome.read_bytes == 2 * 3 * 9_000


class StopsAtFile(Quiet):
    """Ctrl-C at the n-th file that is named."""

    def __init__(self, count: int) -> None:
        self.left = count

    def file(self, path: str) -> None:
        self.left -= 1
        if self.left == 0:
            raise KeyboardInterrupt


def test_what_differs_there_is_told_and_recorded_as_damage(yard: ScopedYard) -> None:
    put(yard, HERE, CARD)
    there = put(yard, HERE, {**CARD, "extra.txt": b"mine\n"}, "Travel")
    rot(there / "DCIM/100BOATY/BOAT0001.MP4", 7000, b"rot")
    os.unlink(there / "NOTE.TXT")
    assert adopt(yard).code == 0
    said = adopt(yard, place="Travel")
    assert said.code == 1
    (one,) = said.json["taken_in"]
    assert {trouble["path"] for trouble in one["troubles"]} == {
        f"{HERE}/DCIM/100BOATY/BOAT0001.MP4",
        f"{HERE}/extra.txt",
    }
    assert any("1 file of the roll is not there" in warning for warning in one["warnings"])
    (bad,) = [fact for fact in yard.facts("Travel") if fact.result is not Result.MATCHES]
    assert (bad.path, bad.result) == (f"{HERE}/DCIM/100BOATY/BOAT0001.MP4", Result.DAMAGED)
    assert yard.repair().all_well
    assert yard.mirror().copied_files == 1
    assert tree(there) == {**CARD, "extra.txt": b"mine\n"}


def test_rolls_that_an_offload_made_are_recognised_too(yard: ScopedYard) -> None:
    card = yard.card("CARD", CARD)
    assert yard.offload(card).sealed
    put(yard, "Mine/260612 Boatyard/W/1", SOUND, "Main")
    put(yard, "Mine/260612 Boatyard/W/2", RENAMED, "Main")
    said = typed(yard, "adopt", "Main", "Mine", "--json")
    assert said.code == 0, said.all
    assert [one["roll_folder"] for one in said.json["taken_in"]] == [
        "Mine/260612 Boatyard/W/1",
        "260612 Boatyard/Originals/Wide/Roll 01",
    ]


@pytest.mark.parametrize("files", [CARD, RENAMED], ids=["same names", "other names"])
def test_compare_knows_it_where_it_lies(yard: ScopedYard, files: dict[str, bytes]) -> None:
    _, there = both(yard, files)
    told = typed(yard, "compare", "Main", "Travel", "--json").json
    assert [len(side) for side in told["only"]] == [0, 0]
    assert {two["path"] for _, two in told["other_name"]} == {f"{THERE}/{path}" for path in files}
    halves = [f"{yard.root}/Main/{HERE}", str(there)]
    inner = typed(yard, "compare", *halves, "--json").json
    assert inner["same_files"] == len(files) if files is CARD else len(inner["other_name"]) == 3
    # What changed since is not known, whatever the catalog says of its bytes.
    name = next(path for path in files if path.endswith(".MP4"))
    (there / name).write_bytes(clip(88))
    os.utime(there / name, (OLD + 7, OLD + 7))
    told = typed(yard, "compare", "Main", "Travel", "--json").json
    assert [one["path"] for one in told["only"][1]] == [f"{THERE}/{name}"]
    assert told["only"][1][0]["blake3"] is None
