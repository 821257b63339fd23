"""A card onto some of the drives, as the daemon asks for it, and what it is told of the end."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.core.errors import OutOfReachError, PlaceHeldError
from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.outcomes import OffloadOutcome
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer import batches
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder, tree

MiB = 1 << 20
CARD = {f"DCIM/100BOATY/BOAT{number:04}.MP4": clip(number, MiB + number) for number in range(1, 7)}


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ScopedYard:
    monkeypatch.setattr(batches, "LARGE_BYTES", MiB)
    yard = ScopedYard(tmp_path)
    yard.drives()
    return yard


def with_context(
    yard: ScopedYard, card: Path, onto: tuple[str, ...], **changed: Any
) -> OffloadOutcome:
    """Offload with other parts of the world."""
    places = frozenset(yard.place(name) for name in onto)
    progress = changed.pop("progress", QUIET)
    request = Request(card=str(card), shoot=SHOOT, source="Wide", roll=None, onto=places)
    with yard.context() as context:
        return offload(replace(context, **changed), request, progress)


def test_only_the_drives_that_are_named_are_written_to(yard: ScopedYard) -> None:
    card = yard.card("card", CARD)
    outcome = yard.offload_onto(card, "Travel")
    assert (outcome.places, outcome.sealed, outcome.troubles) == (("Travel",), True, ())
    assert tree(roll_folder(yard.root / "Travel")) == CARD
    assert tree(yard.root / "Main").keys() == {".backupkeeper/place.json"}
    assert outcome.folders == (yard.head().folder,)
    later = yard.offload_onto(card, "Main", "Travel")
    assert (later.new_files, later.known_files) == (0, len(CARD))
    assert tree(roll_folder(yard.root / "Main")) == CARD
    assert yard.verdict(card).may_wipe


def test_nobody_named_is_all_and_only_strangers_named_is_none(yard: ScopedYard) -> None:
    card = yard.card("card", CARD)
    with pytest.raises(OutOfReachError, match="No drive is here"):
        yard.offload_onto(card)
    assert yard.offload(card).places == ("Main", "Travel")


def test_a_drive_that_is_not_written_to_may_be_at_other_work(yard: ScopedYard) -> None:
    card = yard.card("card", CARD)
    main, travel = yard.place("Main"), yard.place("Travel")
    with yard.context() as context:
        with context.locks.hold(main, called="Main", doing="proving Roll 01"):
            assert yard.offload_onto(card, "Travel").sealed
        with (
            context.locks.hold(travel, called="Travel", doing="proving Roll 01"),
            pytest.raises(PlaceHeldError, match="Travel"),
        ):
            yard.offload_onto(card, "Travel")


def test_a_place_is_no_card_even_if_nothing_is_to_be_written_to_it(yard: ScopedYard) -> None:
    with pytest.raises(Exception, match="a place of yours"):
        yard.offload_onto(yard.root / "Main", "Travel")


def test_every_roll_that_the_card_lies_in_is_named(yard: ScopedYard) -> None:
    card = yard.card("card", CARD)
    yard.offload_onto(card, "Main", "Travel")
    yard.card("card", {"DCIM/100BOATY/BOAT0007.MP4": clip(7)})
    outcome = yard.offload_onto(card, "Main", "Travel")
    assert outcome.new_files == 1
    assert outcome.folders == (yard.head("Roll 01").folder, yard.head("Roll 02").folder)
    again = yard.offload_onto(card, "Main", "Travel")
    assert (again.sealed, again.folders) == (True, outcome.folders)


def test_a_card_of_another_source_does_not_name_its_rolls(yard: ScopedYard) -> None:
    yard.offload_onto(yard.card("card", CARD), "Main", source="Wide")
    other = yard.card("other", {"DCIM/100BOATY/BOAT0009.MP4": clip(9)})
    outcome = yard.offload_onto(other, "Main", source="Close")
    assert outcome.folders == (yard.head(source="Close").folder,)


class Pulled:
    """The real system; at the nth write below it a drive's folder is moved away."""

    def __init__(self, root: Path, at: int) -> None:
        self._files = RealFiles()
        self._root = root
        self._left = at
        self._mine: set[object] = set()

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._files, name)

        def watched(*args: Any, **named: Any) -> Any:
            if name == "write_at" and args[0] in self._mine:
                self._left -= 1
                if not self._left:
                    self._root.rename(self._root.with_name("pulled"))
            answer = call(*args, **named)
            if name in {"create", "open_write"} and args[0].startswith(f"{self._root}/"):
                self._mine.add(answer)
            return answer

        return watched


def test_one_drive_goes_and_the_other_gets_everything(yard: ScopedYard) -> None:
    card = yard.card("card", CARD)
    files = cast("Files", Pulled(yard.root / "Travel", at=2))
    outcome = with_context(yard, card, ("Main", "Travel"), files=files)
    assert {trouble.place for trouble in outcome.troubles} == {"Travel"}
    assert len(outcome.troubles) <= 3  # told, not once for every file
    assert outcome.sealed
    assert outcome.proven_at["Main"] == len(CARD) > outcome.proven_at["Travel"]
    assert tree(roll_folder(yard.root / "Main")) == CARD
    (yard.root / "pulled").rename(yard.root / "Travel")
    assert yard.states("Main") == {CopyState.PROVEN}
    assert yard.mirror_one(to="Travel", origin="Main").troubles == ()
    assert tree(roll_folder(yard.root / "Travel")) == CARD
    assert yard.verdict(card).may_wipe


def test_one_drive_is_full_and_the_other_gets_everything(
    yard: ScopedYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask = RealFiles.free_bytes
    monkeypatch.setattr(
        RealFiles, "free_bytes", lambda self, path: 9 if "Travel" in path else ask(self, path)
    )
    outcome = yard.offload_onto(yard.card("card", CARD), "Main", "Travel")
    (trouble,) = outcome.troubles
    assert (trouble.place, trouble.path, outcome.places) == ("Travel", "", ("Main",))
    assert outcome.sealed


def test_a_drive_that_comes_after_the_others_were_held_is_not_written_to(yard: ScopedYard) -> None:
    """What is written to is what is held: another program may be at work on the newcomer."""
    card = yard.card("card", CARD)
    (yard.root / "Travel").rename(yard.root / "elsewhere")

    class Coming:
        """The drive turns up when the first lock of a marker has been taken."""

        def __init__(self) -> None:
            self._files = RealFiles()

        def __getattr__(self, name: str) -> Any:
            call = getattr(self._files, name)

            def watched(*args: Any, **named: Any) -> Any:
                if name == "lock" and (yard.root / "elsewhere").exists():
                    (yard.root / "elsewhere").rename(yard.root / "Travel")
                return call(*args, **named)

            return watched

    request = Request(card=str(card), shoot=SHOOT, source="Wide", roll=None)
    with yard.context() as context:
        outcome = offload(replace(context, files=cast("Files", Coming())), request, QUIET)
    assert outcome.places == ("Main",)
    assert not (yard.root / "Travel" / SHOOT).exists()


def interrupt() -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("number", [1, 3, 6, 9, 12])
def test_stopped_at_any_moment_it_is_taken_up(yard: ScopedYard, number: int) -> None:
    card = yard.card("card", CARD)
    yard.drive("Spare", Role.SECONDARY)
    progress = AtAdvance(number, interrupt)
    try:
        with_context(yard, card, ("Main", "Travel"), progress=progress)
    except KeyboardInterrupt:
        for name in ("Main", "Travel"):
            there = {path for path, _ in tree(yard.root / name).items()}
            assert {fact.path for fact in yard.facts(name)} <= there
    outcome = yard.offload_onto(card, "Main", "Travel")
    assert (outcome.sealed, outcome.troubles) == (True, ())
    assert tree(roll_folder(yard.root / "Main")) == tree(roll_folder(yard.root / "Travel")) == CARD
    assert os.listdir(yard.root / "Main" / SHOOT / "Originals/Wide") == ["Roll 01"]
    assert not (yard.root / "Spare" / SHOOT).exists()
