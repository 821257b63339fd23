"""What the daemon sends its workers to do about folders that no roll knows."""

import os
from pathlib import Path

import pytest

from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import SourceChangedError
from backupkeeper.core.model import Role
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, SHOOT, clip

FOLDER = f"{SHOOT}/Originals/Recorder/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drive("Main", Role.PRIMARY)
    where = tmp_path / "Main" / FOLDER
    where.mkdir(parents=True)
    (where / "0001.WAV").write_bytes(clip(1))
    return made


def test_a_worker_looks_and_takes_in_as_the_daemon_tells_it(yard: ScopedYard) -> None:
    main = yard.place("Main")
    with yard.keeper() as keeper:
        look = Deed(kind=DeedKind.LOOK, why="Something changed.", place=main, folders=("",))
        (one,) = keeper.do(look, QUIET).strange
        deed = Deed(kind=DeedKind.ADOPT, why="It is new.", place=one.place, folder=one.folder)
        done = keeper.do(deed, QUIET)
        assert (done.files, done.size_bytes) == (1, len(clip(1)))
        assert keeper.do(look, QUIET).strange == ()
        assert [cover.roll.folder for cover in keeper.gaps().rolls] == [FOLDER]


def test_what_is_still_being_written_is_told_now_and_taken_in_later(yard: ScopedYard) -> None:
    file = yard.root / "Main" / FOLDER / "0001.WAV"
    now = yard.clock.at.timestamp()
    os.utime(file, (now, now))
    deed = Deed(kind=DeedKind.ADOPT, why="It is new.", place=yard.place("Main"), folder=FOLDER)
    with yard.keeper() as keeper:
        with pytest.raises(SourceChangedError):
            keeper.do(deed, QUIET)
        yard.clock.at = yard.clock.at.replace(hour=yard.clock.at.hour + 1)
        assert keeper.do(deed, QUIET).files == 1
