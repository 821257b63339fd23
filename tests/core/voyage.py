"""A made-up world around the pure core: drives, cards, a line, time; deeds take time and may fail.

The world knows the truth (which bytes are where); the planner knows only facts. Example:
    voyage = Voyage(seed=7)
    voyage.insert_card(files=3)
    voyage.run(timedelta(days=1))
    assert voyage.gaps() == []
"""

import random
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from backupkeeper.core.deeds import (
    Deed,
    DeedKind,
    Hours,
    Plan,
    RollNeed,
    Strange,
    View,
)
from backupkeeper.core.model import (
    Blake3,
    Copy,
    Event,
    EventKind,
    Fact,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Roll,
    RollFile,
    RollHead,
    RollId,
    Way,
)
from backupkeeper.core.needs import Circumstances
from backupkeeper.core.patience import (
    setbacks,
    subject_of_bucket,
    subject_of_drive,
    subject_of_line,
    subjects_of_bucket,
)
from backupkeeper.core.planner import plan
from backupkeeper.core.policy import copies_of
from tests.core.voyage_doing import DOERS
from tests.core.voyage_kept import KeptNeeds
from tests.core.voyage_laws import MOST_LINE_TRIES, Laws
from tests.core.voyage_nights import Nights
from tests.core.voyage_parts import (
    BEGIN,
    DRILLS,
    GB,
    LEAD,
    POLICY,
    Card,
    Drive,
    Job,
    Rot,
    name,
    place,
    seconds_for,
)
from tests.core.voyage_rot import Stood
from tests.core.voyage_seen import view_of


class Voyage:
    """One history."""

    def __init__(
        self,
        seed: int,
        *,
        planner: Callable[[View], Plan] = plan,
        hours: Callable[["Voyage"], Hours] | None = None,
        nights: Nights | None = None,
    ) -> None:
        self.chance = random.Random(seed)
        self.planner = planner
        self.nights = nights
        self.hours = hours or (nights.hours if nights else lambda _: Hours(proof_s=4 * 3600.0))
        self.now = BEGIN
        self.places = {
            one.id: one
            for one in (
                place("Main", Role.PRIMARY),
                place("Travel", Role.SECONDARY),
                place("Spare", Role.SECONDARY),
                place("Twin", Role.PRIMARY, "device of Travel"),
                place("Vault", Role.CLOUD),
            )
        }
        self.drives = {
            one.id: Drive(place=one, free=4000 * GB)
            for one in self.places.values()
            if one.kind is PlaceKind.DRIVE
        }
        self.cards: dict[str, Card] = {}
        self.rolls: dict[RollId, Roll] = {}
        self.facts: dict[Blake3, list[Fact]] = {}
        self.events: list[Event] = []
        self.jobs: dict[str, Job] = {}
        self.changed: dict[PlaceId, tuple[str, ...]] = {}
        self.hidden: dict[PlaceId, list[Strange]] = {}
        self.strange: dict[str, Strange] = {}
        self.line_is_up = True
        self.failing: set[PlaceId] = set()
        self.awake = True
        self.paused = False
        self.lent: dict[PlaceId, str] = {}
        self.owed: set[RollId] = set()
        """Rolls whose manifest was not sent to the bucket after their last file."""
        self.busy: dict[str, str] = {}
        self.proof_used: list[tuple[datetime, float]] = []
        self.away: list[tuple[datetime, datetime]] = []
        self.auto_repair = True
        self.drilled: datetime | None = None
        """When a shoot was last brought back."""
        self.rot: dict[tuple[PlaceId, str], Rot] = {}
        """The truth about bad copies."""
        self.found: dict[tuple[PlaceId, str], datetime] = {}
        """When the rot of a copy was found first, since it was last whole."""
        self.was: dict[tuple[PlaceId, str], Rot] = {}
        """What was found then."""
        self.edits: set[tuple[PlaceId, str]] = set()
        self.counter = 0
        self.told = 0
        """Number of all facts."""
        self.kept = KeptNeeds()
        self.laws = Laws(self)

    # -- what happens to the world

    def next_number(self) -> int:
        self.counter += 1
        return self.counter

    def plug(self, name: str) -> None:
        drive = self.drives[PlaceId(name)]
        if drive.mount is None:
            drive.mount = self.next_number()
            self.changed[drive.place.id] = ("",)

    def unplug(self, name: str) -> None:
        drive = self.drives[PlaceId(name)]
        drive.mount = None
        self.changed.pop(drive.place.id, None)
        for key in [key for key, one in self.strange.items() if one.place == drive.place.id]:
            self.hidden.setdefault(drive.place.id, []).append(self.strange.pop(key))
        self.lent.pop(drive.place.id, None)

    def insert_card(self, files: int = 2) -> Card:
        number = self.next_number()
        card = Card(
            token=f"card#{number}",
            files=[
                (f"DCIM/C{number:04}_{one}.MP4", name(number, one), self.chance.randint(1, 40) * GB)
                for one in range(files)
            ],
        )
        self.cards[card.token] = card
        return card

    def drop_folder(self, where: str) -> None:
        """A person puts a folder of sound on a drive by hand."""
        ident = PlaceId(where)
        number = self.next_number()
        found = Strange(
            place=ident,
            folder=f"260612 Boatyard/Originals/Sound/Roll {number}",
            size_bytes=GB,
            files=2,
        )
        self.hidden.setdefault(ident, []).append(found)
        if self.drives[ident].mount is not None:
            self.changed[ident] = (found.folder,)

    # -- what is seen of it

    def mounted(self) -> dict[PlaceId, str]:
        return {one.place.id: one.token() for one in self.drives.values() if one.mount is not None}

    def around(self) -> Circumstances:
        return Circumstances(
            places=self.places,
            policy=POLICY,
            now=self.now,
            mounted=self.mounted(),
            lead=LEAD,
            cutoffs=self.nights.cutoffs(self) if self.nights is not None else {},
        )

    def copies(self, roll: Roll) -> dict[Blake3, list[Copy]]:
        told = [fact for file in roll.files for fact in self.facts.get(file.content, ())]
        return copies_of(told, self.places, POLICY, self.now)

    def needs(self) -> list[RollNeed]:
        return self.kept.needs(self)

    def view(self) -> View:
        return view_of(self)

    # -- time

    def run(self, span: timedelta) -> None:
        """Let so much time pass, with the daemon at work."""
        end = self.now + span
        while self.now < end:
            self.tick(end)

    def tick(self, end: datetime) -> None:
        """Plan, carry out, and let time pass until something is different."""
        view = self.view()
        made = self.planner(view)
        self.laws.after_plan(view, made)
        held = {key for key, job in self.jobs.items() if job.held}
        self._carry_out(made)
        moments = [end, self.now + timedelta(hours=8 if self.jobs else 99)]
        moments += [max(at, self.now + timedelta(seconds=1)) for at in self.kept.edges()]
        if self.drilled is not None and self.drilled + DRILLS > self.now:
            moments.append(self.drilled + DRILLS)
        moments += [
            self.now + timedelta(seconds=max(1.0, j.left_s))
            for j in self.jobs.values()
            if not j.held
        ]
        if made.hold != held:  # workers say at once that they wait
            moments.append(self.now + timedelta(seconds=1))
        if made.wake_at is not None:
            moments.append(max(made.wake_at, self.now + timedelta(seconds=1)))
        self._pass(min(moments))

    def sleep(self, span: timedelta) -> None:
        """The machine is closed: nothing is done, and the daemon will see that it was away."""
        begun = self.now
        self.now += span
        self.away.append((begun, self.now))

    def _carry_out(self, made: Plan) -> None:
        mounted = self.mounted()
        for key in made.stop:
            job = self.jobs[key]
            job.stopping = True
            job.left_s = min(job.left_s, 2.0)
        for key, job in self.jobs.items():
            held = key in made.hold
            if held and not job.held:
                job.held_since = self.now
            job.held = held
        for deed in made.start:
            tokens = {mounted[one] for one in deed.places if one in mounted}
            if deed.card is not None:
                tokens.add(deed.card)
            self.jobs[deed.key] = Job(
                deed=deed,
                since=self.now,
                left_s=seconds_for(deed),
                tokens=frozenset(tokens),
                known=self.known(deed),
            )

    def known(self, deed: Deed) -> int:
        """How many facts there are about its roll."""
        return self.known_of(self.rolls[deed.roll]) if deed.roll is not None else 0

    def known_of(self, roll: Roll) -> int:
        return sum([len(self.facts.get(file.content, ())) for file in roll.files])

    def _pass(self, until: datetime) -> None:
        seconds = (until - self.now).total_seconds()
        self.now = until
        here = {*self.mounted().values(), *self.cards}
        for job in list(self.jobs.values()):
            if not job.tokens <= here:
                self._end(job, "gone")
                continue
            if job.held and not job.stopping:
                continue
            job.left_s -= seconds
            job.taken_s += seconds
            if job.deed.budget_s is not None and job.taken_s >= job.deed.budget_s:
                job.left_s = 0.0
            if job.left_s <= 0:
                self._end(job, "stopped" if job.stopping else self._trouble(job))

    def _trouble(self, job: Job) -> str:
        if job.deed.kind in {DeedKind.UPLOAD, DeedKind.DRILL} and not self.line_is_up:
            return "line"
        return "failed" if self.failing & set(job.deed.places) else ""

    def _end(self, job: Job, why: str) -> None:
        deed = job.deed
        del self.jobs[deed.key]
        if deed.kind is DeedKind.PROVE:
            self.proof_used.append((self.now, job.taken_s))
        if why == "gone" or (why == "stopped" and deed.kind is not DeedKind.REPAIR):
            return
        subjects = [*(one for place in deed.places for one in self.subjects(place)), deed.key]
        if why and why != "stopped":
            bad = [self.subject(one) for one in deed.places if one in self.failing]
            blamed = bad or [self.subject(deed.place or deed.onto[0])]
            if why == "line" and deed.place is not None:
                blamed = [subject_of_line(deed.place)]
            self.events.append(self.event(EventKind.FAILED, blamed[0]))
            self.laws.failed(deed, MOST_LINE_TRIES if why == "line" else None)
            return
        # What was found meanwhile may have taken its ground away.
        before, is_news = self.told, self.known(deed) != job.known
        came = self.laws.watch(job, lambda: DOERS[deed.kind](self, job))
        if why == "stopped":
            return
        self.laws.done(job, came or is_news or before != self.told)
        self.events += [self.event(EventKind.FAILED, one) for one in sorted(job.failed)]
        known = setbacks(self.events)
        self.events += [
            self.event(EventKind.WORKED, one)
            for one in subjects
            if one in known and one not in job.failed and deed.key not in job.failed
        ]

    def event(self, kind: EventKind, subject: str) -> Event:
        return Event(at=self.now, kind=kind, subject=subject, detail="No.")

    def subject(self, ident: PlaceId) -> str:
        if self.places[ident].kind is PlaceKind.BUCKET:
            return subject_of_bucket(ident)
        return subject_of_drive(ident, self.drives[ident].token())

    def subjects(self, ident: PlaceId) -> tuple[str, ...]:
        if self.places[ident].kind is PlaceKind.BUCKET:
            return subjects_of_bucket(ident)
        return (self.subject(ident),)

    # -- facts

    def note(
        self,
        ident: PlaceId,
        path: str,
        content: Blake3,
        way: Way,
        *,
        found: Rot | None = None,
        later: timedelta = timedelta(0),
    ) -> None:
        cold = way in {Way.READBACK, Way.REHASH}
        spot = ident, path
        if found is not None:
            known = self.found.get(spot)
            if known is None or known < found.since or found.hurt - self.was[spot].hurt:
                self.found[spot] = self.now
            self.was[spot] = found
        self.told += 1
        told = Fact(
            at=self.now + later,
            place=ident,
            path=path,
            content=content,
            way=way,
            result=Result.MATCHES if found is None else found.result,
            damage=() if found is None else found.damage,
            cold=cold,
            mount=self.mounted().get(ident),
            version="v1" if way in {Way.ATTESTED, Way.LOOKED} else None,
        )
        self.facts.setdefault(content, []).append(told)

    def find(self, one: Stood, rot: Rot) -> None:
        """Somebody read a copy that is bad."""
        is_bucket = self.places[one.place].kind is PlaceKind.BUCKET
        way = Way.DOWNLOADED if is_bucket else Way.REHASH
        self.note(one.place, one.path, one.file.content, way, found=rot)

    def seal(self, folder: str, files: Sequence[tuple[str, Blake3, int]], number: int) -> Roll:
        roll = Roll(
            head=RollHead(
                id=RollId(f"roll {number:05}"),
                shoot="260612 Boatyard",
                source="Wide",
                name=f"Roll {number}",
                folder=folder,
                sealed_at=self.now,
                file_count=len(files),
                size_bytes=sum(size for _, _, size in files),
            ),
            files=tuple(
                RollFile(path=path, content=content, size=size, mtime_ns=0)
                for path, content, size in files
            ),
        )
        self.rolls[roll.head.id] = roll
        return roll

    def gaps(self) -> list[tuple[str, Role]]:
        return [(need.roll.folder, role) for need in self.needs() for role in need.gaps]
