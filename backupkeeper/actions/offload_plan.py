"""What an offload starts from: the card's listing, the drives that are here, what is known.

Promises:
1. Nothing is written anywhere; the card is only listed and, where a time disagrees, the first
   block of a file is read.
2. An unfinished roll is gone on with only if each of its files is still on the card.
3. A sealed roll is never chosen to take a new file.
"""

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Final

import xxhash

from backupkeeper.actions.card_listing import listed_card
from backupkeeper.actions.context import Context
from backupkeeper.actions.glance import glance_at_drives
from backupkeeper.actions.moved import find_moved
from backupkeeper.actions.one_roll import trees_of
from backupkeeper.actions.online import OnlineDrive, here_and_away
from backupkeeper.actions.sick_drives import sick_drives
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError, UsageError
from backupkeeper.core.fitting import fit_names, possible_paths
from backupkeeper.core.lying import Elsewhere, Trees
from backupkeeper.core.model import (
    BLOCK_BYTES,
    BLOCK_DIGEST_BYTES,
    Blake3,
    CardEntry,
    CardListing,
    Copy,
    CopyState,
    PlaceId,
    Roll,
    RollFile,
)
from backupkeeper.core.naming import (
    limits_of,
    next_roll_name,
    roll_folder,
    validate_part,
    validate_shoot,
)
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.policy import copies_of
from backupkeeper.core.taking import KnownRoll, fits_card, is_carried, likely_home
from backupkeeper.ports.catalog import OpenRoll
from backupkeeper.ports.progress import Progress

STANDING_STATES = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED})
"""States of a copy that is there: it may need a proof or mending, but nothing is written over it."""


NOTHING_COPIED: Final = " Nothing was copied to it."


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """What is asked for. ``card`` is absolute; ``roll`` None means "the next one".

    ``onto`` names the drives to write to; None means all that are here.
    """

    card: str
    shoot: str
    source: str
    roll: str | None
    onto: frozenset[PlaceId] | None = None
    sick: tuple[Trouble, ...] = ()
    """Drives that were asked for, and could not be used when it was looked which are here."""


@dataclass(kw_only=True)
class Plan:
    """What the passes work from; ``homes`` are guesses that only reading confirms."""

    request: Request
    listing: CardListing
    drives: list[OnlineDrive]
    open_roll: OpenRoll
    resumed: KnownRoll | None
    known: list[KnownRoll]
    homes: dict[str, KnownRoll | None]
    copies: Mapping[Blake3, list[Copy]]
    trees: Trees
    sick: tuple[Trouble, ...]
    """Drives that were asked for, and are not away but can't be used."""
    fitted: dict[tuple[str, PlaceId], dict[str, str]] = field(default_factory=dict)

    def path_at(self, drive: OnlineDrive, folder: str, path: str) -> str:
        """Where a file of a roll stands, or would, on a drive: relative to the drive's root."""
        key = (folder, drive.place.id)
        if key not in self.fitted:
            self.fitted[key] = fit_names(
                self._paths_of(folder), limits_of(drive.info.mount.fs_type)
            )
        return f"{folder}/{self.fitted[key][path]}"

    def _paths_of(self, folder: str) -> Iterable[str]:
        for roll in self.known:
            if roll.folder == folder and roll.sealed:
                return roll.files.keys()
        return [*(entry.path for entry in self.listing.files), *self.listing.empty_folders]

    def standing_at(self, drive: OnlineDrive, home: KnownRoll, path: str) -> Copy | None:
        """The copy of a known file that is there on the drive already, in its roll's own tree.

        Other copies of the same bytes don't count (two rolls may share a sidecar, and each keeps
        its whole tree), but where somebody moved this one it counts where it lies now.
        """
        wanted, file = self.path_at(drive, home.folder, path), home.files[path]
        here = [copy for copy in self.copies.get(file.content, ()) if copy.place == drive.place.id]
        there = [copy for copy in here if copy.state in STANDING_STATES]
        own = next((copy for copy in there if copy.path == wanted), None)
        if own is not None or all(copy.state is not CopyState.MISSING for copy in here):
            return own
        homes = possible_paths(home.folder, home.files.keys())
        elsewhere = Elsewhere(home.folder, home.files.values(), homes, self.trees)
        return next((copy for copy in there if elsewhere.may_be_its(file, copy.path)), None)


def settle(context: Context, request: Request) -> tuple[list[OnlineDrive], Request]:
    """The drives to write to, of those that are here; the request for these: what turns up later is not held."""
    here, away = here_and_away(context)
    drives = _chosen(request, here)
    sick = sick_drives(context, away, request.onto, NOTHING_COPIED)
    onto = frozenset(drive.place.id for drive in drives)
    return drives, replace(request, onto=onto, sick=tuple(sick.values()))


def _chosen(request: Request, drives: Iterable[OnlineDrive]) -> list[OnlineDrive]:
    return [one for one in drives if request.onto is None or one.place.id in request.onto]


def make_plan(context: Context, request: Request, progress: Progress) -> Plan:
    """Look at everything, decide names, guess what is known, find what was moved by hand.

    Raises:
        UsageError: the names are not usable, or the roll asked for is sealed and can't take more.
        OutOfReachError: no drive is here.
    """
    validate_shoot(request.shoot)
    validate_part(request.source, "source")
    if request.roll is not None:
        validate_part(request.roll, "roll")
    drives, away = here_and_away(context)
    listing = listed_card(context, request.card, drives)
    drives = _chosen(request, drives)
    if not drives:
        raise OutOfReachError(
            " ".join(["No drive is here to copy to.", *away.values()]),
            advice="Plug one in, or take one in with: backupkeeper place add PATH --role primary --name NAME",
        )
    entries = {entry.path: entry for entry in listing.files}
    sealed = [
        context.catalog.roll(head.id)
        for head in context.catalog.rolls()
        if head.source == request.source or head.shoot == request.shoot
    ]
    resumed = _unfinished(context, request, listing, drives)
    known = [KnownRoll(folder=r.head.folder, sealed=True, files=_by_path(r)) for r in sealed]
    if resumed is not None:
        taken = {file.path: file for file in context.catalog.taken(resumed.folder)}
        known.insert(0, KnownRoll(folder=resumed.folder, sealed=False, files=taken))
    contents = _first_blocks(context, known, entries)

    def starts_alike(entry: CardEntry, file: RollFile) -> bool:
        path = f"{listing.root}/{entry.path}"
        return _first_block(context, path) == contents.get(file.content)

    homes = {entry.path: likely_home(entry, known, starts_alike) for entry in listing.files}
    homes = _without_strangers(homes, known)
    open_roll = resumed or _new_roll(context, request, sealed, homes, drives)
    hinted = {roll.files[path].content for path, roll in homes.items() if roll is not None}
    mine = {roll.folder for roll in homes.values() if roll is not None}
    for drive in drives:
        with suppress(BackupkeeperError):  # what keeps it from being read is told of the copies
            at_home = [roll.head.id for roll in sealed if roll.head.folder in mine]
            find_moved(context, drive, at_home, progress)
    glance_at_drives(context, drives, hinted)
    sick = sick_drives(context, away, request.onto, NOTHING_COPIED)
    already = {trouble.place for trouble in sick.values()} | {one.place for one in request.sick}
    told = [
        f"{away[place.id]}{NOTHING_COPIED}"
        for place in context.catalog.places()
        if place.id in away and place.name not in already
    ]
    return Plan(
        request=request,
        listing=replace(listing, warnings=(*listing.warnings, *told)),
        drives=drives,
        open_roll=open_roll,
        resumed=known[0] if resumed is not None else None,
        known=known,
        homes=homes,
        copies=copies_of(
            context.catalog.facts_of(hinted),
            {place.id: place for place in context.catalog.places()},
            context.config.policy,
            context.clock.now(),
        ),
        trees=trees_of(context),
        sick=(*request.sick, *sick.values()),
    )


def _by_path(roll: Roll) -> dict[str, RollFile]:
    return {file.path: file for file in roll.files}


def _without_strangers(
    homes: dict[str, KnownRoll | None], known: list[KnownRoll]
) -> dict[str, KnownRoll | None]:
    """Drop guesses on rolls of which too little seems to be here: this is another card."""
    mine = {
        roll.folder
        for roll in known
        if is_carried(
            roll,
            {path: roll.files[path].content for path, home in homes.items() if home is roll},
        )
    }
    return {
        path: home if home is not None and home.folder in mine else None
        for path, home in homes.items()
    }


def _unfinished(
    context: Context, request: Request, listing: CardListing, drives: list[OnlineDrive]
) -> OpenRoll | None:
    """The unfinished roll of this shoot and source that this card may be gone on with into."""
    entries = {entry.path: entry for entry in listing.files}
    for roll in context.catalog.open_rolls():
        if (roll.shoot, roll.source) != (request.shoot, request.source):
            continue
        if request.roll is not None and roll.name != request.roll:
            continue
        taken = context.catalog.taken(roll.folder)
        fits = fits_card(taken, entries, _alike(context, listing.root, taken))
        if fits and (taken or not _foreign_names(context, listing, roll.folder, drives)):
            return roll
        if request.roll is not None:
            raise UsageError(
                f"{roll.name} was begun from another card and is not finished.",
                advice="Finish it with that card first, or leave out --roll.",
            )
    return None


def _alike(
    context: Context, root: str, files: Iterable[RollFile]
) -> Callable[[CardEntry, RollFile], bool]:
    """Compares a card file's first block with the recorded one of these files."""
    contents = context.catalog.contents(file.content for file in files)

    def starts_alike(entry: CardEntry, file: RollFile) -> bool:
        known = contents.get(file.content)
        first = _first_block(context, f"{root}/{entry.path}")
        return known is not None and first == known.block_map[:BLOCK_DIGEST_BYTES]

    return starts_alike


def _foreign_names(
    context: Context,
    listing: CardListing,
    folder: str,
    drives: list[OnlineDrive],
) -> bool:
    """Whether a name that this card wants holds another file in the roll's folder on a drive.

    Asked of a roll of which nothing was recorded: a kill between naming a file and recording it
    leaves a right file that nothing is known of. Of this card it is welcome; of another card it
    shows that the roll is that card's.
    """
    paths = [*(entry.path for entry in listing.files), *listing.empty_folders]
    for drive in drives:
        if not _stands_on(context, [drive], folder):
            continue
        names = fit_names(paths, limits_of(drive.info.mount.fs_type))
        for entry in listing.files:
            there = drive.absolute(f"{folder}/{names[entry.path]}")
            try:
                size = context.files.stat(there).size
            except OSError:
                continue
            mine = _first_block(context, f"{listing.root}/{entry.path}")
            if size != entry.size or _first_block(context, there) != mine:
                return True
    return False


def _new_roll(
    context: Context,
    request: Request,
    sealed: list[Roll],
    homes: Mapping[str, KnownRoll | None],
    drives: list[OnlineDrive],
) -> OpenRoll:
    # Other sources of the shoot count rolls of their own.
    of_shoot = [
        r.head.name
        for r in sealed
        if (r.head.shoot, r.head.source) == (request.shoot, request.source)
    ]
    of_shoot += [
        roll.name
        for roll in context.catalog.open_rolls()
        if (roll.shoot, roll.source) == (request.shoot, request.source)
    ]
    if request.roll in of_shoot and not all(homes.values()):
        raise UsageError(
            f"{request.roll} of {request.source} is sealed; a roll is never altered afterwards.",
            advice="Leave out --roll: what is new on the card gets a roll of its own.",
        )
    # A sealed roll asked for again, with nothing new in sight: should something new turn up all the
    # same, it gets a roll of its own.
    wanted = None if request.roll in of_shoot else request.roll
    name = wanted or next_roll_name(of_shoot)
    template = context.config.layout.roll
    folder = roll_folder(template, request.shoot, request.source, name)
    while _stands_on(context, drives, folder):
        if wanted is not None:
            raise UsageError(
                f"{folder} is on a drive already, and the catalog knows nothing of it.",
                advice="Choose another --roll, or leave it out.",
            )
        of_shoot.append(name)
        name = next_roll_name(of_shoot)
        folder = roll_folder(template, request.shoot, request.source, name)
    return OpenRoll(
        shoot=request.shoot,
        source=request.source,
        name=name,
        folder=folder,
        begun_at=context.clock.now(),
    )


def _stands_on(context: Context, drives: list[OnlineDrive], folder: str) -> bool:
    """Whether a drive holds such a folder: of another machine's catalog, or of one that was lost."""
    for drive in drives:
        try:
            context.files.stat(drive.absolute(folder))
        except OSError:
            continue
        return True
    return False


def _first_blocks(
    context: Context, known: list[KnownRoll], entries: Mapping[str, CardEntry]
) -> dict[Blake3, bytes]:
    """Recorded digest of the first block, of every known file that a card's file may be."""
    wanted = {
        roll.files[path].content
        for roll in known
        for path, entry in entries.items()
        if path in roll.files and roll.files[path].size == entry.size
    }
    return {
        name: content.block_map[:BLOCK_DIGEST_BYTES]
        for name, content in context.catalog.contents(wanted).items()
    }


def _first_block(context: Context, path: str) -> bytes | None:
    """XXH3-128 of a card file's first block; None where it can't be read (the copy will tell)."""
    buffer = memoryview(bytearray(BLOCK_BYTES))
    try:
        handle = context.files.open_read(path)
        try:
            at = 0
            while at < BLOCK_BYTES and (got := context.files.read_into(handle, buffer[at:], at)):
                at += got
        finally:
            context.files.close(handle)
    except OSError:
        return None
    return xxhash.xxh3_128_digest(buffer[:at]) if at else b""
