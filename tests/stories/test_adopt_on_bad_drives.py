"""Taking in a folder from a drive that fails, or that can't be read past a memory."""

import errno
import os
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.adopt_reading import CHUNK_FILES
from backupkeeper.core.errors import ManifestError, ReadError, SyncError
from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import AdoptOutcome
from backupkeeper.ports.files import Handle
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, SHOOT, clip, tree

SOUND = {"SOUND/0001.WAV": clip(1), "SOUND/0002.WAV": clip(2), "NOTES.TXT": b"wind\n"}
FOLDER = f"{SHOOT}/Originals/Recorder/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    return made


def put(drive: Path, files: dict[str, bytes] = SOUND) -> Path:
    where = drive / FOLDER
    for path, data in files.items():
        (where / path).parent.mkdir(parents=True, exist_ok=True)
        (where / path).write_bytes(data)
        os.utime(where / path, (1_781_000_000, 1_781_000_000))
    return where


class Failing:
    """The real system, but reading some paths fails, from the n-th opening on."""

    def __init__(self, files: Any, *, part: str, after: int = 0, syncs: bool = True) -> None:
        self._files, self._part, self._left, self._syncs = files, part, after, syncs
        self._bad: set[Handle] = set()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._files, name)

    def sync_tree(self, path: str) -> None:
        if not self._syncs:
            raise OSError(errno.EIO, "made up")
        self._files.sync_tree(path)

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        handle: Handle = self._files.open_read(path, direct=direct)
        self._bad.discard(handle)
        if path.endswith(self._part):
            self._left -= 1
            if self._left < 0:
                self._bad.add(handle)
        return handle

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        if handle in self._bad:
            raise OSError(errno.EIO, "made up")
        got: int = self._files.read_into(handle, buffer, offset)
        return got


def adopt(yard: ScopedYard, **failing: Any) -> AdoptOutcome:
    place = yard.place("Main")
    with yard.context() as context:
        files: Any = Failing(context.files, **failing) if failing else context.files
        return adopt_folder(replace(context, files=files), place, FOLDER, QUIET)


@pytest.mark.parametrize("after", [0, 1])
def test_a_file_that_cant_be_read_is_left_out_and_told_and_the_rest_is_taken_in(
    yard: ScopedYard, after: int
) -> None:
    """At its first reading, or at its second."""
    where = put(yard.root / "Main")
    outcome = adopt(yard, part="0001.WAV", after=after)
    assert (outcome.files, outcome.proven) == (2, 2)
    assert [trouble.path for trouble in outcome.troubles] == [f"{FOLDER}/SOUND/0001.WAV"]
    assert [path for path, _ in outcome.left_out] == ["SOUND/0001.WAV"]
    assert tree(where) == SOUND
    assert f"{FOLDER}/SOUND/0001.WAV" not in {fact.path for fact in yard.facts("Main")}


def test_where_nothing_can_be_read_no_roll_is_made(yard: ScopedYard) -> None:
    where = put(yard.root / "Main", {"SOUND/0001.WAV": clip(1)})
    with pytest.raises(ReadError):
        adopt(yard, part="0001.WAV")
    assert not (where / "ascmhl").exists()
    with yard.context() as context:
        assert context.catalog.rolls() == ()


def test_what_cant_be_made_durable_is_not_taken_in(yard: ScopedYard) -> None:
    put(yard.root / "Main")
    with pytest.raises(SyncError):
        adopt(yard, part="-", syncs=False)
    assert yard.facts("Main") == []


def test_many_small_files_go_in_several_steps(yard: ScopedYard) -> None:
    many = {f"S/{number:04d}.WAV": b"%d" % number for number in range(CHUNK_FILES + 20)}
    put(yard.root / "Main", many)
    outcome = adopt(yard)
    assert (outcome.files, outcome.proven) == (CHUNK_FILES + 20, CHUNK_FILES + 20)


@pytest.fixture
def memory() -> Iterator[Path]:
    if not os.path.isdir("/dev/shm"):
        pytest.skip("needs a file system in memory")
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        yield Path(folder)


def test_on_a_file_system_in_memory_nothing_is_called_proven(tmp_path: Path, memory: Path) -> None:
    yard = ScopedYard(tmp_path)
    with yard.keeper() as keeper:
        keeper.add_drive(str(memory), role=Role.PRIMARY, name="Main", folder=True)
    put(memory)
    outcome = adopt(yard)
    assert (outcome.files, outcome.proven) == (3, 0)
    assert "memory" in outcome.not_cold
    assert not any(fact.is_proof for fact in yard.facts("Main"))


@pytest.mark.parametrize("how", ["link", "file", "empty"])
def test_a_history_that_leads_elsewhere_or_is_none(yard: ScopedYard, how: str) -> None:
    where = put(yard.root / "Main")
    match how:
        case "link":
            (yard.root / "elsewhere").mkdir()
            (where / "ascmhl").symlink_to(yard.root / "elsewhere")
        case "file":
            (where / "ascmhl").write_bytes(b"")
        case _:
            (where / "ascmhl").mkdir()
            assert adopt(yard).proven == 3
            return
    with pytest.raises(ManifestError):
        adopt(yard)
    assert not list((yard.root / "elsewhere").glob("*"))


def test_a_foreign_history_in_another_format_is_compared_in_that_format(tmp_path: Path) -> None:
    """MD5 is not computed unless it is asked for: here the history asks."""
    yard = ScopedYard(tmp_path)
    yard.drives()
    config = (tmp_path / "config.toml").read_text()
    (tmp_path / "config.toml").write_text(config + '[manifest]\nformats = ["xxh128", "md5"]\n')
    yard.offload(yard.card("card", SOUND), source="Recorder")
    for stale in tmp_path.glob("catalog.sqlite*"):
        if stale.is_file():
            stale.unlink()
    (tmp_path / "config.toml").write_text(config)
    yard.drives()
    assert adopt(yard).proven == 3
    with yard.context() as context:
        (head,) = context.catalog.rolls()
        names = [file.content for file in context.catalog.roll(head.id).files]
        contents = context.catalog.contents(names)
    assert all("md5" in content.digests for content in contents.values())


class KilledAt:
    """The real system until one kind of call is made: then Ctrl-C, before or after it."""

    def __init__(self, real: Any, call: str, *, before: bool) -> None:
        self._real, self._call, self._before = real, call, before

    def __getattr__(self, name: str) -> Any:
        real = getattr(self._real, name)
        if name != self._call:
            return real

        def killed(*args: Any, **kwargs: Any) -> Any:
            if not self._before:
                real(*args, **kwargs)
            raise KeyboardInterrupt

        return killed


@pytest.mark.parametrize("before", [True, False])
@pytest.mark.parametrize("call", ["rename_new", "rename_over", "seal"])
def test_killed_around_the_manifest_or_the_seal_it_ends_the_same(
    yard: ScopedYard, call: str, before: bool
) -> None:
    where = put(yard.root / "Main")
    place = yard.place("Main")
    with yard.context() as context:
        files: Any = KilledAt(context.files, call, before=before)
        catalog: Any = KilledAt(context.catalog, call, before=before)
        with pytest.raises(KeyboardInterrupt):
            adopt_folder(replace(context, files=files, catalog=catalog), place, FOLDER, QUIET)
    adopt(yard)
    assert tree(where) == SOUND
    assert len(list((where / "ascmhl").glob("*.mhl"))) == 1
    assert not list((where / "ascmhl").glob(".backupkeeper*"))
    with yard.context() as context:
        assert [head.folder for head in context.catalog.rolls()] == [FOLDER]
        assert context.catalog.open_rolls() == ()
    assert yard.verify("Main").all_well
