"""Restore drills: a shoot brought back into a scratch folder, compared, remembered, removed again."""

from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.core.drilling import DrillOutcome, DrillResult
from backupkeeper.core.errors import UsageError
from backupkeeper.core.restoring import Asked
from backupkeeper.ports.progress import Progress
from backupkeeper.report.status import status_from_json, status_json
from tests.stories.typed import AtAdvance, offloaded, typed, yard_of_today
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot, tree

CARD = {"DCIM/A.MP4": clip(1), "DCIM/B.MP4": clip(2), "EMPTY.DAT": b""}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    yard.drives()
    yard.offload(yard.card("card", CARD))
    (tmp_path / "scratch").mkdir()
    (tmp_path / "scratch/mine.txt").write_text("mine")
    return yard


def drilled(
    yard: Yard, shoot: str | None = None, *, agree: bool = True, progress: Progress = QUIET
) -> DrillOutcome:
    asked = Asked(what=shoot, to=str(yard.root / "scratch"), source="Travel")
    with yard.keeper() as keeper:
        return keeper.drill(asked, agree=lambda _: agree, progress=progress)


def of_status(yard: Yard) -> tuple[str, tuple[str, ...]]:
    with yard.keeper() as keeper:
        status = keeper.status()
        assert status_from_json(status_json(status)) == status
        return status.drill, status.advice


def test_a_shoot_comes_back_and_nothing_of_it_stays(yard: Yard) -> None:
    assert of_status(yard)[0].startswith("There never was")
    outcome = drilled(yard)
    assert (outcome.result, outcome.left, outcome.notes) == (DrillResult.RIGHT, (), ())
    assert outcome.restored.restored_files == 3
    assert tree(yard.root / "scratch") == {"mine.txt": b"mine"}
    assert [path.name for path in (yard.root / "scratch").iterdir()] == ["mine.txt"]
    told, advice = of_status(yard)
    assert told == f"2026-06-12: {SHOOT} from Travel: all 3 files came back right."
    assert advice == ()
    with yard.keeper() as keeper:
        weekly = keeper.weekly().sight
    assert "came back right" in " ".join(str(weekly).split())


def test_what_does_not_come_back_right_is_told_until_it_does(yard: Yard) -> None:
    rot(roll_folder(yard.root / "Travel") / "DCIM/A.MP4", 9, b"rot")
    outcome = drilled(yard, SHOOT)
    assert (outcome.result, outcome.left) == (DrillResult.WRONG, ())
    told, advice = of_status(yard)
    assert "not everything came back right" in told
    assert any("repeat the drill" in one for one in advice)
    yard.repair()
    assert drilled(yard, SHOOT).result is DrillResult.RIGHT
    assert not any("drill" in one for one in of_status(yard)[1])


def test_what_somebody_puts_there_meanwhile_is_not_removed(yard: Yard) -> None:
    def meddle() -> None:
        (folder,) = (yard.root / "scratch").glob("drill *")
        (roll_folder(folder) / "note.txt").write_text("a note of mine")
        (roll_folder(folder) / "DCIM/B.MP4").write_bytes(b"other bytes")

    class AtRemoving(AtAdvance):
        def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
            if what.startswith("Removing"):
                self.deed()

    outcome = drilled(yard, progress=AtRemoving(0, meddle))
    assert {path.rpartition("Roll 01/")[2] for path in outcome.left} == {"note.txt", "DCIM/B.MP4"}
    (folder,) = (yard.root / "scratch").glob("drill *")
    assert tree(roll_folder(folder)) == {
        "note.txt": b"a note of mine",
        "DCIM/B.MP4": b"other bytes",
    }


def test_who_does_not_agree_gets_no_turn_and_no_folder(yard: Yard) -> None:
    assert drilled(yard, agree=False).result is None
    assert not list((yard.root / "scratch").glob("drill *"))
    assert of_status(yard)[0].startswith("There never was")


def test_it_is_asked_for_after_so_many_months(tmp_path: Path) -> None:
    yard = Yard(tmp_path, policy="distinct_devices = false\n[proofs]\ndrill_months = 2")
    yard.drives()
    yard.offload(yard.card("card", CARD))
    (tmp_path / "scratch").mkdir()
    assert any("time for a restore drill" in one for one in of_status(yard)[1])
    drilled(yard)
    yard.clock.at += timedelta(days=59)
    assert not any("restore drill" in one for one in of_status(yard)[1])
    yard.clock.at += timedelta(days=2)
    assert any("time for a restore drill" in one for one in of_status(yard)[1])


def test_there_must_be_something_to_drill_with(yard: Yard) -> None:
    with pytest.raises(UsageError, match="has no shoot called"):
        drilled(yard, "260613 Boatyard")
    asked = Asked(what=None, to=str(yard.root / "scratch"))
    with yard.keeper() as keeper, pytest.raises(UsageError, match="no bucket to restore from"):
        keeper.drill(asked, agree=lambda _: True, progress=QUIET)


def test_typed(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    yard.drives()
    offloaded(yard, yard.card("card", CARD))
    (tmp_path / "scratch").mkdir()
    words = ("drill", "--to", str(tmp_path / "scratch"), "--from", "main")
    said = typed(yard, *words)
    assert said.code == 0
    assert "came back whole: 3 files" in " ".join(said.out.split())
    said = typed(yard, *words, "--json")
    assert (said.code, said.json["result"], said.json["left"]) == (0, "right", [])
    assert "Restore drill" in typed(yard, "status").out
    rot(roll_folder(tmp_path / "Main") / "DCIM/A.MP4", 9, b"rot")
    said = typed(yard, *words)
    assert said.code == 1
    assert "did not come back right" in said.out
    assert typed(yard, "drill", "--to", str(tmp_path / "Main")).code == 2
