"""A world in a folder that is put back as it was again and again, and what a deed comes to in it."""

import copy
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, cast

from backupkeeper.actions.histories import history_at
from backupkeeper.actions.online import online_drives
from backupkeeper.core.model import Role
from backupkeeper.core.policy import copies_of
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.durable import is_temp_name
from backupkeeper.wiring import Keeper
from tests.breaking.acting import Program
from tests.breaking.media import OWN, Reader, Tree, harm, is_originals
from tests.breaking.moments import Moment, killed_at, moments_of
from tests.breaking.store import Store
from tests.stories.yard import QUIET, HandClock, Yard, clip

CARD: Final = {
    "DCIM/A0001.MP4": clip(1, 4 * 1024 * 1024 + 3),
    "DCIM/A0001.XML": b"<clip/>",
    "INDEX.DAT": b"",
}
DRIVES: Final = ("Main", "Travel")
BUCKET: Final = "Off site"
POLICY: Final = "distinct_devices = false\n[report]\nposters = false"
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

    @property
    def gist(self) -> tuple[object, ...]:
        """Which originals are where, whatever roll they came into, what is believed of them, and the verdict."""
        originals = {
            (place, path.split("/")[-1], content)
            for place, tree in self.trees.items()
            for path, content in tree.items()
            if is_originals(path)
        }
        states = {(place, path.split("/")[-1], state) for place, path, state in self.copies}
        return originals, states, self.left, self.verdict

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
        self._save()
        self.objects = copy.deepcopy(self.store.bucket.objects)
        self.put_back()
        self.before = self.trees()

    @property
    def catalog(self) -> Path:
        """The catalog's file."""
        return self.root / "catalog.sqlite"

    def take_in(self, name: str, role: Role) -> None:
        """A drive of that name becomes a place."""
        (self.root / name).mkdir()
        self.ask(
            lambda keeper: keeper.add_drive(
                str(self.root / name), role=role, name=name, folder=True
            )
        )

    def without(self, name: str, deed: Callable[[Keeper], Any]) -> None:
        """Let the program do something while a drive is away."""
        (self.root / name).rename(self.root / "away")
        self.ask(deed)
        (self.root / "away").rename(self.root / name)

    @property
    def _saved(self) -> Path:
        return self.root.with_name("saved")

    def _fresh(self) -> None:
        yard = Yard(self.root, policy=POLICY, clock=CalmClock())
        self.program = Program(yard)

    def _save(self) -> None:
        shutil.copytree(self.root, self._saved, symlinks=True)

    def _restore(self) -> None:
        shutil.rmtree(self.root)
        shutil.copytree(self._saved, self.root, symlinks=True)

    def put_back(self) -> None:
        """Everything as it was before the deed, the clock and the ids too."""
        self._restore()
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
        self._check_beliefs(self.check_bytes(end), end)

    def check_bytes(self, end: State) -> dict[str, Tree]:
        """The same of what stands there, whatever is believed of it; what that is."""
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
        return now

    def wrongly_accused(self, end: State) -> list[str]:
        """Copies that are called damaged or missing, and are right."""
        now = self.trees()
        return [
            f"{place}: {path} is called {state}"
            for place, path, state in self.ask(self.copies)
            if state in {"damaged", "missing"}
            and path in now[place]
            and now[place][path].content == end.trees[place].get(path)
        ]

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
