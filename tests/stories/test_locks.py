"""Two programs on one catalog: both work where they can, one is told who is at it where they can't."""

import errno
import os
from collections.abc import Callable
from contextlib import ExitStack, _GeneratorContextManager
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.actions.online import holding, holding_places, online_drives
from backupkeeper.core.errors import DeviceError, DriveGoneError, OutOfReachError, PlaceHeldError
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role
from backupkeeper.system.files import RealFiles
from backupkeeper.system.lock import PlaceLocks
from backupkeeper.wiring import Keeper, load_config
from tests.stories.at_work import AtWork, at_work
from tests.stories.typed import typed, yard_of_today
from tests.stories.yard import QUIET, Yard, clip, roll_folder, tree
from tests.world.killing import Faults

WIDE = {"DCIM/CLIP0001.MP4": clip(1), "DCIM/CLIP0002.MP4": clip(2)}
CLOSE = {"DCIM/CLIP0003.MP4": clip(3)}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    """Two drives that hold a roll of Wide."""
    yard = yard_of_today(tmp_path)
    yard.drives()
    assert yard.offload(yard.card("wide", WIDE)).sealed
    return yard


def asking(yard: Yard, ask_for: Callable[[str], bool]) -> Keeper:
    config = load_config(str(yard.root / "config.toml"), {"HOME": str(yard.root)})
    return Keeper(config, ask_for=ask_for)


# -- side by side


@pytest.mark.slow
def test_an_offload_onto_main_and_a_verify_of_travel_go_on_side_by_side(yard: Yard) -> None:
    card = yard.card("close", CLOSE)
    with (
        at_work(yard, "verify", "Travel") as verify,
        at_work(yard, "offload", str(card), "Close", "Main") as offload,
    ):
        assert (verify.said, offload.said) == ("at work", "at work")
        for what, doing, other in (
            ("Main", "offloading Close", offload),
            ("Travel", "verifying Travel", verify),
        ):
            said = typed(yard, "verify", what)
            assert said.code == 3
            sentence = (
                f"Another backupkeeper is at work on {what} (process {other.process}, {doing})."
            )
            assert sentence in said.err
        assert offload.go_on() == "sealed True, 1 new, 0 troubles"
        assert typed(yard, "verify", "Main").code == 0
        assert verify.go_on() == "2 match, 0 troubles"
    assert tree(roll_folder(yard.root / "Main", source="Close")) == CLOSE
    assert yard.verify().matching_files == 5


@pytest.mark.slow
def test_two_offloads_take_turns_for_both_give_out_names_of_rolls(yard: Yard) -> None:
    card, another = yard.card("close", CLOSE), yard.card("drone", {"CLIP0004.MP4": clip(4)})
    with (
        at_work(yard, "offload", str(card), "Close", "Main") as first,
        at_work(yard, "offload", str(another), "Drone", "Travel") as second,
    ):
        assert second.said == (
            "PlaceHeldError: Another backupkeeper is at work on another card "
            f"(process {first.process}, offloading Close). "
            "Wait until it is done, then repeat the command."
        )
        assert first.go_on() == "sealed True, 1 new, 0 troubles"
    assert yard.offload(another, source="Drone").sealed


@pytest.mark.slow
@pytest.mark.parametrize(("deed", "words"), [("verify", ["Main"]), ("mirror", [])])
def test_what_is_only_asked_waits_for_nobody(yard: Yard, deed: str, words: list[str]) -> None:
    card = yard.card("close", CLOSE)
    with at_work(yard, "offload", str(card), "Close", "Main") as only_on_main:
        only_on_main.go_on()  # so that mirror has something to do
    with at_work(yard, deed, *words) as other:
        assert other.said == "at work"
        assert typed(yard, "gaps").code in {0, 1}
        assert typed(yard, "place", "list").code == 0
        assert typed(yard, "may-wipe", str(yard.root / "wide")).code == 0
        assert "0 troubles" in other.go_on()


@pytest.mark.slow
@pytest.mark.parametrize("deed", ["offload", "verify"])
def test_who_is_killed_holds_nothing(yard: Yard, deed: str) -> None:
    card = yard.card("close", CLOSE)
    words = [str(card), "Close"] if deed == "offload" else ["Main"]
    with at_work(yard, deed, *words) as other:
        assert typed(yard, "verify", "Main").code == 3
        other.kill()
        assert typed(yard, "verify", "Main").code == 0
        assert yard.offload(card, source="Close").sealed
    assert tree(roll_folder(yard.root / "Main", source="Close")) == CLOSE


@pytest.mark.slow
def test_another_catalog_at_work_on_the_same_drive_is_noticed_by_the_drives_own_lock(
    yard: Yard,
) -> None:
    with at_work(yard, "verify", "Main") as other:
        assert other.said == "at work"
        # As if its locks lay beside another catalog.
        os.rename(yard.root / "catalog.sqlite.locks", yard.root / "theirs")
        said = typed(yard, "verify", "Main")
        assert said.code == 3
        assert (
            "Another backupkeeper is at work on Main (on another machine or catalog)." in said.err
        )
        assert typed(yard, "verify", "Travel").code == 0


def test_adding_places_takes_turns(yard: Yard) -> None:
    (yard.root / "Third").mkdir()
    words = ["place", "add", str(yard.root / "Third"), "--role", "secondary", "--name", "Third"]
    locks = PlaceLocks(f"{yard.root}/catalog.sqlite.locks")
    with locks.hold("places", called="the places", doing="adding a place"):
        said = typed(yard, *words, "--folder")
        assert said.code == 3
        assert f"at work on the places (process {os.getpid()}, adding a place)" in said.err
    assert typed(yard, *words, "--folder").code == 0


# -- one daemon


@pytest.mark.slow
def test_a_second_daemon_is_refused_until_the_first_is_gone(yard: Yard) -> None:
    with at_work(yard, "daemon") as first:
        assert first.said == "at work"
        with yard.keeper() as keeper, pytest.raises(OutOfReachError) as caught, keeper.as_daemon():
            pass
        assert caught.value.message == (
            f"A daemon already runs on this catalog (process {first.process})."
        )
        assert caught.value.exit_code == 3
        assert typed(yard, "verify", "Main").code == 0
        first.kill()
        with yard.keeper() as keeper, keeper.as_daemon():
            pass


def test_an_error_of_the_daemon_itself_is_not_taken_for_another_daemon(yard: Yard) -> None:
    with (
        yard.keeper() as keeper,
        pytest.raises(PlaceHeldError, match="at work on Main"),
        keeper.as_daemon(),
    ):
        raise PlaceHeldError("Main", process=1)


# -- giving way


@pytest.mark.slow
def test_a_daemon_that_is_asked_lets_go_and_the_command_goes_on(yard: Yard) -> None:
    with at_work(yard, "verify", "Main") as daemon:
        asked = []

        def ask_for(name: str) -> bool:
            asked.append(name)
            daemon.kill()  # as it ends its own worker
            return True

        with asking(yard, ask_for) as keeper:
            assert keeper.verify("Main", progress=QUIET).matching_files == 2
        assert asked == ["Main"]


@pytest.mark.slow
def test_each_place_is_asked_for_once(yard: Yard) -> None:
    with ExitStack() as stack:
        others: dict[str, AtWork] = {
            name: stack.enter_context(at_work(yard, "verify", name)) for name in ("Main", "Travel")
        }
        asked = []

        def ask_for(name: str) -> bool:
            asked.append(name)
            others[name].kill()
            return True

        with asking(yard, ask_for) as keeper:
            assert keeper.verify(None, progress=QUIET).matching_files == 4
        assert sorted(asked) == ["Main", "Travel"]


@pytest.mark.slow
@pytest.mark.parametrize("hears", [True, False])
def test_a_place_that_nobody_lets_go_is_refused_in_the_end(
    yard: Yard, hears: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backupkeeper.wiring.giving_way.WAIT_S", 0.5)
    asked = []

    def ask_for(name: str) -> bool:
        asked.append(name)
        return hears

    with at_work(yard, "verify", "Main") as other, asking(yard, ask_for) as keeper:
        with pytest.raises(PlaceHeldError, match=f"process {other.process}"):
            keeper.verify("Main", progress=QUIET)
        assert "2 match" in other.go_on()
    assert asked == ["Main"]


def test_nobody_is_asked_for_what_another_catalog_holds(yard: Yard) -> None:
    asked: list[str] = []

    def ask_for(name: str) -> bool:
        asked.append(name)
        return True

    held = RealFiles().lock(str(yard.root / "Main/.backupkeeper/place.json"))
    try:
        with asking(yard, ask_for) as keeper, pytest.raises(PlaceHeldError):
            keeper.verify("Main", progress=QUIET)
    finally:
        os.close(held)
    assert asked == []


# -- several at once


class Told(PlaceLocks):
    """Real locks that remember in which order they were asked for."""

    def __init__(self, folder: str) -> None:
        super().__init__(folder)
        self.order: list[str] = []

    def hold(self, name: str, *, called: str, doing: str) -> _GeneratorContextManager[None]:
        self.order.append(name)
        return super().hold(name, called=called, doing=doing)


def bucket(yard: Yard, name: str) -> Place:
    return Place(
        id=PlaceId(f"00000000-0000-4000-8000-00000000000{name}"),
        name=name,
        role=Role.CLOUD,
        kind=PlaceKind.BUCKET,
        created_at=yard.clock.now(),
        location="s3://boatyard",
    )


def test_several_places_are_taken_in_one_order_or_not_at_all(yard: Yard) -> None:
    one, two, three = (bucket(yard, name) for name in "123")
    locks = Told(f"{yard.root}/catalog.sqlite.locks")
    with yard.keeper() as keeper:
        context = replace(keeper._context, locks=locks)
        with holding_places(context, [three, one, two, one], doing="uploading"):
            assert locks.order == [one.id, two.id, three.id]
        with locks.hold(two.id, called="2", doing="uploading"):
            with (
                pytest.raises(PlaceHeldError, match="at work on 2"),
                holding_places(context, [three, one, two], doing="uploading"),
            ):
                pass
            assert [locks.holder(each.id) is None for each in (one, three)] == [True, True]


def test_a_drive_that_goes_while_it_is_held_does_not_hide_what_the_work_came_to(yard: Yard) -> None:
    with yard.keeper() as keeper:
        broken = Faults.around(
            keeper._context.files,
            at=1,
            then=OSError(errno.ENOTCONN, "gone"),
            before=False,
            only=frozenset({"close"}),
        )
        drives, _ = online_drives(keeper._context)
        context = replace(keeper._context, files=broken.port)
        with holding(context, drives, doing="verifying"):
            done = "all of it"
        assert done == "all of it"
        assert broken.calls == ["close", "close"]


@pytest.mark.parametrize(
    ("number", "error"),
    [
        (errno.ENOENT, DriveGoneError),
        (errno.EIO, DriveGoneError),
        (errno.ENOLCK, DeviceError),
        (errno.EOPNOTSUPP, DeviceError),
    ],
)
def test_a_drive_that_knows_no_locks_is_not_called_gone(
    yard: Yard, number: int, error: type[Exception]
) -> None:
    with yard.keeper() as keeper:
        drives, _ = online_drives(keeper._context)
        then = OSError(number, os.strerror(number))
        broken = Faults.around(keeper._context.files, at=1, then=then, only=frozenset({"lock"}))
        context = replace(keeper._context, files=broken.port)
        with pytest.raises(error), holding(context, drives, doing="verifying"):
            pass
        locks = keeper._context.locks
        assert [locks.holder(drive.place.id) for drive in drives] == [None, None]


def test_a_catalog_by_another_name_has_the_same_locks(yard: Yard) -> None:
    (yard.root / "link.sqlite").symlink_to(yard.root / "catalog.sqlite")
    text = (yard.root / "config.toml").read_text().replace("catalog.sqlite", "link.sqlite")
    (yard.root / "other.toml").write_text(text)
    with yard.keeper() as keeper, keeper.as_daemon():
        config = load_config(str(yard.root / "other.toml"), {"HOME": str(yard.root)})
        with (
            Keeper(config) as other,
            pytest.raises(OutOfReachError, match="already runs"),
            other.as_daemon(),
        ):
            pass
