"""Originals brought back into a folder: from drives at a boat yard, on real folders."""

import os
import shutil
from pathlib import Path

import pytest

from backupkeeper.core.errors import (
    NoSpaceError,
    OutOfReachError,
    PlaceHeldError,
    UsageError,
)
from backupkeeper.core.model import (
    BLOCK_BYTES,
    CopyState,
)
from backupkeeper.core.outcomes import Finding
from backupkeeper.core.restoring import Asked, Fate, RestoreOutcome, RestorePlan
from backupkeeper.ports.progress import Progress
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.durable import temp_name
from tests.stories.typed import AtAdvance, offloaded, typed, yard_of_today
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot, tree

LARGE = "DCIM/100BOATY/BOAT0001.MP4"
SMALL = "DCIM/100BOATY/BOAT0002.MP4"
ODD = "DCIM/100BOATY/odd é %41.XML"
SMALL_ROLL = "Wide/Roll 01"


def large(seed: int) -> bytes:
    """Three blocks and a bit, no two alike."""
    return b"".join(clip(seed * 10 + part, BLOCK_BYTES) for part in range(3)) + clip(seed, 5000)


CARD = {LARGE: large(1), SMALL: clip(2), ODD: b"<clip/>\n", "MISC/EMPTY.DAT": b""}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def taken_in(yard: Yard) -> tuple[Path, Path]:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    (card / "SPARE/DEEP").mkdir(parents=True)
    for number, path in enumerate(sorted(card.rglob("*"))):
        if path.is_file():
            os.utime(
                path, ns=(1_700_000_000_123_456_700 + number, 1_700_000_000_123_456_700 + number)
            )
    yard.offload(card)
    return roll_folder(main), roll_folder(travel)


def restored(
    yard: Yard,
    what: str | None = SHOOT,
    *,
    to: str = "back",
    source: str | None = None,
    progress: Progress = QUIET,
) -> RestoreOutcome:
    asked = Asked(what=what, to=str(yard.root / to), source=source)
    with yard.keeper() as keeper:
        return keeper.restore(asked, agree=lambda _: True, progress=progress)


def planned(yard: Yard, what: str | None = SHOOT, source: str | None = None) -> RestorePlan:
    asked = Asked(what=what, to=str(yard.root / "back"), source=source)
    with yard.keeper() as keeper:
        outcome = keeper.restore(asked, agree=lambda _: False, progress=QUIET)
    assert not outcome.done
    return outcome.plan


def times(folder: Path) -> dict[str, int]:
    return {
        str(path.relative_to(folder)): path.stat().st_mtime_ns
        for path in folder.rglob("*")
        if path.is_file() and "ascmhl" not in path.parts
    }


def parts(folder: Path) -> list[Path]:
    return list(folder.rglob("*.part"))


def test_a_shoot_comes_back_with_its_times_folders_and_manifests(yard: Yard) -> None:
    main, _ = taken_in(yard)
    outcome = restored(yard)
    back = roll_folder(yard.root / "back")
    assert outcome.all_well
    assert (outcome.restored_files, outcome.kept_files) == (4, 0)
    assert tree(back) == CARD
    assert times(back) == times(main)
    assert (back / "SPARE/DEEP").is_dir()
    assert sorted(p.name for p in (back / "ascmhl").iterdir()) == sorted(
        p.name for p in (main / "ascmhl").iterdir()
    )
    assert not parts(yard.root / "back")


def test_what_came_back_passes_from_its_manifests_alone(yard: Yard, tmp_path: Path) -> None:
    taken_in(yard)
    restored(yard)
    (tmp_path / "elsewhere").mkdir()
    stranger = Yard(tmp_path / "elsewhere")
    found = stranger.verify(str(yard.root / "back"))
    assert (found.matching_files, found.all_well) == (4, True)
    back = roll_folder(yard.root / "back")
    rot(back / LARGE, 5, b"rot")
    (back / SMALL).unlink()
    (back / "MINE.TXT").write_text("mine")
    found = stranger.verify(str(back))
    assert {(one.path, one.finding) for one in found.checked} == {
        (LARGE, Finding.NOT_AS_LISTED),
        (SMALL, Finding.MISSING),
        ("MINE.TXT", Finding.UNKNOWN),
    }
    assert found.manifest_faults == (), "what follows from a file is told of the file"


def test_a_folder_without_manifests_can_not_be_verified(yard: Yard) -> None:
    (yard.root / "plain").mkdir()
    with pytest.raises(UsageError, match="no manifest lies in it"):
        yard.verify(str(yard.root / "plain"))


def test_a_second_time_everything_is_kept_and_read(yard: Yard) -> None:
    taken_in(yard)
    restored(yard)
    before = times(yard.root / "back")
    outcome = restored(yard)
    assert outcome.all_well
    assert (outcome.restored_files, outcome.kept_files) == (0, 4)
    assert times(yard.root / "back") == before


@pytest.mark.parametrize("what", ["other bytes", "cut", "folder", "link"])
def test_what_stands_there_is_never_written_over(yard: Yard, what: str) -> None:
    taken_in(yard)
    place = roll_folder(yard.root / "back") / SMALL
    place.parent.mkdir(parents=True)
    if what == "other bytes":
        place.write_bytes(clip(9))
    elif what == "cut":
        place.write_bytes(CARD[SMALL][:100])
    elif what == "folder":
        place.mkdir()
    else:
        (yard.root / "secret").write_bytes(CARD[SMALL])
        place.symlink_to(yard.root / "secret")
    stands = place.read_bytes() if place.is_file() else None
    outcome = restored(yard)
    assert [(one.path.rpartition("Roll 01/")[2], one.fate) for one in outcome.not_there] == [
        (SMALL, Fate.OTHER)
    ]
    assert outcome.restored_files == 3
    assert (place.read_bytes() if place.is_file() else None) == stands
    assert place.is_symlink() == (what == "link")


def test_one_file_and_one_roll_come_alone(yard: Yard) -> None:
    taken_in(yard)
    yard.offload(yard.card("second", {"A.WAV": clip(5)}), source="Recorder")
    folder = f"{SHOOT}/Originals/Wide/Roll 01"
    assert restored(yard, f"{folder}/{LARGE}", to="one").restored_files == 1
    assert tree(yard.root / "one") == {f"{folder}/{LARGE}": CARD[LARGE]}
    assert restored(yard, "Recorder/Roll 01", to="roll").restored_files == 1
    assert restored(yard, None, to="all").restored_files == 5
    assert len(tree(yard.root / "all")) == 5


def test_drives_share_the_work(yard: Yard) -> None:
    taken_in(yard)
    plan = planned(yard)
    assert {one.place for one in plan.portions} == {"Main", "Travel"}
    assert sorted(one.files for one in plan.portions) == [1, 3], "shared out by bytes"
    assert plan.cost == 0
    assert not plan.wants_word
    outcome = restored(yard)
    assert set(outcome.taken) == {"Main", "Travel"}
    assert [one.place for one in planned(yard, source="Travel").portions] == []
    shutil.rmtree(yard.root / "back")
    assert [one.place for one in planned(yard, source="Travel").portions] == ["Travel"]


def test_blocks_that_rotted_come_from_the_other_drive(yard: Yard) -> None:
    main, travel = taken_in(yard)
    rot(main / LARGE, 10, b"rot")
    rot(travel / LARGE, BLOCK_BYTES + 10, b"rot")
    outcome = restored(yard)
    assert tree(roll_folder(yard.root / "back")) == CARD
    assert not outcome.not_there
    assert {one.place for one in outcome.troubles} <= {"Main", "Travel"}
    assert outcome.troubles, "what was found about the copies is told"
    with yard.keeper() as keeper:
        (cover,) = keeper.gaps().rolls
    assert CopyState.DAMAGED in {one.state for one in cover.roles.values()}


def test_a_drive_that_the_plan_does_not_name_helps_out(yard: Yard) -> None:
    main, travel = taken_in(yard)
    path = f"{SHOOT}/Originals/Wide/Roll 01/{LARGE}"
    assert len(planned(yard, path).portions) == 1
    rot(main / LARGE, 10, b"rot")
    rot(travel / LARGE, BLOCK_BYTES + 10, b"rot")
    assert restored(yard, path).restored_files == 1
    assert (roll_folder(yard.root / "back") / LARGE).read_bytes() == CARD[LARGE]


def test_what_no_copy_has_right_gets_no_name(yard: Yard) -> None:
    main, travel = taken_in(yard)
    for drive in (main, travel):
        rot(drive / LARGE, 10, b"rot")
    outcome = restored(yard)
    (lost,) = outcome.not_there
    assert (lost.fate, lost.lost) == (Fate.LOST, ((0, BLOCK_BYTES),))
    back = roll_folder(yard.root / "back")
    assert not (back / LARGE).exists()
    assert not parts(back)
    assert outcome.restored_files == 3
    assert (back / "ascmhl").is_dir(), "the manifests say what is missing"


def test_drives_that_are_away_are_told(yard: Yard) -> None:
    taken_in(yard)
    for name in ("Main", "Travel"):
        (yard.root / name).rename(yard.root / f"{name} away")
    outcome = restored(yard)
    assert {one.fate for one in outcome.not_there} == {Fate.HOMELESS}
    assert {one.message.split(" ")[0] for one in outcome.troubles} == {"Main", "Travel"}
    assert not tree(yard.root / "back")
    with pytest.raises(OutOfReachError, match="Main is not here"):
        restored(yard, source="main")


def test_a_folder_of_a_place_or_a_card_is_refused(yard: Yard) -> None:
    taken_in(yard)
    for to in ("Main", "Main/inside", "Travel/a/b"):
        with pytest.raises(UsageError, match="a place of yours"):
            restored(yard, to=to)
    foreign = yard.root / "foreign"
    shutil.copytree(yard.root / "Main" / ".backupkeeper", foreign / ".backupkeeper")
    with pytest.raises(UsageError, match="a place's marker"):
        restored(yard, to="foreign/inside")
    (yard.root / "file").write_text("")
    with pytest.raises(UsageError, match="is no folder"):
        restored(yard, to="file/inside")
    with pytest.raises(UsageError, match="restore --all --from"):
        restored(yard, "Main")
    with pytest.raises(UsageError, match="No place is called"):
        restored(yard, source="Nowhere")


def test_a_link_inside_the_folder_leads_nowhere(yard: Yard) -> None:
    taken_in(yard)
    (yard.root / "outside").mkdir()
    (yard.root / "back").mkdir()
    (yard.root / "back" / SHOOT).symlink_to(yard.root / "outside")
    outcome = restored(yard)
    assert len(outcome.not_there) == 4
    for one in outcome.not_there:
        assert "Move it away, and repeat the command." in one.why
        assert "roll name" not in one.why  # that would be an offload's advice
    assert not list((yard.root / "outside").iterdir())


def test_without_room_nothing_is_begun(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    taken_in(yard)
    monkeypatch.setattr(RealFiles, "free_bytes", lambda self, path: 1000)
    assert not planned(yard).fits
    with pytest.raises(NoSpaceError, match="bytes are needed"):
        restored(yard)
    assert not (yard.root / "back").exists()


def test_two_restores_into_one_folder_keep_apart(yard: Yard) -> None:
    taken_in(yard)
    (yard.root / "back").mkdir()
    files = RealFiles()
    handle = files.lock(str(yard.root / "back"))
    try:
        with pytest.raises(PlaceHeldError, match="restoring to it"):
            restored(yard)
    finally:
        files.close(handle)
    assert restored(yard).all_well


def test_stopped_at_any_step_it_goes_on_and_no_name_is_wrong(yard: Yard) -> None:
    taken_in(yard)

    def interrupt() -> None:
        raise KeyboardInterrupt

    back = roll_folder(yard.root / "back")
    for number in range(1, 12):
        try:
            restored(yard, progress=AtAdvance(number, interrupt))
        except KeyboardInterrupt:
            for path, data in tree(back).items():
                assert path.endswith(".part") or data == CARD[path]
    outcome = restored(yard)
    assert outcome.all_well
    assert tree(back) == CARD
    assert not parts(back)


def test_what_an_interruption_left_is_compared_and_gone_on_with(yard: Yard) -> None:
    main, travel = taken_in(yard)
    place = roll_folder(yard.root / "back") / LARGE
    place.parent.mkdir(parents=True)
    left = bytearray(CARD[LARGE][: 2 * BLOCK_BYTES])
    left[3:6] = b"bad"
    Path(temp_name(str(place))).write_bytes(left)
    for drive in (main, travel):  # a block that only the temporary file has right
        rot(drive / LARGE, BLOCK_BYTES + 7, b"rot")
    outcome = restored(yard, f"{SHOOT}/Originals/Wide/Roll 01/{LARGE}")
    assert (outcome.restored_files, outcome.not_there) == (1, ())
    assert place.read_bytes() == CARD[LARGE]
    assert sum(outcome.taken.values()) == len(CARD[LARGE]) - BLOCK_BYTES


def test_a_file_is_named_by_its_roll_as_gaps_names_that(yard: Yard) -> None:
    taken_in(yard)
    name = next(iter(CARD))
    outcome = restored(yard, f"{SHOOT}/Wide/Roll 01/{name}")
    assert (outcome.all_well, outcome.restored_files) == (True, 1)
    assert (roll_folder(yard.root / "back") / name).read_bytes() == CARD[name]
    with pytest.raises(UsageError, match="by its roll"):
        restored(yard, name.rpartition("/")[2])


def test_a_history_that_can_not_be_believed_is_not_brought(yard: Yard) -> None:
    main, travel = taken_in(yard)
    for drive in (main, travel):
        (manifest,) = (drive / "ascmhl").glob("*.mhl")
        manifest.write_bytes(manifest.read_bytes() + b" ")
    outcome = restored(yard)
    assert outcome.all_well
    (made,) = (roll_folder(yard.root / "back") / "ascmhl").glob("*.mhl")
    assert yard.verify(str(yard.root / "back")).all_well
    assert made.name.startswith("0001")


def test_typed_it_tells_the_plan_asks_nothing_without_a_terminal_and_ends(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    yard.drives()
    offloaded(yard, yard.card("card", CARD))
    back = str(tmp_path / "back")
    said = typed(yard, "restore", SHOOT, "--to", back, "--dry-run")
    assert (said.code, (tmp_path / "back").exists()) == (0, False)
    assert "4 files" in said.out
    assert "Nothing was done" in said.out
    said = typed(yard, "restore", SHOOT, "--to", back, "--json")
    assert said.code == 0
    assert (said.json["restored_files"], said.json["plan"]["cost"]) == (4, "0")
    said = typed(yard, "verify", back)
    assert said.code == 0
    assert "4 files" in said.out
    assert typed(yard, "restore", "--to", back).code == 2
    assert typed(yard, "restore", SHOOT, "--all", "--to", back).code == 2
    assert typed(yard, "restore", "260699 Nothing", "--to", back).code == 2
    (roll_folder(tmp_path / "back") / SMALL).write_bytes(b"mine")
    said = typed(yard, "restore", SHOOT, "--to", back)
    assert said.code == 1
    assert "Something else stands there" in said.out
