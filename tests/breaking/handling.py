"""Rules: a person's hands, and misfortune."""

import os
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Final

from hypothesis import strategies as st
from hypothesis.stateful import rule

from backupkeeper.core.model import Role, Standing
from backupkeeper.core.replacing import Replacement
from backupkeeper.wiring import Keeper
from tests.breaking.acting import Deed, entry_of
from tests.breaking.ground import BUCKET, SOURCES, Ground
from tests.breaking.media import is_originals
from tests.breaking.model import Place
from tests.breaking.tally import TALLY
from tests.stories.yard import QUIET

NAMES: Final = ("DCIM/A0001.MP4", "DCIM/A0002.MP4", "DCIM/A0001.XML", "INDEX.DAT")
SIZES: Final = (0, 1, 700, 700, 5000, 4 * 1024 * 1024 + 3)
"""Of contents by their number: none at all, two of one size, one of two blocks."""
HANDS: Final = (
    *("rot", "rot behind the cache", "edit", "cut", "delete", "rename", "swap"),
    *("put back", "put back", "object rots", "object deleted"),
)
MOST_PLACES: Final = 5

cards = st.sampled_from(sorted(SOURCES))
names = st.sampled_from(NAMES)
seeds = st.integers(0, len(SIZES) - 1)
picks = st.integers(0, 1 << 16)
one_in_four = st.sampled_from((True, False, False, False))


def data_of(seed: int) -> bytes:
    """A few different contents, so that cards share some."""
    size = SIZES[seed]
    return (bytes([seed, 7, seed, 1]) * (size // 4 + 1))[:size]


class Handling(Ground):
    """What befalls cards and places, past the program."""

    @rule(card=cards, name=names, seed=seeds, formats=one_in_four)
    def camera(self, card: str, name: str, seed: int, formats: bool) -> None:
        """Records, perhaps on a card that was formatted, whatever was said about it."""
        TALLY["recorded"] += 1
        if formats:
            TALLY["card formatted"] += 1
            self.cards[card] = {}
            shutil.rmtree(self.base / card)
            (self.base / card).mkdir()
        self.cards[card][name] = data_of(seed)
        self.write(self.base / card / name, data_of(seed))

    @rule(many=st.lists(st.tuples(st.sampled_from(HANDS), picks), min_size=1, max_size=4))
    def hands(self, many: list[tuple[str, int]]) -> None:
        """A person, or time, does something to files at places, plugged in or not."""
        deeds: dict[str, Callable[[int], bool]] = {
            "rot": self.rot,
            "rot behind the cache": self.rot_behind_the_cache,
            "edit": self.edit,
            "cut": self.cut,
            "delete": self.delete,
            "rename": self.rename,
            "swap": self.swap,
            "put back": self.put_back,
            "object rots": self.rot_object,
            "object deleted": self.delete_object,
        }
        for what, number in many:
            TALLY[what] += deeds[what](number)

    def original(self, number: int) -> tuple[str, Path] | None:
        """A drive, and an original that stands there."""
        found = [
            (name, path) for name in self.drives() for path in self.tree(name) if is_originals(path)
        ]
        if (one := self.pick(found, number)) is None:
            return None
        return one[0], self.folder(one[0]) / one[1]

    def rot(self, number: int) -> bool:
        """Other bytes, size and time as they were."""
        if (found := self.original(number)) is None:
            return False
        _, path = found
        before, data = path.stat(), bytearray(path.read_bytes())
        if not data:
            return False
        self.program.cache.of_entries.pop(entry_of(before), None)
        data[number % len(data)] ^= 0x10
        path.write_bytes(data)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
        return True

    def rot_behind_the_cache(self, number: int) -> bool:
        """The same, while the system still has the bytes of before in memory."""
        if (found := self.original(number)) is None:
            return False
        name, path = found
        data = path.read_bytes()
        is_plugged_in = self.model.places[name].here
        done = is_plugged_in and self.rot(number)
        if done:
            self.program.cache.of_entries[entry_of(path.stat())] = data
        return done

    def edit(self, number: int) -> bool:
        """Somebody saves over an original."""
        if (found := self.original(number)) is not None:
            self.write(found[1], found[1].read_bytes()[: number % 900] + b"edited")
        return found is not None

    def cut(self, number: int) -> bool:
        """A check of the file system leaves a file shorter, its time as it was."""
        if (found := self.original(number)) is not None:
            before = found[1].stat()
            os.truncate(found[1], before.st_size // 2)
            os.utime(found[1], ns=(before.st_atime_ns, before.st_mtime_ns))
        return found is not None

    def delete(self, number: int) -> bool:
        """By hand."""
        if (found := self.original(number)) is not None:
            found[1].unlink()
        return found is not None

    def rename(self, number: int) -> bool:
        """By hand: it is missing at its old name, and a copy under its new one, if it is looked for."""
        if (found := self.original(number)) is None:
            return False
        self.made += 1
        name, old = found
        new = old.with_name(f"{self.made} {old.name}")
        old.rename(new)
        was, now = (str(path.relative_to(self.folder(name))) for path in (old, new))
        self.moved[name, now] = self.moved.pop((name, was), was)
        return True

    def swap(self, number: int) -> bool:
        """Two originals on one drive change names: each is where the other was, if it is looked for."""
        if (found := self.original(number)) is None:
            return False
        name, one = found
        others = [self.folder(name) / path for path in self.tree(name) if is_originals(path)]
        other = self.pick(others, number // 7)
        if other is None or other == one:
            return False
        aside = one.with_name("aside")
        one.rename(aside)
        other.rename(one)
        aside.rename(other)
        paths = [str(path.relative_to(self.folder(name))) for path in (one, other)]
        was = [self.moved.pop((name, path), path) for path in paths]
        for path, before in zip(paths, reversed(was), strict=True):
            if path != before:
                self.moved[name, path] = before
        return True

    def put_back(self, number: int) -> bool:
        """Somebody copies an original by hand to where it lacks."""
        lacking = [
            (drive, f"{folder}/{path}", content)
            for drive in self.drives()
            for folder, roll in self.model.rolls.items()
            for path, content in roll.items()
            if not (self.folder(drive) / folder / path).exists()
        ]
        if (found := self.pick(lacking, number)) is None:
            return False
        drive, path, content = found
        for other in self.drives():
            for at, file in self.tree(other).items():
                if file.content == content:
                    self.write(self.folder(drive) / path, (self.folder(other) / at).read_bytes())
                    return True
        return False

    def object_of_originals(self, number: int) -> str | None:
        """One in the bucket."""
        return self.pick([key for key in self.store.objects() if is_originals(key)], number)

    def rot_object(self, number: int) -> bool:
        """An object rots behind its entry."""
        key = self.object_of_originals(number)
        return key is not None and self.store.rot(key, number)

    def delete_object(self, number: int) -> bool:
        """Somebody deletes an object."""
        if (key := self.object_of_originals(number)) is not None:
            self.store.delete(key)
        return key is not None

    @rule(number=picks, plugs=st.booleans(), leaves_point=st.booleans())
    def plugging(self, number: int, plugs: bool, leaves_point: bool) -> None:
        """Something is plugged in, or out: of a drive's point nothing, or an empty folder, is left."""
        here = [name for name, place in self.model.places.items() if place.here]
        name = self.pick(here, number)
        if plugs or name is None or len(self.in_use()) < 2:
            self.plug_in(number)
            return
        self.model.places[name].here = False
        if name == BUCKET:
            TALLY["bucket shut"] += 1
            self.store.open(answers=False)
            return
        TALLY["unplugged"] += 1
        (self.base / name).rename(self.base / "away" / name)
        self.program.cache.of_entries.clear()
        if leaves_point:
            (self.base / name).mkdir()

    def plug_in(self, number: int) -> None:
        """One that is away, if any is."""
        away = [name for name, place in self.model.places.items() if not place.here]
        if (name := self.pick(away, number)) is None:
            return
        self.model.places[name].here = True
        if name == BUCKET:
            TALLY["bucket opened"] += 1
            self.store.open(answers=True)
            return
        TALLY["plugged in"] += 1
        if (self.base / name).exists():
            (self.base / name).rmdir()
        (self.base / "away" / name).rename(self.base / name)

    @rule(number=picks, what=st.sampled_from(("lost", "retired", "replaced", "found", "found")))
    def standing(self, number: int, what: str) -> None:
        """What a person says of a place."""
        is_active = what != "found"
        found = [
            name
            for name, place in self.model.places.items()
            if (place.standing == "active") is is_active
        ]
        name = self.pick(found, number)
        if name is None:
            return
        if what == "found":
            self.stand(name, "active", lambda keeper: keeper.find_again(name))
            self.model.forget(name)
        elif what == "replaced" and len(self.model.places) < MOST_PLACES and name != BUCKET:
            self.replace(name)
        else:
            what = "retired" if what == "retired" else "lost"

            def leave(keeper: Keeper) -> None:
                keeper.leave(keeper.look_at_leaving(name, Standing(what), progress=QUIET))

            self.stand(name, what, leave)
        TALLY[what] += 1

    def stand(self, name: str, standing: str, deed: Deed) -> None:
        """Whatever is said, no original is touched anywhere, and nothing at a place that is away."""
        before = self.trees()
        came = self.program.do(deed)
        assert came.error is None, came.error
        self.model.places[name].standing = standing
        self.check_harm(before, self.trees())
        self.newest = max(self.newest, self.yard.clock.at)

    def replace(self, old: str) -> None:
        """A new, empty drive comes in the place of one that is lost."""
        name = f"New {len(self.model.places)}"
        (self.base / name).mkdir()
        wanted = Replacement(old=old, where=str(self.base / name), name=name, folder=True)

        def deed(keeper: Keeper) -> None:
            keeper.replace(wanted, keeper.look_at_replacing(wanted, progress=QUIET))

        self.stand(old, "lost", deed)
        self.model.places[name] = Place(name=name, role=self.model.places[old].role)

    def add_drive(self, name: str, role: str) -> None:
        """A drive, as a person takes it in."""
        (self.base / name).mkdir()
        with self.program.opened() as keeper:
            keeper.add_drive(str(self.base / name), role=Role(role), name=name, folder=True)
        self.model.places[name] = Place(name=name, role=role)

    @rule(
        hours=st.one_of(st.integers(1, 100), st.integers(100, 24 * 100)),
        jumps=one_in_four,
    )
    def clock(self, hours: int, jumps: bool) -> None:
        """Time passes, or the machine's clock is wrong."""
        if jumps or not self.clock_is_right:
            self.clock_jumps(hours)
        else:
            TALLY["time passes"] += 1
            self.yard.clock.at += timedelta(hours=hours)
            self.newest = max(self.newest, self.yard.clock.at)

    def clock_jumps(self, hours: int) -> None:
        """Back, or right again; until then the model only says what must not count."""
        if self.clock_is_right:
            TALLY["clock jumps back"] += 1
            self.yard.clock.at -= timedelta(hours=hours)
            self.model.must.clear()
        else:
            TALLY["clock set right"] += 1
            self.yard.clock.at = self.newest = self.newest + timedelta(hours=1)
