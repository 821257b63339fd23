"""What a rebuild is asked for and what it came to, as plain values."""

from dataclasses import dataclass
from datetime import datetime

from backupkeeper.core.model import Place
from backupkeeper.core.outcomes import Trouble


@dataclass(frozen=True, kw_only=True, slots=True)
class RebuildWish:
    """What the person asks for.

    ``sources`` are folders and ``s3://`` addresses; none: every drive that is here. ``endpoint`` and
    ``profile`` are for the buckets among them.
    """

    sources: tuple[str, ...] = ()
    endpoint: str | None = None
    profile: str | None = None
    merge: bool = False
    """The catalog holds something already, and what is found shall be added to it."""
    take_in: bool = False
    """Rolls that no snapshot knows shall be read, and taken in."""
    dry_run: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Settled:
    """Something that two catalogs said otherwise: of what, the two words, and which one counts.

    ``ours_counts``: what this catalog said stands. ``rule`` says why.
    """

    what: str
    ours: str
    theirs: str
    ours_counts: bool
    rule: str


@dataclass(frozen=True, kw_only=True, slots=True)
class TakenSnapshot:
    """A snapshot that was merged: where it lay, when it was taken, by which catalog, what was new.

    ``places`` are names of those that are new or described otherwise now; ``settled`` is what the two
    said otherwise (at most some of it; ``settled_count`` is all).
    """

    where: str
    name: str
    taken_at: datetime | None
    catalog: str
    rolls: int
    facts: int
    files: int = 0
    places: tuple[str, ...] = ()
    settled: tuple[Settled, ...] = ()
    settled_count: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class UnusableSnapshot:
    """One that could not be used, and why."""

    where: str
    name: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class UnknownRoll:
    """A roll that lies at a place and that no snapshot knew.

    ``known_by_manifest``: so many of its files have hashes in the manifests beside them. ``taken_in``:
    it was read and is a roll of the catalog now; else ``why`` may say why it could not be.
    """

    place: str
    folder: str
    files: int
    size_bytes: int
    known_by_manifest: int
    taken_in: bool = False
    why: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceNow:
    """A place as it stands after the rebuild; ``looked_at``: it was one of the sources."""

    place: Place
    here: bool
    looked_at: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class RebuildOutcome:
    """What was found and what is known now.

    ``rolls``, ``files`` and ``size_bytes`` are of sealed rolls; ``unfinished`` folders of offloads
    that were begun and not finished.
    """

    dry_run: bool
    sources: tuple[str, ...]
    taken: tuple[TakenSnapshot, ...]
    unusable: tuple[UnusableSnapshot, ...]
    places: tuple[PlaceNow, ...]
    rolls: int
    files: int
    size_bytes: int
    unfinished: tuple[str, ...] = ()
    unknown: tuple[UnknownRoll, ...] = ()
    troubles: tuple[Trouble, ...] = ()

    @property
    def replaced(self) -> tuple[UnusableSnapshot, ...]:
        """Unusable ones that another one of the same catalog, or a copy elsewhere, stood in for."""
        used = {one.catalog for one in self.taken}
        return tuple(one for one in self.unusable if _catalog_of(one.name) in used)

    @property
    def all_well(self) -> bool:
        """Whether something was found and nothing is left to see to."""
        waiting = [one for one in self.unknown if not one.taken_in]
        lost = len(self.unusable) > len(self.replaced)
        return bool(self.taken or self.unknown) and not (waiting or self.troubles or lost)


def _catalog_of(name: str) -> str:
    parts = name.split("-")
    return parts[1] if len(parts) > 1 else ""
