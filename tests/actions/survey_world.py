"""A catalog as the daemon and a worker have it open, and random histories of what happens to it."""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, cast

from hypothesis import strategies as st

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import trees_of
from backupkeeper.actions.survey import Surveyor
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.config import parse_config
from backupkeeper.core.deeds import RollNeed, Unlisted
from backupkeeper.core.model import (
    CopyState,
    Event,
    EventKind,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Roll,
    RollFile,
    RollHead,
    RollId,
    Standing,
    Way,
)
from backupkeeper.core.needs import Circumstances, need_of
from backupkeeper.core.policy import copies_of
from tests.catalog.made import NOW, Watch, content, name_of

MAIN, TRAVEL, SPARE, VAULT = (PlaceId(name) for name in ("main", "travel", "spare", "vault"))
ROLES = {
    MAIN: Role.PRIMARY,
    TRAVEL: Role.SECONDARY,
    SPARE: Role.SECONDARY,
    VAULT: Role.CLOUD,
}
DAY = timedelta(days=1)
MICRO = timedelta(microseconds=1)
MOUNTS = {MAIN: "boot:1", TRAVEL: "boot:2"}


def place(ident: PlaceId, **changes: Any) -> Place:
    values: dict[str, Any] = {
        "id": ident,
        "name": ident.title(),
        "role": ROLES[ident],
        "kind": PlaceKind.BUCKET if ident == VAULT else PlaceKind.DRIVE,
        "created_at": NOW - 400 * DAY,
        "location": f"/media/{ident}",
        "device": f"disk of {ident}",
    }
    return Place(**(values | changes))


def roll(number: int, files: Mapping[str, object]) -> Roll:
    name = f"Roll {number:02}"
    return Roll(
        head=RollHead(
            id=RollId(f"id of {name}"),
            shoot="260612 Boatyard",
            source="Wide",
            name=name,
            folder=f"260612 Boatyard/Originals/Wide/{name}",
            sealed_at=NOW,
            file_count=len(files),
            size_bytes=5 * len(files),
        ),
        files=tuple(
            RollFile(path=path, content=name_of(seed), size=5, mtime_ns=0)
            for path, seed in sorted(files.items())
        ),
    )


ROLLS = (
    roll(1, {"A.MP4": 1, "B.MP4": 2}),
    roll(2, {"A.MP4": 3, "SAME.XML": "same", "TWIN.XML": "same"}),
    roll(3, {"C?.MP4": 4, "SAME.XML": "same"}),  # another name on exFAT
    roll(4, {}),
)


@dataclass(kw_only=True)
class World:
    """One catalog, open twice, as a daemon and its worker have it; the time is set by hand."""

    mine: SqliteCatalog
    theirs: SqliteCatalog
    clock: Watch
    context: Context
    mounted: dict[PlaceId, str]

    def by_brute_force(self) -> tuple[RollNeed, ...]:
        """Every file of every roll, from all facts of now."""
        config = self.context.config
        places = {one.id: one for one in self.mine.places()}
        around = Circumstances(
            places=places,
            policy=config.policy,
            now=self.clock.at,
            mounted=self.mounted,
            lead=config.proofs.lead,
            trees=partial(trees_of, self.context),
        )
        found = []
        for head in self.mine.rolls():
            facts = self.mine.facts_of_roll(head.id)
            copies = copies_of(facts, places, config.policy, self.clock.at)
            found.append(need_of(self.mine.roll(head.id), copies, around))
        return tuple(need for need in found if need is not None)

    def unlisted_by_brute_force(self) -> tuple[Unlisted, ...]:
        """Every file of every roll in the one bucket, and every event."""
        places = {one.id: one for one in self.mine.places()}
        if VAULT not in places or places[VAULT].standing is not Standing.ACTIVE:
            return ()
        listed = {event.subject for event in self.mine.events([EventKind.LISTED])}
        found = []
        for head in self.mine.rolls():
            facts = self.mine.facts_of_roll(head.id)
            copies = copies_of(facts, places, self.context.config.policy, self.clock.at)
            there = {
                (copy.path, copy.content)
                for group in copies.values()
                for copy in group
                if copy.place == VAULT and copy.state is CopyState.PROVEN
            }
            wanted = {
                (f"{head.folder}/{file.path}", file.content)
                for file in self.mine.roll(head.id).files
            }
            escaped = {(path.replace("?", "%3F"), content) for path, content in wanted}
            is_there = all(
                pair in there or other in there
                for pair, other in zip(sorted(wanted), sorted(escaped), strict=True)
            )
            if is_there and f"{VAULT} {head.id}" not in listed:
                found.append(Unlisted(roll=head, place=VAULT))
        return tuple(found)


@contextmanager
def world(policy: str = "") -> Iterator[World]:
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "catalog.sqlite")
        clock = Watch(at=NOW)
        config = parse_config(f"[policy]\n{policy}\n", "made up", home=folder, state_home=folder)
        mine, theirs = open_catalog(path, clock=clock), open_catalog(path, clock=clock)
        nothing = cast("Any", None)  # a survey touches neither drives nor buckets
        context = Context(
            config=config,
            catalog=mine,
            files=nothing,
            mounts=nothing,
            clock=clock,
            entropy=nothing,
            open_bucket=nothing,
            locks=nothing,
            hostname="yard",
            version="1",
        )
        try:
            yield World(
                mine=mine, theirs=theirs, clock=clock, context=context, mounted=dict(MOUNTS)
            )
        finally:
            mine.close()
            theirs.close()


def proofs_of(one: Roll, at: PlaceId, when: Any = NOW, **changes: Any) -> list[Fact]:
    """A proof of every file of a roll at a place."""
    values: dict[str, Any] = {
        "at": when,
        "place": at,
        "way": Way.ATTESTED if at == VAULT else Way.READBACK,
        "result": Result.MATCHES,
        "cold": at != VAULT,
        "version": "v1" if at == VAULT else None,
        "mount": None if at == VAULT else f"boot:{at}",
    }
    return [
        Fact(path=f"{one.head.folder}/{file.path}", content=file.content, **(values | changes))
        for file in one.files
    ]


def well(world: World, *places: PlaceId) -> None:
    """Rolls 1 to 3, proven everywhere."""
    for ident in places or tuple(ROLES):
        world.theirs.put_place(place(ident))
    for one in ROLLS[:3]:
        world.theirs.record(contents=[content(1), content(2), content(3), content(4)])
        world.theirs.seal(one)
        for at in places or tuple(ROLES):
            world.theirs.record(facts=proofs_of(one, at))


# -- steps of a random history; each is one thing that happens between two surveys

Step = Callable[[World, Surveyor], None]

FACTS = st.builds(
    lambda number, file, **more: (number, file, more),
    st.integers(0, 2),
    st.integers(0, 2),
    place=st.sampled_from(list(ROLES)),
    way=st.sampled_from(list(Way)),
    result=st.sampled_from([Result.MATCHES, Result.MATCHES, *Result]),
    cold=st.booleans(),
    version=st.sampled_from([None, "v1", "v2"]),
    mount=st.sampled_from([None, "boot:1", "boot:2", "boot:3"]),
)
AGES = st.sampled_from(
    [
        timedelta(0),
        MICRO,
        DAY,
        15 * DAY,
        17 * DAY,
        76 * DAY,
        91 * DAY,
        400 * DAY,
        -MICRO,
        -DAY / 2,
        -DAY,
        -2 * DAY,
    ]
)


@st.composite
def facts_recorded(draw: st.DrawFn) -> Step:
    made = draw(st.lists(st.tuples(FACTS, AGES), min_size=1, max_size=4))
    by_me = draw(st.booleans())

    def step(world: World, surveyor: Surveyor) -> None:
        facts = []
        for (number, which, values), age in made:
            files = ROLLS[number].files
            file = files[which % len(files)]
            path = f"{ROLLS[number].head.folder}/{file.path.replace('?', '%3F')}"
            at = world.clock.at - age
            facts.append(Fact(at=at, path=path, content=file.content, **values))
        (world.mine if by_me else world.theirs).record(facts=facts)

    return step


@st.composite
def a_roll_proven(draw: st.DrawFn) -> Step:
    number, at = draw(st.integers(0, 2)), draw(st.sampled_from(list(ROLES)))

    def step(world: World, surveyor: Surveyor) -> None:
        world.theirs.record(facts=proofs_of(ROLLS[number], at, world.clock.at))

    return step


@st.composite
def a_roll_sealed(draw: st.DrawFn) -> Step:
    number = draw(st.integers(0, 3))
    return lambda world, surveyor: world.theirs.seal(ROLLS[number])


@st.composite
def a_place_changed(draw: st.DrawFn) -> Step:
    ident = draw(st.sampled_from(list(ROLES)))
    device = draw(st.sampled_from([None, "one disk", f"disk of {ident}"]))
    standing = draw(st.sampled_from([*Standing, Standing.ACTIVE, Standing.ACTIVE]))
    return lambda world, surveyor: world.theirs.put_place(
        place(ident, device=device, standing=standing)
    )


@st.composite
def a_word_on_a_place(draw: st.DrawFn) -> Step:
    """A person says that it is lost, or back."""
    ident = draw(st.sampled_from(list(ROLES)))
    standing = draw(st.sampled_from([*Standing, Standing.ACTIVE, Standing.ACTIVE]))

    def step(world: World, surveyor: Surveyor) -> None:
        world.theirs.stand(ident, standing)

    return step


@st.composite
def time_passed(draw: st.DrawFn) -> Step:
    spans = [MICRO, DAY / 48, DAY, 16 * DAY, 31 * DAY, 77 * DAY, -DAY / 24, -20 * DAY]
    span = draw(st.sampled_from(spans))

    def step(world: World, surveyor: Surveyor) -> None:
        world.clock.at += span

    return step


@st.composite
def time_came_to_the_edge(draw: st.DrawFn) -> Step:
    off = draw(st.sampled_from([-MICRO, timedelta(0), MICRO]))

    def step(world: World, surveyor: Surveyor) -> None:
        if surveyor.edge is not None and surveyor.edge + off > world.clock.at:
            world.clock.at = surveyor.edge + off

    return step


@st.composite
def a_roll_listed(draw: st.DrawFn) -> Step:
    subject = f"{VAULT} {ROLLS[draw(st.integers(0, 3))].head.id}"

    def step(world: World, surveyor: Surveyor) -> None:
        at = world.clock.at
        world.theirs.note([Event(at=at, kind=EventKind.LISTED, subject=subject, detail="there")])

    return step


@st.composite
def another_mount(draw: st.DrawFn) -> Step:
    at = draw(st.sampled_from([MAIN, TRAVEL]))
    token = draw(st.sampled_from([None, "boot:1", "boot:2", "boot:3"]))

    def step(world: World, surveyor: Surveyor) -> None:
        world.mounted.pop(at, None)
        if token is not None:
            world.mounted[at] = token

    return step


STEPS = st.one_of(
    facts_recorded(),
    facts_recorded(),
    a_roll_proven(),
    a_roll_sealed(),
    a_place_changed(),
    a_word_on_a_place(),
    time_passed(),
    time_came_to_the_edge(),
    another_mount(),
    a_roll_listed(),
)
