"""Six deeds on a small set, each begun from the same state again and again, and what they come to."""

import copy
import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, cast

from backupkeeper.actions.histories import history_at
from backupkeeper.actions.online import online_drives
from backupkeeper.catalog import opening
from backupkeeper.core.model import Role
from backupkeeper.core.policy import copies_of
from backupkeeper.core.rebuilding import RebuildWish
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.durable import is_temp_name
from backupkeeper.wiring import Keeper
from tests.breaking.acting import Program
from tests.breaking.media import OWN, Reader, Tree, harm, is_originals
from tests.breaking.moments import Moment, killed_at, moments_of
from tests.breaking.store import Store
from tests.stories.yard import QUIET, SHOOT, HandClock, Yard, clip, roll_folder, rot

CARD: Final = {
    "DCIM/A0001.MP4": clip(1, 4 * 1024 * 1024 + 3),
    "DCIM/A0001.XML": b"<clip/>",
    "INDEX.DAT": b"",
}
ROTTEN: Final = "DCIM/A0001.MP4"
DRIVES: Final = ("Main", "Travel")
BUCKET: Final = "Off site"
OLD_SCHEMA: Final = 2
HOUR: Final = timedelta(hours=1)
"""So long after all that went before."""


class CalmClock(HandClock):
    """Moves only where somebody asks for the time of day: threads that look how long they take don't."""

    def monotonic(self) -> float:
        """Where it is."""
        return self.at.timestamp()


@dataclass(frozen=True)
class State:
    """What a deed came to, as far as it does not hang on the time of day."""

    trees: dict[str, dict[str, str]]
    rolls: dict[str, tuple[tuple[str, str], ...]]
    copies: frozenset[tuple[str, str, str]]
    left: tuple[str, ...]
    verdict: tuple[bool, tuple[str, ...]]

    def other_than(self, other: "State") -> list[str]:
        """What is not the same, a line each."""
        found = []
        for name in self.trees.keys() | other.trees.keys():
            mine, theirs = self.trees.get(name, {}), other.trees.get(name, {})
            found += [
                f"{name}: {path}: {mine.get(path)}, not {theirs.get(path)}"
                for path in sorted(mine.keys() | theirs.keys())
                if mine.get(path) != theirs.get(path)
            ]
        pairs = (
            (self.rolls, other.rolls),
            (sorted(self.copies), sorted(other.copies)),
            (self.left, other.left),
            (self.verdict, other.verdict),
        )
        return found + [f"{mine}, not {theirs}" for mine, theirs in pairs if mine != theirs]


@dataclass
class Scene:
    """A world in a folder that can be put back as it was.

    Args:
        root: the folder.
        store: a bucket that is emptied and filled with it.
    """

    root: Path
    store: Store
    prepared: Callable[["Scene"], None]
    deed: Callable[["Scene", Keeper], Any]
    then: Callable[["Scene", Keeper], Any]
    before: dict[str, Tree] = field(default_factory=dict)
    objects: Any = None
    program: Program = field(init=False)

    def __post_init__(self) -> None:
        self.root.mkdir()
        self.card = self.root / "card"
        self._fresh()
        for path, data in CARD.items():
            (self.card / path).parent.mkdir(parents=True, exist_ok=True)
            (self.card / path).write_bytes(data)
        self.prepared(self)
        shutil.copytree(self.root, self._saved, symlinks=True)
        self.objects = copy.deepcopy(self.store.bucket.objects)
        self.put_back()
        self.before = self.trees()

    @property
    def _saved(self) -> Path:
        return self.root.with_name("saved")

    def _fresh(self) -> None:
        yard = Yard(self.root, policy="distinct_devices = false", clock=CalmClock())
        self.program = Program(yard)

    def put_back(self) -> None:
        """Everything as it was before the deed, the clock and the ids too."""
        shutil.rmtree(self.root)
        shutil.copytree(self._saved, self.root, symlinks=True)
        self.store.bucket.objects = copy.deepcopy(self.objects)
        self.store.bucket.uploads.clear()
        self._fresh()
        self.program.yard.clock.at += HOUR

    def ask(self, what: Callable[[Keeper], Any]) -> Any:
        """Let the program do something, every sync included."""
        with self.program.opened(cast("Files", RealFiles())) as keeper:
            return what(keeper)

    def do(self) -> None:
        """The deed."""
        self.ask(lambda keeper: self.deed(self, keeper))

    def finish(self) -> None:
        """What comes after the deed."""
        self.ask(lambda keeper: self.then(self, keeper))

    def moments(self, log: Path) -> list[Moment]:
        """Do it in a process of its own, and tell when that might have been killed."""
        found = moments_of(self.do, self.root, log)
        self.program.yard.clock.at += HOUR
        return found

    def killed(self, moment: Moment, log: Path) -> bool:
        """Do it in a process of its own that is killed at a moment; whether the moment came."""
        for by_path in (True, False):
            self.put_back()
            if killed_at(self.do, moment, log, by_path=by_path):
                self.program.yard.clock.at += HOUR
                return True
        return False

    # What is there.

    def trees(self) -> dict[str, Tree]:
        """What stands on card and drives, and in the bucket."""
        found: dict[str, Tree] = {
            name: Reader().tree(self.root / name)
            for name in ("card", *DRIVES)
            if (self.root / name).exists()
        }
        return found | {BUCKET: self.store.tree()}

    def copies(self, keeper: Keeper) -> set[tuple[str, str, str]]:
        """Place, path and state of every copy."""
        catalog, policy = keeper.context.catalog, keeper.context.config.policy
        places = {place.id: place for place in catalog.places()}
        return {
            (places[one.place].name, one.path, str(one.state))
            for head in catalog.rolls()
            for group in copies_of(
                catalog.facts_of_roll(head.id), places, policy, keeper.context.clock.now()
            ).values()
            for one in group
        }

    def state(self) -> State:
        """See ``State``."""

        def look(keeper: Keeper) -> State:
            verdict = keeper.may_wipe(str(self.card), progress=QUIET)
            catalog = keeper.context.catalog
            rolls = {
                head.folder: tuple(
                    (one.path, str(one.content)) for one in catalog.roll(head.id).files
                )
                for head in catalog.rolls()
            }
            begun = [one for place in catalog.places() for one in catalog.uploads(place.id)]
            return State(
                trees={name: _kept(tree) for name, tree in self.trees().items()},
                rolls=rolls,
                copies=frozenset(self.copies(keeper)),
                left=(
                    *(roll.folder for roll in catalog.open_rolls()),
                    *(one.upload for one in begun),
                    *self.store.bucket.uploads,
                    *_faults(keeper),
                ),
                verdict=(verdict.may_wipe, tuple(str(one.code) for one in verdict.reasons)),
            )

        return cast("State", self.ask(look))

    def check_promises(self, end: State) -> None:
        """What holds after a kill, before anything else is done.

        Args:
            end: what the untouched deed comes to: what it makes anew holds these bytes.
        """
        now = self.trees()
        for name, stood in self.before.items():
            for path, told in harm(stood, now.get(name, {}), originals=name == BUCKET):
                aside = {one.content for at, one in now[name].items() if "/set-aside/" in at}
                mended = path in now[name] and now[name][path].content == end.trees[name][path]
                assert mended, f"{name}: {path} {told}"
                assert stood[path].content in aside, f"{name}: {path} is not kept"
            for path in now[name].keys() - stood.keys():
                if is_originals(path):
                    right = end.trees[name][path]
                    assert now[name][path].content == right, f"{name}: {path} holds wrong bytes"
        self._check_beliefs(now, end)

    def _check_beliefs(self, now: dict[str, Tree], end: State) -> None:
        for place, path, state in self.ask(self.copies):
            if state == "proven":
                assert path in now[place], f"{place}: {path} is proven, and is not there"
                right = end.trees[place][path]
                assert now[place][path].content == right, f"{place}: {path} is proven, and wrong"


def _faults(keeper: Keeper) -> list[str]:
    """What is wrong with the rolls' manifests."""
    found = []
    for drive in online_drives(keeper.context)[0]:
        for head in keeper.context.catalog.rolls():
            history = history_at(keeper.context, drive, head.folder)
            if history is not None:
                found += [f"{drive.place.name}: {fault.message}" for fault in history.faults]
    return found


def _kept(tree: Tree) -> dict[str, str]:
    """Paths and contents, without what hangs on the time of day: snapshots, manifests' bytes."""
    found = {}
    for path, one in tree.items():
        parts = path.split("/")
        if parts[0] == OWN and parts[1].startswith(("catalog", "uploads")):
            continue
        is_aside = parts[:2] == [OWN, "set-aside"]  # each in a folder that is named by the time
        if is_aside and is_temp_name(parts[-1]):
            continue  # a note that was not finished: the next time makes a folder of its own
        is_dated = "ascmhl" in parts or parts[-1] in {"note.json", "place.json"}
        kept_as = f"set-aside/{parts[-1]}" if is_aside else path
        if parts[-1].endswith(".mhl"):
            if not parts[-1].startswith("0001_"):
                continue  # a further generation that a kill prevented comes with the next verify
            kept_as = "/".join([*parts[:-1], "0001"])
        found[kept_as] = "" if is_dated else one.content
    return found


# How each begins.


def _drives(scene: Scene, *, bucket: bool = False) -> None:
    for name, role in zip(DRIVES, (Role.PRIMARY, Role.SECONDARY), strict=True):
        (scene.root / name).mkdir()

        def add(keeper: Keeper, name: str = name, role: Role = role) -> None:
            keeper.add_drive(str(scene.root / name), role=role, name=name, folder=True)

        scene.ask(add)
    if bucket:
        scene.ask(
            lambda keeper: keeper.add_bucket(
                scene.store.location,
                role=Role.CLOUD,
                name=BUCKET,
                endpoint=scene.store.url,
                profile=None,
            )
        )


def _with_one_drive(scene: Scene) -> None:
    _drives(scene)
    (scene.root / "Travel").rename(scene.root / "away")
    scene.ask(lambda keeper: _offload(scene, keeper))
    (scene.root / "away").rename(scene.root / "Travel")


def _offloaded(scene: Scene) -> None:
    _drives(scene)
    scene.ask(lambda keeper: _offload(scene, keeper))


def _with_bucket(scene: Scene) -> None:
    _drives(scene, bucket=True)
    scene.ask(lambda keeper: _offload(scene, keeper))


def _rotten(scene: Scene) -> None:
    _offloaded(scene)
    rot(roll_folder(scene.root / "Main") / ROTTEN, 700, b"\xa5" * 4096)
    scene.ask(lambda keeper: keeper.verify("Main", progress=QUIET))


def _lose_catalog(scene: Scene) -> None:
    for path in scene.root.glob("catalog.sqlite*"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def _without_catalog(scene: Scene) -> None:
    _offloaded(scene)
    _lose_catalog(scene)


def _of_an_old_schema(scene: Scene) -> None:
    """The catalog as the program of some schemas ago would have it: what its tables can hold."""
    _offloaded(scene)
    file = scene.root / "catalog.sqlite"
    new = scene.root / "new.sqlite"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("VACUUM INTO ?", (str(new),))
    _lose_catalog(scene)
    old = {number: script for number, script in opening.scripts().items() if number <= OLD_SCHEMA}
    os.close(os.open(file, os.O_CREAT | os.O_WRONLY, 0o600))
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        opening.migrate(connection, str(file), old)
        connection.execute("ATTACH ? AS new", (str(new),))
        connection.execute("PRAGMA foreign_keys = OFF")
        tables = connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'")
        for (table,) in tables.fetchall():
            if connection.execute(f"SELECT 1 FROM main.{table} LIMIT 1").fetchone():
                continue  # words that the schema itself knows
            names = [
                {row[1] for row in connection.execute(f"PRAGMA {where}.table_info({table})")}
                for where in ("main", "new")
            ]
            columns = ", ".join(sorted(names[0] & names[1]))
            connection.execute(
                f"INSERT OR IGNORE INTO main.{table} ({columns}) SELECT {columns} FROM new.{table}"
            )
        connection.execute("DETACH new")
    new.unlink()


# What is done.


def _offload(scene: Scene, keeper: Keeper) -> None:
    keeper.offload(str(scene.card), shoot=SHOOT, source="Wide", roll=None, progress=QUIET)


def _mirror(_: Scene, keeper: Keeper) -> None:
    keeper.mirror(progress=QUIET)


def _upload(_: Scene, keeper: Keeper) -> None:
    keeper.upload(progress=QUIET)


def _repair(_: Scene, keeper: Keeper) -> None:
    keeper.repair(None, dry_run=False, edited=False, in_doubt=False, progress=QUIET)


def _rebuild(scene: Scene, keeper: Keeper) -> None:
    drives = tuple(str(scene.root / name) for name in DRIVES)
    keeper.rebuild(RebuildWish(sources=drives, merge=True), progress=QUIET)


def _verify(_: Scene, keeper: Keeper) -> None:
    """Puts right in manifests what a killed repair left there."""
    keeper.verify(None, progress=QUIET)


def _open(_: Scene, __: Keeper) -> None:
    """Nothing: to open the catalog is the deed."""


SCENES: Final = {
    "offload": (_drives, _offload, _open),
    "mirror": (_with_one_drive, _mirror, _open),
    "upload": (_with_bucket, _upload, _open),
    "repair": (_rotten, _repair, _verify),
    "rebuild": (_without_catalog, _rebuild, _open),
    "migration": (_of_an_old_schema, _open, _open),
}
"""What stands before, what is done, and what comes after."""
