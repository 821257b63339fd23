"""What the Keeper does when a person says of a place that it is lost, retired, back, or renamed.

And when they want to know in what two of them differ.
"""

import os.path
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from dataclasses import replace
from typing import TypeVar

from backupkeeper.actions.comparing import compare_two
from backupkeeper.actions.context import Context
from backupkeeper.actions.leaving import find_again, leave, look_at_leaving
from backupkeeper.actions.places import add_bucket, add_drive, check_new_drive
from backupkeeper.actions.renaming import look_at_renaming, rename
from backupkeeper.actions.snapshots import keep_snapshots
from backupkeeper.core.comparing import Compared
from backupkeeper.core.errors import BackupkeeperError, UsageError
from backupkeeper.core.leaving import Leaving
from backupkeeper.core.model import Place, PlaceKind, Standing
from backupkeeper.core.named import place_named
from backupkeeper.core.outcomes import PlaceBack, PlaceRenamed
from backupkeeper.core.replacing import Replacement
from backupkeeper.daemon.control import ask
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.wiring.restoring import whole_path

_T = TypeVar("_T")


class Standings(ABC):
    """A part of the Keeper."""

    _context: Context

    @abstractmethod
    def _giving_way(self, deed: Callable[[], _T]) -> _T:
        """Do it; where a daemon holds a place, ask it to let go."""

    @abstractmethod
    def _adding(self) -> AbstractContextManager[None]:
        """Be the only one that changes places."""

    def look_at_leaving(self, name: str, standing: Standing, *, progress: Progress) -> Leaving:
        """See ``actions.leaving.look_at_leaving``."""
        return look_at_leaving(self._context, name, standing, progress)

    def leave(self, leaving: Leaving) -> Leaving:
        """See ``actions.leaving.leave``."""
        with self._adding():
            done = leave(self._context, leaving)
        self._spread()
        return done

    def find_again(self, name: str) -> PlaceBack:
        """See ``actions.leaving.find_again``."""
        with self._adding():
            back = find_again(self._context, name)
        self._spread()
        return back

    def rename(self, name: str, new: str, *, dry_run: bool) -> PlaceRenamed:
        """See ``actions.renaming.rename``; with ``dry_run`` it is only looked whether it can be."""
        if dry_run:
            place = look_at_renaming(self._context, name, new)
            return PlaceRenamed(place=replace(place, name=new), was=place.name, marker_waits="")

        with self._adding():
            renamed = self._giving_way(lambda: rename(self._context, name, new))
        self._spread()
        return renamed

    def look_at_replacing(self, wanted: Replacement, *, progress: Progress) -> Leaving:
        """What it would mean to take in another place instead of one, as far as it can be seen.

        Raises:
            UsageError: the new one can't be taken in as asked; or no place has the old name.
        """
        old = place_named(self._context.catalog.places(), wanted.old)
        is_bucket = wanted.where.startswith("s3://")
        if is_bucket != (old.kind is PlaceKind.BUCKET):
            raise UsageError(
                f"{old.name} is a {old.kind}, and {wanted.where} is none.",
                advice="A drive takes the place of a drive, a bucket that of a bucket.",
            )
        if not is_bucket:
            path = whole_path(wanted.where)
            check_new_drive(self._context, path, name=wanted.name, folder=wanted.folder)
        return look_at_leaving(self._context, old.name, wanted.standing, progress, new=wanted.name)

    def replace(self, wanted: Replacement, leaving: Leaving) -> tuple[Leaving, Place]:
        """Take in the new place, with the role of the old one; then the old one leaves.

        Raises:
            BackupkeeperError: the new one could not be taken in; nothing was changed.
        """
        role = leaving.place.role
        with self._adding():
            if wanted.where.startswith("s3://"):
                taken = add_bucket(
                    self._context,
                    wanted.where,
                    role=role,
                    name=wanted.name,
                    endpoint=wanted.endpoint,
                    profile=wanted.profile,
                )
            else:
                path = whole_path(wanted.where)
                taken = add_drive(
                    self._context, path, role=role, name=wanted.name, folder=wanted.folder
                )
            done = leave(self._context, leaving)
        self._spread()
        return done, taken

    def compare(self, one: str, two: str, *, read: bool, progress: Progress) -> Compared:
        """See ``actions.comparing.compare_two``; a folder that is named is taken as one."""
        names = {place.name.casefold() for place in self._context.catalog.places()}
        first, second = (
            what if what.casefold() in names or not os.path.isdir(what) else whole_path(what)
            for what in (one, two)
        )
        return self._giving_way(
            lambda: compare_two(self._context, first, second, progress, read=read)
        )

    def _spread(self) -> None:
        """What a person said is to be known wherever the catalog is; ``gaps`` tells where it is not."""
        with suppress(BackupkeeperError):
            ask(f"{self._context.config.catalog.path}.locks", "look")  # a daemon looks at once
        with suppress(BackupkeeperError):
            keep_snapshots(self._context, Quiet(), brought=True, by_hand=True, buckets=False)
