"""Posters in the yard: made from proven copies after an offload, never from the card, in nobody's way."""

import errno
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions import posters as action
from backupkeeper.actions.posters import AWAY, NO_LIBRARY, UNREAD, posters, posters_of
from backupkeeper.actions.selection import resolve
from backupkeeper.catalog.posters import posters_folder
from backupkeeper.core.model import Role
from backupkeeper.core.posters import ENDED, NOT_UNDERSTOOD, SOUND_ONLY, Poster, PostersOutcome
from backupkeeper.daemon.memory import Memory
from backupkeeper.ports.files import Handle, Stat
from backupkeeper.system.files import RealFiles
from tests.cards.made_up_clips import WAV, made
from tests.cards.picture_clips import QUARTERS, Shot, alike, seen, shot
from tests.stories.at_work import at_work
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot, tree

CLIP = "DCIM/WIDE0001.MP4"
CARD = {
    CLIP: shot(Shot()),
    "DCIM/WIDE0002.MP4": b"A text that calls itself a clip.\n" * 100,
    "DCIM/WIDE0001.XML": b"<clip/>\n",
    "AUDIO/R01.WAV": made(WAV),
}


class Watched(RealFiles):
    """The machine's files, and which of them were opened, looked at or listed."""

    def __init__(self) -> None:
        self.opened: list[str] = []
        self.touched: list[str] = []

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        self.opened.append(path)
        return super().open_read(path, direct=direct)

    def stat(self, path: str) -> Stat:
        self.touched.append(path)
        return super().stat(path)


def run(yard: Yard, what: str | None = None) -> PostersOutcome:
    with yard.keeper() as keeper:
        return keeper.posters(what, progress=QUIET)


def every(yard: Yard) -> dict[str, Poster]:
    """The posters of all rolls, by the clip's path in its roll."""
    with yard.keeper() as keeper:
        context = keeper.context
        rolls = [context.catalog.roll(one) for one in resolve(context, None).rolls]
        names = {file.content: file.path for roll in rolls for file in roll.files}
        found = posters_of(context, names)
    return {names[content]: poster for content, poster in found.items()}


def shelf_files(yard: Yard) -> list[Path]:
    folder = Path(posters_folder(str(yard.root / "catalog.sqlite")))
    return sorted(path for path in folder.rglob("*") if path.is_file())


@pytest.mark.slow
def test_every_clip_of_an_offload_has_its_poster(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    said = offloaded(yard, card)
    assert said.code == 0
    found = every(yard)
    assert set(found) == {CLIP, "DCIM/WIDE0002.MP4", "AUDIO/R01.WAV"}
    jpeg = found[CLIP].jpeg
    assert jpeg is not None
    assert all(alike(a, b) for a, b in zip(seen(jpeg).quarters, QUARTERS, strict=True))
    assert (found[CLIP].width, found[CLIP].seconds) == (320, 4.0)
    assert found["DCIM/WIDE0002.MP4"].note == NOT_UNDERSTOOD
    assert (found["AUDIO/R01.WAV"].note, found["AUDIO/R01.WAV"].seconds) == (SOUND_ONLY, 6.0)
    assert tree(roll_folder(main)) == tree(roll_folder(travel)) == CARD
    again = run(yard)
    assert (again.made, again.known, again.missing) == (0, 3, 0)


@pytest.mark.slow
def test_the_json_of_an_offload_is_one_object_and_posters_are_made_all_the_same(yard: Yard) -> None:
    yard.drives()
    said = offloaded(yard, yard.card("card", CARD), "--json")
    assert said.json["finished"] is True
    assert said.err == ""
    assert len(every(yard)) == 3


@pytest.mark.slow
def test_the_card_is_not_touched_for_it(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    files = Watched()
    assert made_with(yard, files).made == 3
    assert [path for path in files.opened if path.endswith((".MP4", ".WAV"))]
    assert not [path for path in files.opened + files.touched if path.startswith(f"{card}/")]


def made_with(yard: Yard, files: RealFiles) -> PostersOutcome:
    """Posters of everything, made through these files."""
    with yard.keeper() as keeper:
        return posters(replace(keeper.context, files=files), None, QUIET)


@pytest.mark.slow
@pytest.mark.real("strace")
def test_no_system_call_names_the_card_and_no_copy_is_opened_for_writing(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    trace = yard.root / "trace"
    ours = [sys.executable, "-P", "-m", "backupkeeper", "--config", f"{yard.root}/config.toml"]
    done = subprocess.run(
        ["strace", "-f", "-qq", "-e", "trace=%file", "-o", str(trace), *ours, "posters"],
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lines = trace.read_text(errors="replace").splitlines()
    assert any(f'"{main}/{SHOOT}' in line for line in lines)
    assert not [line for line in lines if f'"{card}' in line]
    on_drives = [line for line in lines if f'"{main}/' in line or f'"{travel}/' in line]
    writes = ("O_WRONLY", "O_RDWR", "O_CREAT", "rename", "unlink", "mkdir")
    assert not [line for line in on_drives if any(word in line for word in writes)]


@pytest.mark.slow
def test_only_proven_copies_are_read(yard: Yard) -> None:
    """The main copy is known to be damaged, so the second drive's is taken, which is proven."""
    main, travel = yard.drives()
    yard.offload(yard.card("card", {CLIP: CARD[CLIP]}))
    rot(roll_folder(main) / CLIP, 3000, b"rotten")
    yard.verify("Main")
    files = Watched()
    assert made_with(yard, files).made == 1
    assert str(roll_folder(travel) / CLIP) in files.opened
    assert str(roll_folder(main) / CLIP) not in files.opened


def test_without_a_proven_copy_here_there_is_none_and_it_is_said(yard: Yard) -> None:
    main, travel = yard.drives()
    yard.offload(yard.card("card", CARD))
    for drive in (main, travel):
        drive.rename(f"{drive}.away")
    outcome = run(yard)
    assert (outcome.made, outcome.missing) == (0, 3)
    assert outcome.waiting == (AWAY.format(count=3),)
    assert typed(yard, "posters").code == 1


@pytest.mark.slow
def test_the_folder_may_be_deleted_and_is_made_again(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CARD))
    assert run(yard).made == 3
    before = {path: path.read_bytes() for path in shelf_files(yard)}
    assert len(before) == 3
    shutil.rmtree(posters_folder(str(yard.root / "catalog.sqlite")))
    assert every(yard) == {}
    assert run(yard, f"{SHOOT}/Wide/Roll 01").made == 3
    assert {path: path.read_bytes() for path in shelf_files(yard)} == before


@pytest.mark.slow
def test_what_could_not_be_understood_is_not_tried_again_what_could_not_be_read_is(
    yard: Yard,
) -> None:
    main, travel = yard.drives()
    yard.offload(yard.card("card", CARD))
    for drive in (main, travel):  # another file stands there: not this clip any more
        (roll_folder(drive) / CLIP).write_bytes(b"something else")
    outcome = run(yard)
    assert (outcome.made, outcome.missing, outcome.waiting) == (2, 1, (UNREAD.format(count=1),))
    ((path, why),) = outcome.bare
    assert (path.endswith("WIDE0002.MP4"), why) == (True, NOT_UNDERSTOOD)
    shutil.copy(yard.root / "card" / CLIP, roll_folder(travel) / CLIP)
    again = run(yard)
    assert (again.made, again.known, again.bare) == (1, 2, ())


class Refusing(RealFiles):
    """A drive that will not open some files."""

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        if path.endswith(".MP4"):
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        return super().open_read(path, direct=direct)


def test_a_drive_that_does_not_give_a_clip_leaves_it_without_a_poster(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", {CLIP: CARD[CLIP]}))
    outcome = made_with(yard, Refusing())
    assert (outcome.made, outcome.missing, outcome.waiting) == (0, 1, (UNREAD.format(count=1),))
    assert shelf_files(yard) == []


@pytest.mark.slow
def test_one_clip_in_several_rolls_has_one_poster(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", {"A.MP4": CARD[CLIP], "B.MP4": CARD[CLIP]}))
    yard.offload(yard.card("other", {"C.MP4": CARD[CLIP], "D.MP4": clip(3)}), source="Close")
    assert run(yard, "Close/Roll 01").made == 2
    assert run(yard).known == 1 + 2
    assert len(shelf_files(yard)) == 2


@pytest.mark.slow
def test_a_drive_that_another_program_uses_is_left_to_it(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", {CLIP: CARD[CLIP]}))
    with at_work(yard, "verify", "Main") as other:
        assert other.said == "at work"
        files = Watched()
        outcome = made_with(yard, files)
    assert (outcome.made, outcome.missing) == (1, 0)
    assert not [path for path in files.opened if path.startswith(f"{main}/{SHOOT}")]


def wanted(yard: Yard) -> list[str]:
    """Folders of rolls that a daemon would make posters of, with the names of their drives."""
    with yard.keeper() as keeper:
        names = keeper.place_names()
        memory = Memory(keeper.context.catalog, yard.clock)
        return [
            f"{one.folder} on {' and '.join(names[place] for place in one.places)}"
            for one in memory.pictureless()
        ]


@pytest.mark.slow
def test_what_was_put_off_or_broken_off_is_left_to_a_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = yard_of_today(tmp_path)
    yard.drives()
    roll = f"{SHOOT}/Originals/Wide/Roll 01 on Main and Travel"

    def broken_off(*_: object) -> tuple[Poster, int]:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(action, "make_poster", broken_off)
        assert offloaded(yard, yard.card("card", {CLIP: CARD[CLIP]})).code == 0
    assert wanted(yard) == [roll]
    assert offloaded(yard, yard.card("card", {CLIP: CARD[CLIP]})).code == 0
    assert (wanted(yard), len(shelf_files(yard))) == ([], 1)
    shutil.rmtree(posters_folder(str(yard.root / "catalog.sqlite")))
    yard.clock.at += timedelta(hours=1)  # after what was typed
    outcome = yard.offload(yard.card("card", {CLIP: CARD[CLIP]}))
    with at_work(yard, "verify", "Main"), yard.keeper() as keeper:
        Path(f"{yard.root}/Travel").rename(f"{yard.root}/Travel.away")
        told = keeper.posters_after(outcome, progress=QUIET)
    assert "Main is used by another program of ours" in told[0]
    assert wanted(yard) == [roll]


@pytest.mark.slow
def test_where_all_drives_are_used_it_is_said_and_nothing_waits(yard: Yard) -> None:
    yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("card", {CLIP: CARD[CLIP]}))
    with at_work(yard, "verify", "Main"):
        outcome = run(yard)
    assert (outcome.made, outcome.missing) == (0, 1)
    assert "Main is used by another program of ours (verifying Main)." in outcome.waiting
    assert run(yard).made == 1


def test_without_the_library_it_is_said_and_all_else_goes_on(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(action, "is_installed", lambda: False)
    yard.drives()
    said = offloaded(yard, yard.card("card", CARD))
    assert said.code == 0
    assert said.err.count(NO_LIBRARY) == 1
    assert shelf_files(yard) == []
    outcome = run(yard)
    assert (outcome.missing, outcome.waiting) == (3, (NO_LIBRARY,))
    plain = offloaded(yard, yard.card("notes", {"NOTES.TXT": b"no clips"}), source="Notes")
    assert (plain.code, NO_LIBRARY in plain.err) == (0, False)


def test_turned_off_nothing_is_made_by_itself(yard: Yard) -> None:
    config = yard.root / "config.toml"
    config.write_text(config.read_text() + "[report]\nposters = false\n")
    yard.drives()
    assert offloaded(yard, yard.card("card", CARD)).code == 0
    assert shelf_files(yard) == []


@pytest.mark.slow
def test_many_clips_that_end_their_reader_end_the_roll(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ended(_open: object, _name: str, content: str) -> tuple[Poster, int]:
        tried.append(content)
        return Poster(content=content, note=ENDED), 1

    tried: list[str] = []
    monkeypatch.setattr(action, "make_poster", ended)
    yard.drives()
    yard.offload(yard.card("card", {f"A{n}.MP4": clip(n, 2000) for n in range(12)}))
    outcome = run(yard)
    assert (len(tried), outcome.made, outcome.missing) == (5, 5, 7)
    assert "5 of its clips ended their reader" in outcome.waiting[0]
    assert run(yard).made == 5  # the next ones


@pytest.mark.slow
def test_a_folder_that_can_not_be_written_is_told(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    yard.drives()
    yard.offload(yard.card("card", {CLIP: CARD[CLIP]}))
    Path(posters_folder(str(yard.root / "catalog.sqlite"))).write_text("in the way")
    said = typed(yard, "posters")
    assert said.code == 3
    assert "posters" in said.err


@pytest.mark.slow
def test_no_fact_and_no_verdict_hangs_on_them(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    with yard.keeper() as keeper:
        before = keeper.context.catalog.change_mark()
        keeper.posters(None, progress=QUIET)
        assert keeper.context.catalog.change_mark() == before
    assert yard.verdict(card).may_wipe
