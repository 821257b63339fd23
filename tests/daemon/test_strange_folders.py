"""Folders that no roll knows: what the loop remembers of them follows from the last look."""

import pytest

from backupkeeper.core.deeds import Strange
from backupkeeper.core.model import PlaceId
from backupkeeper.core.quiet import Quiet
from backupkeeper.daemon.seeing import Seen

MAIN, TRAVEL = PlaceId("main"), PlaceId("travel")
FOLDER = "260612 Boatyard/Originals/Recorder/Roll 01"


def strange(place: PlaceId = MAIN, folder: str = FOLDER, files: int = 2) -> Strange:
    return Strange(place=place, folder=folder, size_bytes=10, files=files)


@pytest.fixture
def seen() -> Seen:
    made = Seen(quiet=Quiet(120))
    made.changed = {MAIN: ("",), TRAVEL: ("",)}
    made.looked(MAIN, ("",), [strange()])
    made.looked(TRAVEL, ("",), [strange(TRAVEL)])
    return made


def test_a_strange_folder_is_remembered_with_the_newest_count(seen: Seen) -> None:
    seen.looked(MAIN, (FOLDER,), [strange(files=3)])
    assert seen.strange == {(MAIN, FOLDER): strange(files=3), (TRAVEL, FOLDER): strange(TRAVEL)}
    assert seen.changed == {}


@pytest.mark.parametrize("looked_at", ["", "260612 Boatyard", f"{FOLDER}/SOUND", FOLDER])
def test_one_that_a_look_no_longer_finds_is_forgotten(seen: Seen, looked_at: str) -> None:
    """Moved away, or known by now: else it would be taken in again and again, in vain."""
    seen.looked(MAIN, (looked_at,), [])
    assert seen.strange == {(TRAVEL, FOLDER): strange(TRAVEL)}


def test_one_that_was_not_looked_at_stays(seen: Seen) -> None:
    seen.looked(MAIN, ("260613 Boatyard",), [])
    assert (MAIN, FOLDER) in seen.strange
