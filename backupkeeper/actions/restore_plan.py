"""What a restore takes from where: looked up roll by roll, told before anything is done.

Promises:
1. Nothing is read of a drive but its entries, nothing fetched from a bucket but listings and looks;
   nothing is written.
2. Every path is made to fit the file system that it goes to, and none leads out of the folder.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import RollNow, roll_now
from backupkeeper.actions.online import OnlineDrive, online
from backupkeeper.actions.rates import rate_from
from backupkeeper.actions.restore_target import Target
from backupkeeper.actions.room import room_needed
from backupkeeper.actions.selection import Selection, resolve
from backupkeeper.core import prices as money
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError, UsageError
from backupkeeper.core.fitting import fit_names, possible_paths
from backupkeeper.core.model import Copy, Place, PlaceId, PlaceKind, RollFile, RollId, Standing
from backupkeeper.core.restoring import MAY_GIVE, Asked, Portion, RestorePlan, Shares, Source, worth
from backupkeeper.core.typed import typed
from backupkeeper.ports.bucket import Bucket, ObjectEntry
from backupkeeper.ports.files import EntryKind


@dataclass(frozen=True, kw_only=True, slots=True)
class Task:
    """One file: where it goes (relative to the folder), and the copies to take it from, best first.

    ``stands``: something has that name already.
    """

    file: RollFile
    path: str
    sources: tuple[Source, ...]
    stands: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class RollTasks:
    """One roll of a restore. ``names``: what each of its files and empty folders is called there."""

    now: RollNow
    folder: str
    names: Mapping[str, str]
    tasks: tuple[Task, ...]
    whole: bool


@dataclass(kw_only=True)
class Around:
    """The places that a restore may take from, and what is known of them."""

    context: Context
    asked: Asked
    target: Target
    chosen: Selection
    drives: dict[PlaceId, OnlineDrive] = field(default_factory=dict)
    buckets: dict[PlaceId, Bucket] = field(default_factory=dict)
    places: dict[PlaceId, Place] = field(default_factory=dict)
    away: dict[PlaceId, str] = field(default_factory=dict)
    shares: Shares = field(default_factory=Shares)
    folders: Mapping[str, str] = field(default_factory=dict)
    unasked: Counter[PlaceId] = field(default_factory=Counter)
    """Files of which no place that was named has a copy, and that these have."""

    def name(self, place: PlaceId) -> str:
        """What a place is called."""
        return self.places[place].name


def look_around(context: Context, asked: Asked, target: Target) -> Around:
    """Find out what is meant, and which places can be asked now.

    Raises:
        UsageError: nothing of that name is known, or a place was named where it can't be.
        OutOfReachError: the only place that may be taken from is not here.
    """
    chosen = resolve(context, asked.what)
    places = {place.id: place for place in context.catalog.places()}
    if asked.what is not None and any(
        place.name.casefold() == asked.what.casefold() for place in places.values()
    ):
        raise UsageError(
            f"{asked.what} is a place.",
            advice=f"To restore all that it has: backupkeeper restore --all --from {typed(asked.what)}",
        )
    around = Around(context=context, asked=asked, target=target, chosen=chosen, places=places)
    wanted = _only(asked.source, places)
    for place in places.values():
        if place.standing is not Standing.ACTIVE or place.id not in wanted:
            continue
        if place.kind is PlaceKind.BUCKET:
            around.buckets[place.id] = context.open_bucket(place)
            continue
        found = online(context, place)
        if isinstance(found, OnlineDrive):
            around.drives[place.id] = found
        else:
            around.away[place.id] = found
    if asked.source is not None and not around.drives and not around.buckets:
        raise OutOfReachError(next(iter(around.away.values()), f"{asked.source} does not count."))
    heads = {head.id: head for head in context.catalog.rolls()}
    folders = [heads[roll].folder for roll in chosen.rolls]
    around.folders = fit_names(folders, target.limits, reserved=())
    return around


def _only(source: str | None, places: Mapping[PlaceId, Place]) -> frozenset[PlaceId]:
    if source is None:
        return frozenset(places)
    found = [place.id for place in places.values() if place.name.casefold() == source.casefold()]
    if not found:
        raise UsageError(
            f"No place is called {source}.", advice="backupkeeper place list shows them."
        )
    return frozenset(found)


def tasks_of(around: Around, roll: RollId) -> RollTasks:
    """What one roll's restore is made of."""
    context, now = around.context, roll_now(around.context, roll)
    head = now.roll.head
    paths = [*(file.path for file in now.roll.files), *now.roll.folders]
    names = fit_names(paths, around.target.limits)
    homes = possible_paths(head.folder, paths)
    chosen = [
        file
        for file in now.roll.files
        if around.chosen.covers_any([*homes[file.path], *_other_paths(around, now, file)])
    ]
    folder = around.folders[head.folder]
    candidates = {file.path: _candidates(around, now, file, homes[file.path]) for file in chosen}
    shelves = _shelves(around, head.folder, candidates.values())
    tasks = []
    for file in chosen:
        path = f"{folder}/{names[file.path]}"
        stands = _stands(context, around.target.absolute(path))
        sources = [
            _source(around, copy, shelves)
            for copy in candidates[file.path]
            if copy.place in around.drives or copy.place in around.buckets
        ]
        ordered = () if stands else around.shares.ordered(sources, file.size)
        tasks.append(Task(file=file, path=path, sources=ordered, stands=stands))
    return RollTasks(
        now=now,
        folder=folder,
        names=names,
        tasks=tuple(tasks),
        whole=len(chosen) == len(now.roll.files),
    )


def _other_paths(around: Around, now: RollNow, file: RollFile) -> list[str]:
    """Where a file lies at the place that was named, in its roll's folder or elsewhere."""
    place = around.chosen.place
    return [copy.path for copy in now.copies.get(file.content, ()) if copy.place == place]


def _candidates(around: Around, now: RollNow, file: RollFile, homes: Sequence[str]) -> list[Copy]:
    """Copies that can be asked now; one a place, that of the roll's own tree where there is one."""
    found: dict[PlaceId, Copy] = {}
    for copy in now.copies.get(file.content, ()):
        if copy.state not in MAY_GIVE:
            continue
        drive = around.drives.get(copy.place)
        if copy.place not in around.buckets and (drive is None or not drive.holds(copy.path)):
            continue
        before = found.get(copy.place)
        if before is None or _better(copy, before, homes):
            found[copy.place] = copy
    return list(found.values())


def _better(copy: Copy, before: Copy, homes: Sequence[str]) -> bool:
    def rank(one: Copy) -> tuple[int, bool, str]:
        return worth(one), one.path not in homes, one.path

    return rank(copy) < rank(before)


def _shelves(
    around: Around, folder: str, candidates: Iterable[Sequence[Copy]]
) -> dict[tuple[PlaceId, str], ObjectEntry]:
    """What the buckets say of a roll's objects; a bucket that does not answer is asked no more.

    Only those are asked that have a file which no drive here has proven: the line may be down.
    """
    wanted = {
        copy.place
        for copies in candidates
        if not any(copy.place in around.drives and worth(copy) == 0 for copy in copies)
        for copy in copies
        if copy.place in around.buckets
    }
    found = {}
    for place in wanted:
        try:
            bucket = around.buckets[place]
            for entry in bucket.listing(f"{folder}/"):
                if money.is_asleep(entry.shelf, entry.thaw):
                    entry = bucket.look(entry.key) or entry  # noqa: PLW2901 - only HEAD says whether it is thawed
                found[place, entry.key] = entry
        except BackupkeeperError as error:
            around.away[place] = f"{around.name(place)}: {error}"
            del around.buckets[place]
    return found


def _source(
    around: Around, copy: Copy, shelves: Mapping[tuple[PlaceId, str], ObjectEntry]
) -> Source:
    if copy.place in around.drives:
        return Source(copy=copy)
    entry = shelves.get((copy.place, copy.path))
    shelf, thaw = (entry.shelf, entry.thaw) if entry is not None else ("", "")
    return Source(
        copy=copy,
        is_bucket=True,
        shelf=shelf,
        asleep=money.is_asleep(shelf, thaw),
        thawing=money.is_thawing(thaw),
        price=money.to_take(around.context.config.prices, shelf, int(money.GB)),
    )


def _stands(context: Context, path: str) -> bool:
    try:
        context.files.stat(path)
    except FileNotFoundError:
        return False
    except OSError:
        return True  # what it is, its reading will tell
    return True


@dataclass(kw_only=True)
class _Sum:
    files: int = 0
    size_bytes: int = 0
    asleep_files: int = 0
    asleep_bytes: int = 0
    costs: list[Decimal | None] = field(default_factory=list)


def plan_of(around: Around) -> RestorePlan:
    """What would be done, all in all."""
    context, asked = around.context, around.asked
    sums: dict[PlaceId, _Sum] = {}
    files = size = there = there_bytes = 0
    other: list[str] = []
    homeless: list[str] = []
    wanted: list[tuple[str, int]] = []
    needed = 0
    for roll in around.chosen.rolls:
        made = tasks_of(around, roll)
        for task in made.tasks:
            files, size = files + 1, size + task.file.size
            path = around.target.absolute(task.path)
            if task.stands:
                if _has_size(context, path, task.file.size):
                    there, there_bytes = there + 1, there_bytes + task.file.size
                else:
                    other.append(task.path)
            elif not task.sources:
                homeless.append(task.path)
                _count_unasked(around, made.now, task)
            else:
                _add(sums, around, task)
                wanted.append((path, task.file.size))
        needed += room_needed(context.files, wanted, spare_bytes=0)
        wanted.clear()
    for place, count in around.unasked.items():
        around.away[place] = (
            f"{around.name(place)} has {count} of the files that are lacking; only {asked.source} was asked "
            "(--from)."
        )
    return RestorePlan(
        what=asked.what or "everything",
        to=asked.to,
        files=files,
        size_bytes=size,
        portions=tuple(_portion(around, place, one) for place, one in sums.items()),
        there_files=there,
        there_bytes=there_bytes,
        other=tuple(other),
        homeless=tuple(homeless),
        away=tuple(around.away.values()),
        needed_bytes=room_needed(context.files, ()) + needed if needed else 0,
        free_bytes=_free(context, around.target),
        currency=context.config.prices.currency,
    )


def _count_unasked(around: Around, now: RollNow, task: Task) -> None:
    if around.asked.source is None:
        return
    copies = now.copies.get(task.file.content, ())
    around.unasked.update(
        {
            copy.place
            for copy in copies
            if copy.state in MAY_GIVE
            and copy.place not in around.drives
            and copy.place not in around.buckets
            and copy.place not in around.away
        }
    )


def _add(sums: dict[PlaceId, _Sum], around: Around, task: Task) -> None:
    first = task.sources[0]
    one = sums.setdefault(first.copy.place, _Sum())
    one.files += 1
    one.size_bytes += task.file.size
    if first.asleep:
        one.asleep_files += 1
        one.asleep_bytes += task.file.size
    if first.is_bucket:
        prices = around.context.config.prices
        one.costs.append(money.to_take(prices, first.shelf, task.file.size))


def _portion(around: Around, place: PlaceId, one: _Sum) -> Portion:
    is_bucket = around.places[place].kind is PlaceKind.BUCKET
    requests = money.requests_for(one.files) + one.asleep_files if is_bucket else 0
    fees = money.for_requests(around.context.config.prices, requests)
    rate = rate_from(around.context, place)
    return Portion(
        place=around.name(place),
        is_bucket=is_bucket,
        files=one.files,
        size_bytes=one.size_bytes,
        seconds=one.size_bytes / rate if rate else None,
        cost=money.in_all([*one.costs, fees]) if is_bucket else Decimal(0),
        requests=requests,
        asleep_files=one.asleep_files,
        asleep_bytes=one.asleep_bytes,
    )


def _has_size(context: Context, path: str, size: int) -> bool:
    try:
        stat = context.files.stat(path)
    except OSError:
        return False
    return stat.kind is EntryKind.FILE and stat.size == size


def _free(context: Context, target: Target) -> int:
    try:
        return context.files.free_bytes(target.anchor)
    except OSError:
        return 0
