"""The world that the machine works in, and what every deed is held to (promises 1, 3 and 4)."""

import os
import shutil
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any, ClassVar, Final, TypeVar

from blake3 import blake3
from hypothesis import note
from hypothesis.stateful import RuleBasedStateMachine

from tests.breaking.acting import Came, Deed, Fate, Program
from tests.breaking.media import Reader, Tree, harm, is_originals
from tests.breaking.model import Key, Model, content_of
from tests.breaking.store import Store
from tests.breaking.tally import TALLY
from tests.stories.yard import Yard
from tests.world.strict_rules import World

SOURCES: Final = {"Card 1": "Wide", "Card 2": "Wide", "Card 3": "Close"}
ROLES: Final = ("primary", "secondary", "cloud")
BUCKET: Final = "Off site"
OLD_NS: Final = 1_500_000_000_000_000_000

T = TypeVar("T")
Trees = Mapping[str, Tree]
"""Of every place and card, by its name."""


class Ground(RuleBasedStateMachine):
    """Cards, places and a catalog. ``root``, ``world`` and ``url`` are set by who runs it."""

    root: ClassVar[Path]
    world: ClassVar[World]
    url: ClassVar[str]
    runs: ClassVar["count[int]"] = count()

    def __init__(self) -> None:
        super().__init__()
        name = f"run{next(self.runs)}"
        self.base = self.root / name
        self.base.mkdir()
        self.yard = Yard(self.base, policy="distinct_devices = false")
        # The catalog's own syncs are not what is tried: where there is memory for it, it lies there.
        quick = Path("/dev/shm")
        lies_in = quick / f"backupkeeper-{os.getpid()}-{name}" if quick.is_dir() else self.base
        lies_in.mkdir(exist_ok=True)
        self.memory = lies_in
        config = self.base / "config.toml"
        told = config.read_text().replace(f"{self.base}/catalog", f"{lies_in}/catalog")
        config.write_text(told)
        self.store = Store(self.world, self.url, f"yard-{name}")
        self.program = Program(self.yard)
        self.model = Model()
        self.reader = Reader()
        self.cards: dict[str, dict[str, bytes]] = {name: {} for name in SOURCES}
        self.newest = self.yard.clock.at
        self.made = self.deeds = 0
        self.moved: dict[tuple[str, str], str] = {}
        """What was renamed by hand: place and path now, path of before."""

    def teardown(self) -> None:
        """Leave nothing behind, and the store open."""
        self.store.open(answers=True)
        shutil.rmtree(self.base)
        shutil.rmtree(self.memory, ignore_errors=True)

    # The world, past the program.

    def folder(self, place: str) -> Path:
        """Where a drive's files are now, plugged in or not."""
        here = self.model.places[place].here
        return self.base / place if here else self.base / "away" / place

    def drives(self) -> list[str]:
        """Every place but the bucket."""
        return [name for name in self.model.places if name != BUCKET]

    def tree(self, place: str) -> Tree:
        """What really stands at a place."""
        return self.store.tree() if place == BUCKET else self.reader.tree(self.folder(place))

    def trees(self) -> dict[str, Tree]:
        """The same of all places and cards."""
        found = {name: self.tree(name) for name in self.model.places}
        return found | {card: self.reader.tree(self.base / card) for card in self.cards}

    @property
    def clock_is_right(self) -> bool:
        """Whether it never showed a later time than now."""
        return self.yard.clock.at >= self.newest

    def in_use(self) -> list[str]:
        """Places that the program may read and write now."""
        return [name for name, place in self.model.places.items() if place.in_use]

    def pick(self, among: Iterable[T], number: int) -> T | None:
        """One of them; None where there is none."""
        listed = list(among)
        return listed[number % len(listed)] if listed else None

    def write(self, path: Path, data: bytes) -> None:
        """Write a file by hand, at a time of its own."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self.made += 1
        at = OLD_NS + self.made * 1_000_000_000
        os.utime(path, ns=(at, at))

    # The program's deeds, and what follows for the model.

    def act(
        self, what: str, deed: Deed, fate: Fate | None, learn: Callable[[Trees, Any], None]
    ) -> bool:
        """Let the program do something.

        Args:
            what: what that is called.
            deed: what it is.
            fate: what befalls it; None: nothing.
            learn: told, after a deed that was left alone and ended well, what stands where then, and
                its answer.

        Returns:
            Whether it was left alone and ended well.
        """
        before, since = self.trees(), self.yard.clock.at
        TALLY[what] += 1
        self.deeds += 1
        came = Came()
        if fate is not None and fate.what == "killed":
            died = self.program.killed(deed, fate.at)
            TALLY[f"{what}: killed" if died else "done before it was killed"] += 1
            self.yard.clock.at += timedelta(minutes=1)
        else:
            came = self.program.do(deed, spoils=0 if fate is None else fate.at)
        if came.error is not None:
            TALLY[f"refused: {type(came.error).__name__}"] += 1
            note(f"  refused: {came.error}")
        whole = fate is None and came.error is None
        self.newest = max(self.newest, self.yard.clock.at)
        after = self.trees()
        self.learn_rolls()
        self.check_harm(before, after)
        self.see(before, after, since, whole=whole)
        if whole:
            learn(after, came.answer)
        if not self.clock_is_right:
            self.model.must.clear()
        return whole

    def check_harm(self, before: Trees, after: Trees) -> None:
        """Promises 1, 3 and 4, whatever was done."""
        for name, stood in before.items():
            now, place = after[name], self.model.places.get(name)
            if place is None or not place.in_use:
                assert now == stood, f"{name} was written to"
                continue
            for path, told in harm(stood, now, originals=name == BUCKET):
                is_mended = self.was_mended(name, path, stood, now)
                assert is_mended, f"{name}: {path} {told}"
            for path in now.keys() - stood.keys():
                if is_originals(path):
                    self.check_new(name, path, now)
        for drive in self.drives():
            point = self.base / drive
            if not self.model.places[drive].here and point.exists():
                assert not os.listdir(point), f"{point} is an empty mount point"

    def was_mended(self, place: str, path: str, stood: Tree, now: Tree) -> bool:
        """A damaged original may be replaced by the right bytes, if it is kept."""
        wanted = self.wanted_at(place, path)
        if path not in now or now[path].content not in wanted:
            return False
        aside = {file.content for at, file in now.items() if "/set-aside/" in at}
        TALLY["mended"] += 1
        return stood[path].content not in wanted and stood[path].content in aside

    def wanted(self, path: str) -> set[str]:
        """What must stand under a path, as the sealed rolls say."""
        found = set()
        for folder, roll in self.model.rolls.items():
            inner = path.removeprefix(f"{folder}/")
            if inner != path and inner in roll:
                found.add(roll[inner])
        return found

    def wanted_at(self, place: str, path: str) -> set[str]:
        """The same, also where somebody moved it; and what the program knows to have stood there."""
        known = {one for at, where, one in self.model.known if (at, where) == (place, path)}
        return known | self.wanted(path) | self.wanted(self.moved.get((place, path), path))

    def check_new(self, place: str, path: str, now: Tree) -> None:
        """A new name holds the bytes of a roll's file, or of a card's while that is taken."""
        source, inner = path.split("/")[2], "/".join(path.split("/")[4:])
        from_cards = {
            content_of(files[inner])
            for card, files in self.cards.items()
            if inner in files and SOURCES[card] == source
        }
        right = self.wanted(path) or from_cards
        assert now[path].content in right, f"{place}: {path} holds wrong bytes"

    def see(self, before: Trees, after: Trees, since: datetime, *, whole: bool) -> None:
        """What any deed may have shown the program of the places that it can use."""
        for name in self.in_use():
            tree, until = after[name], self.yard.clock.at
            for key in [key for key in self.model.must if key[0] == name]:
                if key[1] not in tree or tree[key[1]].content != key[2]:
                    self.model.perhaps_wrong(key)
            for path, file in tree.items():
                key = (name, path, file.content)
                if not is_originals(path):
                    continue
                if whole and before[name].get(path) != file:
                    self.model.read_right(key, since, until)
                elif key not in self.model.must:
                    self.model.perhaps_right(key, until)

    def learn_rolls(self) -> None:
        """Sealed rolls: none is lost, and each file of a new one is on a card or on a drive."""
        found: dict[str, dict[str, str]] = {}
        with self.program.opened() as keeper:
            catalog = keeper.context.catalog
            folders = {head.folder: head.id for head in catalog.rolls()}
            for folder in folders.keys() - self.model.rolls.keys():
                roll = catalog.roll(folders[folder])
                found[folder] = {file.path: file.content for file in roll.files}
        assert self.model.rolls.keys() <= folders.keys(), "a roll was lost"
        for folder, files in found.items():
            self.model.rolls[folder] = {
                path: self.content_somewhere(folder, path, hashed) for path, hashed in files.items()
            }

    def content_somewhere(self, folder: str, path: str, hashed: str) -> str:
        """What the model calls a file of a new roll, found by its path and checked by its hash."""
        roots = [self.base / card for card in self.cards]
        roots += [self.folder(drive) / folder for drive in self.drives()]
        for root in roots:
            if (root / path).is_file():
                data = (root / path).read_bytes()
                if blake3(data).hexdigest() == hashed:
                    return content_of(data)
        raise AssertionError(f"{folder}/{path} was sealed, and is nowhere")

    def fresh(self, known: Mapping[Key, datetime]) -> list[Key]:
        """Those that count now."""
        return [key for key in known if self.model.is_fresh(known, key, self.yard.clock.at)]
