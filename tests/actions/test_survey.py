"""The survey that keeps what can't have changed, held against one that looks at every file.

The expected answer is always ``core.needs.need_of`` of every roll from all facts: no sieve, no cache.
"""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.actions.context import Context
from backupkeeper.actions.survey import Surveyor, survey
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.config import parse_config
from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.model import (
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
        )
        found = []
        for head in self.mine.rolls():
            facts = self.mine.facts_of_roll(head.id)
            copies = copies_of(facts, places, config.policy, self.clock.at)
            found.append(need_of(self.mine.roll(head.id), copies, around))
        return tuple(need for need in found if need is not None)


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
    for one in places or tuple(ROLES):
        world.theirs.put_place(place(one))
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
def time_passed(draw: st.DrawFn) -> Step:
    spans = [MICRO, DAY / 48, DAY, 16 * DAY, 31 * DAY, 77 * DAY, -DAY / 24]
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
    time_passed(),
    time_came_to_the_edge(),
    another_mount(),
)


@settings(max_examples=150)
@given(begin_well=st.booleans(), steps=st.lists(STEPS, max_size=12))
def test_whatever_happens_the_kept_survey_is_the_one_from_all_facts(
    begin_well: bool, steps: list[Step]
) -> None:
    with world() as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        if begin_well:
            well(made)
        surveyor = Surveyor(made.context)
        for step in (lambda _w, _s: None, *steps):
            step(made, surveyor)
            expected = made.by_brute_force()
            assert surveyor.survey(made.mounted) == expected
            assert survey(made.context, made.mounted) == expected


@settings(max_examples=100)
@given(
    steps=st.lists(st.one_of(facts_recorded(), a_roll_proven()), max_size=8), share=st.floats(0, 1)
)
def test_until_the_edge_time_alone_changes_nothing(steps: list[Step], share: float) -> None:
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
        before = surveyor.survey(made.mounted)
        assert surveyor.edge is not None
        now = made.clock.at
        assert surveyor.edge > now
        for at in (surveyor.edge - MICRO, now + (surveyor.edge - now) * share - MICRO):
            made.clock.at = max(at, now)
            assert made.by_brute_force() == before


def test_what_is_well_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        monkeypatch.delattr(SqliteCatalog, "facts_of_roll")  # nothing may be looked at file by file
        assert surveyor.survey(made.mounted) == ()
        assert surveyor.edge == NOW + timedelta(hours=1)


@dataclass
class Counted:
    """How often a roll was looked at file by file."""

    times: int = 0

    def count(self, monkeypatch: pytest.MonkeyPatch) -> "Counted":
        ask = SqliteCatalog.facts_of_roll

        def asked(catalog: SqliteCatalog, ident: RollId) -> Iterator[Fact]:
            self.times += 1
            return ask(catalog, ident)

        monkeypatch.setattr(SqliteCatalog, "facts_of_roll", asked)
        return self


def test_only_the_roll_that_a_fact_is_about_is_looked_at_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with world() as made:
        well(made, MAIN, TRAVEL)  # and no third place: every roll needs something
        made.theirs.put_place(place(VAULT))
        surveyor = Surveyor(made.context)
        assert len(surveyor.survey(made.mounted)) == 3
        looked = Counted().count(monkeypatch)
        assert len(surveyor.survey(made.mounted)) == 3
        assert looked.times == 0
        made.theirs.note([Event(at=NOW, kind=EventKind.RAN, subject="report")])
        surveyor.survey(made.mounted)
        assert looked.times == 0  # written, but no fact
        made.theirs.record(facts=proofs_of(ROLLS[0], VAULT))
        assert len(surveyor.survey(made.mounted)) == 2
        assert looked.times == 1
        made.clock.at += timedelta(minutes=59)
        surveyor.survey(made.mounted)
        assert looked.times == 1


def test_a_mount_matters_only_where_something_was_read_from_the_cache(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with world() as made:
        well(made)
        warm = proofs_of(ROLLS[0], MAIN, NOW + MICRO, way=Way.WRITTEN, cold=False, mount="boot:1")
        made.theirs.record(facts=warm)
        made.clock.at += DAY / 48
        surveyor = Surveyor(made.context)
        (need,) = surveyor.survey({MAIN: "boot:1"})
        assert need.at[MAIN].vain
        looked = Counted().count(monkeypatch)
        surveyor.survey({MAIN: "boot:1", TRAVEL: "boot:9"})
        assert looked.times == 0
        (need,) = surveyor.survey({MAIN: "boot:2"})
        assert (looked.times, need.at[MAIN].vain) == (1, "")


def test_many_changes_at_once_are_sieved_not_looked_at_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    many = [roll(number, {"A.MP4": number}) for number in range(10, 40)]
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        surveyor.survey(made.mounted)
        looked = Counted().count(monkeypatch)
        for one in many:
            made.theirs.seal(one)
            for at in ROLES:
                made.theirs.record(facts=proofs_of(one, at))
        made.clock.at += timedelta(minutes=1)
        assert surveyor.survey(made.mounted) == ()
        assert looked.times == 0


def test_a_place_on_a_shared_device_is_seen_at_once() -> None:
    with world() as made:
        well(made, MAIN, TRAVEL, VAULT)
        surveyor = Surveyor(made.context)
        assert surveyor.survey(made.mounted) == ()
        made.mine.put_place(replace(place(TRAVEL), device="disk of main"))
        assert {need.same_device for need in surveyor.survey(made.mounted)} == {True}
