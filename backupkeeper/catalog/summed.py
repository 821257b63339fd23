"""Sums of facts as the rest of the program asks for them: kept where they can be, made where not.

Promise: an answer never waits for another program that writes, and never fails because sums can't be
kept: then they are made on the way.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

from backupkeeper.catalog import drawn, rows, sums
from backupkeeper.catalog.connected import Connected
from backupkeeper.core.covers import FileGroup
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import Place, PlaceId, Role, RollFile, RollId
from backupkeeper.core.policy import Policy
from backupkeeper.core.sampling import Drawn, Turn
from backupkeeper.core.standing import FirstTally, Scale
from backupkeeper.core.sums import Group, RollSums, Weigher, first_steps, of_odd

_FILE: Final = (
    "SELECT f.path, k.blake3, f.size, f.mtime_ns FROM roll_files f "
    "JOIN content_ids k ON k.no = f.content "
    "WHERE f.roll = (SELECT no FROM rolls WHERE id = ?) AND f.path = ?"
)


class Summed(Connected):
    """What follows from ``catalog.sums``."""

    def roll_sums(self) -> Mapping[RollId, RollSums]:
        """What the facts about each sealed roll come to, in the order of the rolls' names."""
        self._add_sums()
        with self._asking() as connection, self._one_moment():
            self._sums = sums.read(connection, self._sums)
        return self._sums

    def _add_sums(self) -> None:
        with self._asking() as connection:
            more = sums.lacks_any(connection)
        while more and self._depth == 0:
            try:
                with self._hurried(), self._writing_events() as connection:
                    more = sums.add_some(connection)
            except CatalogError:  # another program writes, it is read-only, or the disk is full
                return

    def drawn(
        self, rolls: Iterable[RollSums], turns: Sequence[Turn]
    ) -> Mapping[RollId, Sequence[Drawn]]:
        """Files of rolls that have their turn to be fetched back, all these turns in one."""
        numbers = {one.number: one.id for one in rolls}
        with self._asking() as connection:
            found = drawn.read(connection, numbers, turns)
        while len(found) < len(numbers) and self._depth == 0:
            try:
                with self._hurried(), self._writing_events() as connection:
                    missing = [one for one in numbers if one not in found]
                    found |= drawn.draw_some(connection, missing, turns)
            except CatalogError:  # as with sums
                break
        with self._asking() as connection:
            found |= drawn.draw(connection, numbers.keys() - found.keys(), turns)
        return {numbers[number]: told for number, told in found.items()}

    def each_file(self, one: RollSums) -> RollSums:
        """The same roll's sums with a group for each file."""
        with self._asking() as connection:
            return sums.each(connection, one)

    def files_of(self, roll_id: RollId, paths: Iterable[str]) -> tuple[RollFile, ...]:
        """Files of a sealed roll that have these paths."""
        with self._asking() as connection:
            found = [
                connection.execute(_FILE, (roll_id, rows.path_bytes(path))).fetchone()
                for path in sorted(set(paths))
            ]
        return tuple(rows.file_from(row) for row in found if row is not None)

    def _file_groups(
        self, places: Mapping[PlaceId, Place], policy: Policy, now: datetime
    ) -> Mapping[RollId, Sequence[FileGroup]]:
        weigher = Weigher(places, policy, now)
        found = {roll: self._groups(weigher, one) for roll, one in self.roll_sums().items()}
        return {roll: groups for roll, groups in found.items() if groups}

    def _groups(self, weigher: Weigher, one: RollSums) -> Sequence[FileGroup]:
        weighed = [weigher.weigh(group) for group in one.groups]
        found = [group for group in weighed if group is not None]
        untold: list[Group] = []
        if len(found) < len(weighed):
            one = self.each_file(one)
            alone = [(group, weigher.weigh(group)) for group in one.groups]
            found = [told for _, told in alone if told is not None]
            untold = [group for group, told in alone if told is None]
        odd = (*one.odd, *(group.path for group in untold))
        odd_bytes = one.odd_bytes + sum(group.size_bytes for group in untold)
        return [*found, of_odd(odd, odd_bytes)] if odd else found

    def _firsts(
        self, places: Mapping[PlaceId, Place], scale: Scale, now: datetime
    ) -> tuple[FirstTally, ...]:
        """Bytes by role and step of time, of what was ever proven in a role."""
        roles = {place.id: place.role for place in places.values()}
        found: Counter[tuple[Role, int]] = Counter()
        for one in self.roll_sums().values():
            for group, steps in self._first_steps(one, roles, scale, now):
                found.update(dict.fromkeys(steps.items(), group.size_bytes))
        return tuple(
            FirstTally(role=role, step=step, size_bytes=size)
            for (role, step), size in found.items()
        )

    def _first_steps(
        self, one: RollSums, roles: Mapping[PlaceId, Role], scale: Scale, now: datetime
    ) -> Iterator[tuple[Group, Mapping[Role, int]]]:
        told = [(group, first_steps(group, roles, scale, one.sealed, now)) for group in one.groups]
        if one.odd or any(steps is None for _, steps in told):
            with self._asking() as connection:
                alone = [*sums.each(connection, one).groups, *sums.first_proofs(connection, one)]
            told = [(group, first_steps(group, roles, scale, one.sealed, now)) for group in alone]
        return ((group, steps) for group, steps in told if steps is not None)
