"""No more open files or memory for this program, and drives that are here and sick: told, and nobody blamed for it."""

import errno
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.mirror import mirror, mirror_roll
from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.actions.verify import verify
from backupkeeper.core.errors import SystemShortError
from backupkeeper.core.model import CopyState, Role
from backupkeeper.report import exits
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import offloaded
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder

CARD = {"DCIM/A0001.MP4": clip(1), "DCIM/A0002.MP4": clip(2)}


class Short:
    """The real system, which gives no more of something to whoever opens, or locks, such a file."""

    def __init__(self, files: Any, part: str, number: int, *, reads: bool = True) -> None:
        self._files, self._part, self._number, self._reads = files, part, number, reads

    def __getattr__(self, name: str) -> Any:
        return getattr(self._files, name)

    def _open(self, path: str) -> None:
        if self._part in path:
            raise OSError(self._number, os.strerror(self._number))

    def open_read(self, path: str, *, direct: bool = False) -> Any:
        if self._reads:
            self._open(path)
        return self._files.open_read(path, direct=direct)

    def lock(self, path: str) -> Any:
        self._open(path)
        return self._files.lock(path)


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    return ScopedYard(tmp_path)


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENFILE, errno.ENOMEM])
def test_a_verify_calls_no_copy_unreadable_for_it(yard: ScopedYard, number: int) -> None:
    yard.drives()
    yard.offload(yard.card("card", CARD))
    with yard.context() as context:
        files: Any = Short(
            context.files, "Main/260612 Boatyard/Originals/Wide/Roll 01/DCIM", number
        )
        said = verify(replace(context, files=files), "Main", QUIET)
    assert exits.of_verify(said, asked=True) == 3
    assert f"({errno.errorcode[number]})" in said.troubles[0].message
    assert {copy.state for copy in yard.copies("Main").values()} == {CopyState.PROVEN}


def test_a_manifest_that_could_not_be_opened_is_not_called_broken(yard: ScopedYard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CARD))
    with yard.context() as context:
        files: Any = Short(context.files, "ascmhl", errno.EMFILE)
        said = verify(replace(context, files=files), "Main", QUIET)
    assert said.manifest_faults == ()
    assert "no more open files" in said.troubles[0].message


def test_a_mirror_says_so_and_blames_no_source(yard: ScopedYard) -> None:
    yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("card", CARD))
    yard.drive("Travel", Role.SECONDARY)
    with yard.context() as context:
        files: Any = Short(
            context.files, "Main/260612 Boatyard/Originals/Wide/Roll 01/DCIM", errno.EMFILE
        )
        said = mirror(replace(context, files=files), QUIET)
    assert [(one.place, one.path) for one in said.troubles] == [("this machine", "")]
    assert exits.of_mirror(said) == 3
    assert {copy.state for copy in yard.copies("Main").values()} == {CopyState.PROVEN}


def test_a_drive_whose_lock_could_not_be_opened_is_not_called_gone(yard: ScopedYard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", CARD))
    with yard.context() as context:
        files: Any = Short(context.files, "place.json", errno.EMFILE, reads=False)
        failing = replace(context, files=files)
        with pytest.raises(SystemShortError, match="no more open files"):
            mirror_roll(
                failing,
                yard.head().id,
                target=yard.place("Travel"),
                source=yard.place("Main"),
                progress=QUIET,
            )
    assert roll_folder(main).is_dir()


def test_a_drive_that_is_here_and_can_t_be_used_is_a_trouble_and_not_well(yard: ScopedYard) -> None:
    """Seen: an offload that got a card onto one drive only, of two that were plugged in, exited 0."""
    _, travel = yard.drives()
    marker = travel / ".backupkeeper/place.json"
    marker.write_bytes(b"{")
    said = offloaded(yard, yard.card("card", CARD))
    assert said.code == 1, said.all
    assert "Nothing was copied to it" in " ".join(said.all.split())
    assert not (travel / SHOOT).exists()


def test_a_drive_that_is_away_is_no_trouble(yard: ScopedYard) -> None:
    _, travel = yard.drives()
    travel.rename(travel.with_name("away"))
    said = offloaded(yard, yard.card("card", CARD))
    assert said.code == 0, said.all
    assert "Travel is not here" in " ".join(said.all.split())


class Once:
    """The real system, but for one reading of such a file that the device answers with an error.

    Args:
        files: the system.
        part: of its path.
        at: which opening of it, from 1.
    """

    def __init__(self, files: Any, part: str, at: int) -> None:
        self._files, self._part, self._left = files, part, at

    def __getattr__(self, name: str) -> Any:
        return getattr(self._files, name)

    def open_read(self, path: str, *, direct: bool = False) -> Any:
        if self._part in path:
            self._left -= 1
            if self._left == 0:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self._files.open_read(path, direct=direct)


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_a_drive_that_could_not_be_looked_at_once_is_told_or_gets_the_card(
    yard: ScopedYard, at: int
) -> None:
    """Seen: it got nothing, was not mentioned with a word, and the offload exited 0."""
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    with yard.context() as context:
        files: Any = Once(context.files, "Main/.backupkeeper/place.json", at)
        request = Request(card=str(card), shoot=SHOOT, source="Wide", roll=None)
        outcome = offload(replace(context, files=files), request, QUIET)
    told = [one.message for one in outcome.troubles if one.place == "Main"]
    assert len(told) == (0 if (main / SHOOT).exists() else 1), outcome
    assert exits.of_offload(outcome) == len(told)
    assert all("(EIO). Nothing was copied to it." in one for one in told)


def test_a_mirror_names_a_drive_that_is_here_and_can_t_be_used(yard: ScopedYard) -> None:
    """Seen: it said that no drive that is here has a proven copy, and not why."""
    main = yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("card", CARD))
    yard.drive("Travel", Role.SECONDARY)
    (main / ".backupkeeper/place.json").write_bytes(b"{")
    outcome = yard.mirror()
    assert any("no proven copy on a drive that is here" in one for one in outcome.waiting)
    assert "Main: The place's marker is no JSON text." in outcome.waiting
    assert exits.of_mirror(outcome) == 1
