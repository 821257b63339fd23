"""A medium is plugged in and looked at: whose is it, what is new on it, where does it belong?"""

import errno
import json
import os
import shlex
import subprocess
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.actions.card_look import CardLook, look_at_card, what_to_type
from backupkeeper.actions.context import Context
from backupkeeper.core.cardrules import SourceRule
from backupkeeper.core.errors import BackupkeeperError, DriveGoneError, ListingError, UsageError
from backupkeeper.ports.files import EntryKind, Stat
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, clip, roll_folder

TZ = timezone(timedelta(hours=2))
WIDE = SourceRule(
    name="Wide", folders=("DCIM",), files=("*.MP4",), auto_offload=True, shoot="Boatyard"
)
CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
SHOT = int(datetime(2026, 6, 12, 9, 0, tzinfo=TZ).timestamp())


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    return made


def card_of(yard: ScopedYard, files: dict[str, bytes] = CARD, *, at: int = SHOT) -> Path:
    card = yard.card("card", files)
    for path in files:
        os.utime(card / path, (at, at))
    return card


def look(
    yard: ScopedYard, card: Path, *rules: SourceRule, files: Any = None, **limits: Any
) -> CardLook:
    with yard.context() as context:
        seen = context if files is None else replace(context, files=files(context))
        return look_at_card(seen, str(card), rules or (WIDE,), TZ, **limits)


def test_a_card_is_told_with_its_source_its_shoot_and_what_is_new(yard: ScopedYard) -> None:
    found = look(yard, card_of(yard))
    assert (found.source, found.auto_offload, found.shoot) == ("Wide", True, "260612 Boatyard")
    assert (found.file_count, found.new_files, found.folders) == (2, 2, ())
    assert found.size_bytes == found.new_bytes == sum(map(len, CARD.values()))
    assert (found.trouble, found.is_cut) == ("", False)


def test_after_its_offload_nothing_looks_new(yard: ScopedYard) -> None:
    card = card_of(yard)
    outcome = yard.offload(card)
    found = look(yard, card)
    assert (found.new_files, found.new_bytes, found.folders) == (0, 0, (outcome.folder,))
    assert (found.shoot, found.trouble) == ("260612 Boatyard", "")


def test_what_was_recorded_since_names_a_shoot_of_its_own_day(yard: ScopedYard) -> None:
    card = card_of(yard)
    yard.offload(card)
    card_of(yard, {"DCIM/100BOATY/BOAT0003.MP4": clip(3)}, at=SHOT + 86_400)
    found = look(yard, card)
    assert (found.file_count, found.new_files) == (3, 1)
    assert found.shoot == "260613 Boatyard"


@pytest.mark.parametrize("how", ["size", "time", "path"])
def test_what_has_another_size_time_or_path_looks_new(yard: ScopedYard, how: str) -> None:
    card = card_of(yard)
    yard.offload(card)
    file = card / "DCIM/100BOATY/BOAT0002.MP4"
    if how == "path":
        file.rename(file.with_name("BOAT0009.MP4"))
    else:
        file.write_bytes(clip(2, 300_001 if how == "size" else 300_000))
        time = SHOT if how == "size" else SHOT + 1000
        os.utime(file, (time, time))
    assert look(yard, card).new_files == 1


def test_rolls_of_other_sources_do_not_count_where_the_source_is_known(yard: ScopedYard) -> None:
    card = card_of(yard)
    yard.offload(card, source="Close")
    assert look(yard, card).new_files == 2
    unknown = look(yard, card, SourceRule(name="Drone", folders=("FLIGHT",)))
    assert (unknown.source, unknown.new_files) == (None, 0)


def test_a_file_of_which_two_rolls_speak_lies_in_the_newest(yard: ScopedYard) -> None:
    card = card_of(yard)
    yard.offload(card, source="Close")
    with yard.context() as context:
        (head,) = context.catalog.rolls()
        roll = context.catalog.roll(head.id)
        newer = replace(
            head,
            id=type(head.id)("b" * 64),
            folder="260613 Boatyard/Originals/Close/Roll 09",
            shoot="260613 Boatyard",
            sealed_at=head.sealed_at + timedelta(days=1),
        )
        context.catalog.seal(replace(roll, head=newer))
    assert look(yard, card, replace(WIDE, name="Close")).folders == (newer.folder,)


def test_why_it_has_no_source_is_told(yard: ScopedYard) -> None:
    card = card_of(yard)
    none = look(yard, card, SourceRule(name="Drone", folders=("FLIGHT",), auto_offload=True))
    assert (none.source, none.auto_offload, none.shoot) == (None, False, None)
    assert none.trouble == "It answers to none of the sources."
    both = look(yard, card, WIDE, SourceRule(name="Close", files=("*.mp4",), auto_offload=True))
    assert (both.source, both.auto_offload) == (None, False)
    assert "Wide and Close" in both.trouble


def test_why_it_has_no_shoot_is_told(yard: ScopedYard) -> None:
    card = card_of(yard, at=315_532_800)
    unset = look(yard, card)
    assert (unset.source, unset.shoot) == ("Wide", None)
    assert "1980-01-01" in unset.trouble
    card_of(yard)
    nameless = look(yard, card, replace(WIDE, shoot=""))
    assert nameless.shoot is None
    assert "shoot in [[sources]]" in nameless.trouble
    wrong = look(yard, card, replace(WIDE, shoot="a/b"))
    assert wrong.shoot is None
    assert "can't be used" in wrong.trouble


def test_litter_is_not_counted_but_a_clip_in_the_trash_is(yard: ScopedYard) -> None:
    card = card_of(yard)
    card_of(
        yard,
        {
            ".DS_Store": b"x",
            ".Trashes/501/BOAT0009.MP4": clip(9),
            ".Trashes/501/note.txt": b"x",
        },
    )
    (card / "LINK").symlink_to("/etc")
    assert look(yard, card).file_count == 3


def test_the_person_is_told_what_else_matters(yard: ScopedYard) -> None:
    card = card_of(yard)
    card_of(yard, {"DCIM/100BOATY/BOAT0003.MP4": clip(3)}, at=SHOT + 86_400)
    found = look(yard, card)
    assert any("mounted writable" in warning for warning in found.warnings)
    assert any("2026-06-12 to 2026-06-13" in warning for warning in found.warnings)


def test_a_place_is_no_card(yard: ScopedYard) -> None:
    with pytest.raises(UsageError, match="is a place"):
        look(yard, yard.root / "Main")


def test_rubbish_under_the_name_of_a_marker_makes_no_place_of_a_card(yard: ScopedYard) -> None:
    card = card_of(yard)
    (card / ".backupkeeper").mkdir()
    (card / ".backupkeeper/place.json").write_bytes(b"rubbish")
    assert look(yard, card).source == "Wide"


def test_what_is_gone_or_no_folder_is_told(yard: ScopedYard) -> None:
    with pytest.raises(BackupkeeperError, match="ENOENT"):
        look(yard, yard.root / "nothing")
    file = yard.root / "file"
    file.write_bytes(b"")
    with pytest.raises(UsageError, match="no card"):
        look(yard, file)


@pytest.mark.parametrize("most", [0, 1, 3, 4])
def test_a_look_is_bounded_in_entries_and_says_so(yard: ScopedYard, most: int) -> None:
    card = card_of(yard)
    yard.offload(card)
    found = look(yard, card, most_entries=most)
    assert found.is_cut is (most < 4)
    assert found.file_count == max(0, most - 2)
    assert bool(found.folders) is (most == 4)
    assert any("only in part" in warning for warning in found.warnings) is found.is_cut


def test_a_look_is_bounded_in_time(yard: ScopedYard) -> None:
    card = card_of(yard)
    yard.offload(card)
    found = look(yard, card, most_seconds=0.0)
    assert (found.is_cut, found.file_count) == (True, 0)


class OnlyLooks:
    """The real system, with nothing but looking; each path that was opened, and planned failures."""

    def __init__(self, context: Context, failing: dict[str, int] | None = None) -> None:
        self._files, self._failing = context.files, failing or {}
        self.opened: list[str] = []

    def _fail(self, path: str) -> None:
        for part, number in self._failing.items():
            if path.endswith(part):
                raise OSError(number, os.strerror(number))

    def stat(self, path: str) -> Stat:
        self._fail(path)
        return self._files.stat(path)

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        self._fail(f"{path}/")
        return self._files.list(path)

    def open_read(self, path: str, *, direct: bool = False) -> Any:
        self.opened.append(path)
        return self._files.open_read(path, direct=direct)


def test_no_file_of_a_card_is_opened_and_nothing_is_touched(yard: ScopedYard) -> None:
    card = card_of(yard)
    before = {path: path.stat() for path in card.rglob("*")}
    made: list[OnlyLooks] = []

    def only(context: Context) -> OnlyLooks:
        made.append(OnlyLooks(context))
        return made[0]

    assert look(yard, card, files=only).file_count == 2
    assert made[0].opened == [f"{card}/.backupkeeper/place.json"]
    after = {path: path.stat() for path in card.rglob("*")}
    assert [(s.st_atime_ns, s.st_mtime_ns) for p, s in sorted(before.items()) if p.is_file()] == [
        (s.st_atime_ns, s.st_mtime_ns) for p, s in sorted(after.items()) if p.is_file()
    ]


def test_what_cant_be_looked_at_is_counted_and_told(yard: ScopedYard) -> None:
    card = card_of(yard, {**CARD, "MISC/INDEX.DAT": b"x"})
    failing = {"BOAT0002.MP4": errno.EIO, "MISC/": errno.EIO}
    found = look(yard, card, files=lambda context: OnlyLooks(context, failing))
    assert found.file_count == 1
    assert "2 of its entries could not be looked at." in found.warnings


@pytest.mark.parametrize(
    ("number", "expected"), [(errno.EIO, BackupkeeperError), (errno.ENODEV, DriveGoneError)]
)
def test_a_card_whose_first_folder_cant_be_read_is_told(
    yard: ScopedYard, number: int, expected: type[BackupkeeperError]
) -> None:
    card = card_of(yard)
    with pytest.raises(expected):
        look(yard, card, files=lambda context: OnlyLooks(context, {f"{card}/": number}))


class OtherDevice(OnlyLooks):
    """Another file system is mounted in the card's folder."""

    def stat(self, path: str) -> Stat:
        found = self._files.stat(path)
        return replace(found, device=found.device + 1) if path.endswith("100BOATY") else found


def test_what_is_mounted_inside_a_card_is_not_the_card(yard: ScopedYard) -> None:
    found = look(yard, card_of(yard), files=OtherDevice)
    assert found.file_count == 0
    assert "There is nothing on it." in found.trouble


# -- as JSON

TEXTS = st.text(max_size=20) | st.binary(max_size=12).map(os.fsdecode)
LOOKS = st.builds(
    CardLook,
    point=TEXTS,
    token=TEXTS,
    device=TEXTS,
    label=TEXTS,
    fs_type=TEXTS,
    source=st.none() | TEXTS,
    auto_offload=st.booleans(),
    shoot=st.none() | TEXTS,
    file_count=st.integers(0, 2**70),
    size_bytes=st.integers(0, 2**70),
    new_files=st.integers(0, 2**70),
    new_bytes=st.integers(0, 2**70),
    folders=st.lists(TEXTS, max_size=3).map(tuple),
    trouble=TEXTS,
    warnings=st.lists(TEXTS, max_size=3).map(tuple),
    is_cut=st.booleans(),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@given(LOOKS)
def test_a_look_comes_back_from_json_whatever_the_names(found: CardLook) -> None:
    text = found.to_json()
    assert text.isascii()
    assert "\n" not in text
    assert CardLook.from_json(text) == found


@given(LOOKS, st.sampled_from([one.name for one in fields(CardLook)]), JSON)
def test_a_wrong_value_is_taken_or_refused_but_breaks_nothing(
    found: CardLook, name: str, value: Any
) -> None:
    told = {**json.loads(found.to_json()), name: value}
    try:
        again = CardLook.from_json(json.dumps(told))
    except ListingError:
        return
    assert again.to_json() == json.dumps(told)


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", "null", "[" * 100_000, "9" * 5000])
def test_rubbish_is_no_look(text: str) -> None:
    with pytest.raises(ListingError):
        CardLook.from_json(text)


# -- what to type


def test_what_to_type_is_the_command_for_this_card() -> None:
    assert what_to_type("/media/me/WIDE 02", "Wide", "260612 Boatyard") == (
        "backupkeeper offload '/media/me/WIDE 02' --shoot '260612 Boatyard' --source Wide"
    )
    assert what_to_type("/media/x", None, None) == (
        "backupkeeper offload /media/x --shoot 'YYMMDD NAME' --source SOURCE"
    )


@given(st.binary(min_size=1, max_size=30).filter(lambda data: b"\0" not in data))
def test_what_to_type_shows_no_odd_byte_and_hides_none(name: bytes) -> None:
    line = what_to_type(os.fsdecode(b"/media/" + name), "Wide", "260612 Boatyard")
    assert line.isprintable()
    if "$'" not in line:
        assert shlex.split(line)[2] == os.fsdecode(b"/media/" + name)


@pytest.mark.parametrize(
    "name", [b"a\n'b\\", b"\xff\xfe", b"$(id) `id`\x1b[31m", "Café\r".encode()]
)
def test_a_shell_gives_the_bytes_back(name: bytes) -> None:
    """bash is the judge: quoting of our own is held against it."""
    line = what_to_type(os.fsdecode(b"/media/" + name), "Wide", "260612 Boatyard")
    script = line.replace("backupkeeper offload", "printf '%s\\0'", 1)
    done = subprocess.run(["bash", "-c", script], check=True, capture_output=True)
    assert done.stdout.split(b"\0")[0] == b"/media/" + name


def test_the_typed_command_works(yard: ScopedYard) -> None:
    card = card_of(yard)
    found = look(yard, card)
    words = shlex.split(what_to_type(str(card), found.source, found.shoot))
    assert words[:2] == ["backupkeeper", "offload"]
    shoot, source = words[words.index("--shoot") + 1], words[words.index("--source") + 1]
    with yard.keeper() as keeper:
        outcome = keeper.offload(words[2], shoot=shoot, source=source, roll=None, progress=QUIET)
    assert outcome.sealed
    assert roll_folder(yard.root / "Main").is_dir()
