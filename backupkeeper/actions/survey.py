"""What every roll needs now, for the planner, without looking at every file each time.

Promises:
1. The answer is that of ``core.needs.need_of`` for every sealed roll, from all facts of now: what is
   kept from an earlier survey is used only where neither facts nor time nor mounts nor places can
   have changed it. The stamp of a roll's sums shows whether anything new is known of it.
   Files are looked at one by one only where sums do not say it (``core.needs_summed``).
2. A roll is passed over unexamined only where its sums (``core.sums``) show it plainly proven, and for a
   while yet, in every place that has anything of it, and these places fill every role.
3. Nothing here touches a drive or a bucket.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.sample_budget import sampling_now
from backupkeeper.core.deeds import RollNeed, Unlisted
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lasting import TICK, end_of, idle_of
from backupkeeper.core.listing_wishes import listed_name
from backupkeeper.core.lying import Trees, no_trees, own_copies
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    EventKind,
    Place,
    PlaceId,
    PlaceKind,
    Roll,
    RollHead,
    RollId,
    Standing,
    Way,
)
from backupkeeper.core.needs import Circumstances, need_of, young_for
from backupkeeper.core.needs_summed import Looked, may_be_sampled, need_in_sum
from backupkeeper.core.policy import ALL_ROLES, Policy, copies_of, filled_roles
from backupkeeper.core.sampling import (
    Drawn,
    Sampling,
    turns,
)
from backupkeeper.core.sums import RollSums, Weigher

MOST_SUSPECTS: Final = 20
"""With more rolls of which something new is known the sieve is quicker than looking at each."""
AHEAD: Final = timedelta(hours=1)
"""What passes the sieve will pass it for so long, by time alone."""

Mounted = Mapping[PlaceId, str]
"""Token of each drive's mount, for the drives that are here."""
_Ground = tuple[tuple[object, ...], ...]


def survey(context: Context, mounted: Mounted) -> tuple[RollNeed, ...]:
    """What every roll needs, made afresh."""
    return Surveyor(context).survey(mounted)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Examined:
    """One roll, looked at file by file. Holds from ``begin`` until ``end`` (not included).

    ``stamp``: of its sums. ``idle`` says of mounts whether they were those of that time, where the
    need follows from that.
    """

    stamp: int
    begin: datetime
    end: datetime | None
    idle: Mapping[tuple[PlaceId, str | None], bool]
    need: RollNeed | None
    whole: frozenset[PlaceId]
    """Buckets in which each of its files is proven."""
    trees: frozenset[str] | None
    """The folders of all rolls, where it follows from them: a copy lies outside of its own."""

    def holds(self, stamp: int, now: datetime, mounted: Mounted, trees: frozenset[str]) -> bool:
        """Whether it would come out the same now."""
        return (
            self.stamp == stamp
            and (self.trees is None or self.trees == trees)
            and self.begin <= now
            and (self.end is None or now < self.end)
            and all((mounted.get(at) == token) is so for (at, token), so in self.idle.items())
        )


class Surveyor:
    """Makes surveys, and keeps what can't have changed since the last one.

    Kept by one thread: the one that opened the catalog.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._ground: _Ground = ()
        self._mark: tuple[int, int] | None = None
        self._sieved_at: datetime | None = None
        self._sums: Mapping[RollId, RollSums] = {}
        self._heads: Mapping[RollId, RollHead] = {}
        self._trees = no_trees()
        self._singles: dict[RollId, RollSums] = {}
        """Sums of rolls of which some files are on the other side of an edge, file by file."""
        self._suspects: set[RollId] = set()
        self._examined: dict[RollId, _Examined] = {}
        self._lacking: dict[PlaceId, frozenset[RollId]] = {}
        """What the sieve said of each bucket."""
        self._listed: frozenset[str] = frozenset()
        self._listed_mark: tuple[int, int] | None = None

    @property
    def edge(self) -> datetime | None:
        """When time alone may change the answer; None before the first survey."""
        ends = [one.end for one in self._examined.values() if one.end is not None]
        if self._sieved_at is not None:
            ends.append(self._sieved_at + AHEAD)
        return min(ends, default=None)

    @property
    def rolls(self) -> int:
        """How many rolls the last survey looked at."""
        return len(self._sums)

    def survey(
        self,
        mounted: Mounted,
        cutoffs: Mapping[PlaceId, datetime] | None = None,
        sampling: Sampling | None = None,
    ) -> tuple[RollNeed, ...]:
        """What every roll needs, in the order of their names; ``cutoffs`` as in ``Circumstances``.

        ``sampling`` None: as it is set.
        """
        context = self._context
        mark = (
            context.catalog.change_mark()
        )  # before all else: what comes meanwhile changes it again
        now = context.clock.now()
        places = {place.id: place for place in context.catalog.places()}
        around = Circumstances(
            places=places,
            policy=context.config.policy,
            now=now,
            mounted=mounted,
            lead=context.config.proofs.lead,
            cutoffs=cutoffs or {},
            sampling=sampling_now(context) if sampling is None else sampling,
            trees=lambda: self._trees,
        )
        ground = tuple(
            (*_kind_of(place), around.cutoffs.get(place.id), place.id in around.sampling.spent)
            for place in places.values()
        )
        if ground != self._ground:
            self._examined.clear()
        if ground != self._ground or not self._sieve_holds(now):
            self._read_sums()
            self._suspects = self._sieve(around)
            self._ground, self._sieved_at = ground, now
        elif mark != self._mark:
            self._take_in_changes(around)
        self._mark = mark
        self._examined = {
            roll: known
            for roll, known in self._examined.items()
            if roll in self._suspects
            and roll in self._sums
            and known.holds(self._sums[roll].stamp, now, mounted, self._trees.folders)
        }
        unknown = self._suspects - self._examined.keys()
        new = [one for one in self._sums.values() if one.id in unknown]
        drawn = self._drawn(new, around)
        found = {one.id: self._examine(one, drawn.get(one.id), around) for one in new}
        known = self._examined | found
        self._examined = {roll: known[roll] for roll in self._sums if roll in known}
        return tuple(one.need for one in self._examined.values() if one.need is not None)

    def unlisted(self) -> tuple[Unlisted, ...]:
        """What buckets lack of manifests though they have all the files, as of the last survey.

        That a manifest stands there is never taken back: what was listed once is not asked for again.
        """
        found = self._not_listed()
        if found and self._listed_mark != self._mark:
            self._listed = frozenset(self._context.catalog.latest(EventKind.LISTED))
            self._listed_mark = self._mark
            found = self._not_listed()
        return tuple(Unlisted(roll=self._heads[roll], place=place) for roll, place in found)

    def _not_listed(self) -> list[tuple[RollId, PlaceId]]:
        return [
            (roll, place)
            for roll in self._sums
            for place in self._lacking
            if listed_name(place, roll) not in self._listed and self._is_whole(place, roll)
        ]

    def _is_whole(self, place: PlaceId, roll: RollId) -> bool:
        if roll in self._suspects:
            return roll in self._examined and place in self._examined[roll].whole
        return roll not in self._lacking[place]

    def _sieve_holds(self, now: datetime) -> bool:
        at = self._sieved_at
        return at is not None and at <= now < at + AHEAD

    def _read_sums(self) -> None:
        self._sums = self._context.catalog.roll_sums()
        self._singles.clear()
        self._heads = {head.id: head for head in self._context.catalog.rolls()}
        self._trees = Trees(
            folders=frozenset(head.folder for head in self._heads.values()),
            homes=self._context.catalog.homes_of,
        )

    def _take_in_changes(self, around: Circumstances) -> None:
        """Something was written: rolls of which anything new is known are looked at."""
        before = self._sums
        self._read_sums()
        new = {
            roll
            for roll, one in self._sums.items()
            if roll not in before or before[roll].stamp != one.stamp
        }
        if len(new - self._suspects) > MOST_SUSPECTS:
            self._suspects, self._sieved_at = self._sieve(around), around.now
        else:
            self._suspects |= new

    def _sieve(self, around: Circumstances) -> set[RollId]:
        """Rolls that may need something."""
        context, places, policy = self._context, around.places, around.policy
        since = {
            place.id: _since(place, around)
            for place in places.values()
            if place.standing is Standing.ACTIVE
        }
        weigher = Weigher(places, policy, around.now)
        plain = {
            roll: frozenset(
                place
                for place in one.places & since.keys()
                if weigher.is_plain_at(one, place, since[place])
            )
            for roll, one in self._sums.items()
        }
        self._lacking = {
            place: frozenset(roll for roll, at in plain.items() if place not in at)
            for place in since
            if places[place].kind is PlaceKind.BUCKET
        }
        fills: dict[frozenset[PlaceId], bool] = {}
        suspects = set(context.catalog.rolls_harmed(around.now - policy.drive_proof_age))
        for roll, one in self._sums.items():
            at = plain[roll]
            if at not in fills:
                fills[at] = _fill_all(at, places, policy)
            if not fills[at] or not one.places & since.keys() <= at:
                suspects.add(roll)
        return suspects

    def _drawn(
        self, rolls: Iterable[RollSums], around: Circumstances
    ) -> Mapping[RollId, Sequence[Drawn]]:
        """Files that have their turn to be fetched back, of the rolls in which any may have it."""
        made = turns(around.now, around.sampling)
        asked = [one for one in rolls if may_be_sampled(one, around.places)] if made else []
        return self._context.catalog.drawn(asked, made) if asked else {}

    def _examine(
        self, sums: RollSums, drawn: Sequence[Drawn] | None, around: Circumstances
    ) -> _Examined:
        """One roll; ``drawn`` None: no file of it may have its turn."""
        head = self._heads[sums.id]
        look, each = partial(self._look, head, around), partial(self._each, sums)
        made = need_in_sum(head, sums, around, look, each, drawn or ())
        if made is None:
            return self._file_by_file(sums, drawn, around)
        return _Examined(
            stamp=sums.stamp,
            begin=around.now,
            end=end_of(made.facts, drawn, around),
            idle=idle_of(made.odd, around.mounted)
            | {(place, None): place not in around.mounted for place in made.absent},
            need=made.need,
            whole=made.whole & self._lacking.keys(),
            trees=None,
        )

    def _each(self, sums: RollSums) -> RollSums:
        known = self._singles.get(sums.id)
        if known is None or known.stamp != sums.stamp:
            known = self._singles[sums.id] = self._context.catalog.each_file(sums)
        return known

    def _look(self, head: RollHead, around: Circumstances, paths: Collection[str]) -> Looked:
        files = self._context.catalog.files_of(head.id, paths) if paths else ()
        facts = list(self._context.catalog.facts_of(file.content for file in files))
        copies = copies_of(facts, around.places, around.policy, around.now)
        return Looked(files=files, facts=facts, copies=copies)

    def _file_by_file(
        self, sums: RollSums, drawn: Sequence[Drawn] | None, around: Circumstances
    ) -> _Examined:
        facts = list(self._context.catalog.facts_of_roll(sums.id))
        copies = copies_of(facts, around.places, around.policy, around.now)
        whole = self._context.catalog.roll(sums.id)
        return _Examined(
            stamp=sums.stamp,
            begin=around.now,
            end=end_of(facts, drawn, around),
            idle=idle_of(copies, around.mounted),
            need=need_of(whole, copies, around),
            whole=frozenset(one for one in self._lacking if _has_all(one, whole, copies)),
            trees=self._trees.folders if _strays(whole, copies) else None,
        )


def _strays(roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> bool:
    """Whether any copy lies outside of the roll's folder."""
    begin = f"{roll.head.folder}/"
    return any(not copy.path.startswith(begin) for group in copies.values() for copy in group)


def _has_all(place: PlaceId, roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> bool:
    """Whether each file of a roll is proven in its own tree at a place."""
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    return all(
        any(
            copy.place == place and copy.state is CopyState.PROVEN
            for copy in own_copies(file, frozenset(homes[file.path]), copies.get(file.content, ()))
        )
        for file in roll.files
    )


def _kind_of(place: Place) -> tuple[object, ...]:
    return place.id, place.role, place.kind, place.standing, place.device, place.counts_from


def _since(place: Place, around: Circumstances) -> datetime:
    """Nothing needs to be done, now or soon, about proofs that are younger."""
    since = around.now + AHEAD - _shortest(place, around.policy, around.lead)
    cutoff = around.cutoffs.get(place.id)  # proofs of that very moment are in the share
    return since if cutoff is None else max(since, cutoff + TICK)


def _shortest(place: Place, policy: Policy, lead: timedelta) -> timedelta:
    """For how long nothing needs to be done about a proof at this place, whatever its kind."""
    ways = (Way.ATTESTED, Way.DOWNLOADED) if place.kind is PlaceKind.BUCKET else (Way.REHASH,)
    return min(young_for(way, policy, lead) for way in ways)


def _fill_all(plain: Iterable[PlaceId], places: Mapping[PlaceId, Place], policy: Policy) -> bool:
    """Whether proven copies at these places fill every role (further copies take none away)."""
    roles = policy.roles or ALL_ROLES
    made_up = [
        Copy(place=place, path="", content=Blake3(""), state=CopyState.PROVEN) for place in plain
    ]
    return filled_roles(made_up, places, roles, policy) == frozenset(roles)
