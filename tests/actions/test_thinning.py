"""Thinning changes no answer: every question to a whole catalog, before and after, under any policy and later too."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import event, given, settings, strategies as st

from backupkeeper.actions.doubting import DOUBTED_FOR
from backupkeeper.actions.health import BACK
from backupkeeper.actions.overview import YEAR, _harms
from backupkeeper.actions.survey import Surveyor
from backupkeeper.actions.thinning import let_go
from backupkeeper.core.harm import SUDDEN_WITHIN
from backupkeeper.core.model import CardEntry, CardFile, CardListing, Fact, PlaceId, Standing, Way
from backupkeeper.core.policy import copies_of
from backupkeeper.core.standing import edges_of, scale_of
from backupkeeper.core.thinning import EVERY, KEPT_WHOLE
from backupkeeper.core.verdict import Evidence, judge
from backupkeeper.ports.progress import Quiet
from tests.actions.survey_world import (
    DAY,
    MAIN,
    ROLES,
    ROLLS,
    STEPS,
    TRAVEL,
    VAULT,
    Step,
    World,
    place,
    proofs_of,
    well,
    world,
)
from tests.actions.test_covers import counted, one_by_one
from tests.core.made_up_lives import NOW, OF_BUCKET, OF_DRIVE, ONE, life

POLICIES = st.sampled_from(
    [
        "",
        "proof_days_drive = 3650\nproof_days_attested = 3650\nproof_days_downloaded = 3650",
        "proof_days_drive = 900\nproof_days_attested = 1\nproof_days_downloaded = 900",
        "proof_days_drive = 1\nproof_days_attested = 900\ndistinct_devices = false",
        'roles = ["primary", "cloud"]\nwipe_needs = ["cloud"]\nproof_days_downloaded = 1',
    ]
)
LATER = [timedelta(0), timedelta(hours=1), 20 * DAY, 100 * DAY, 900 * DAY, 4000 * DAY]


@st.composite
def lives_of_rolls(draw: st.DrawFn) -> list[Fact]:
    """Some of the rolls' files at some places, each with a life of its own."""
    found = []
    for roll in ROLLS[:3]:
        for file in roll.files:
            for at in draw(
                st.lists(st.sampled_from([MAIN, TRAVEL, VAULT]), min_size=1, unique=True)
            ):
                kinds = OF_BUCKET if at == VAULT else OF_DRIVE
                path = f"{roll.head.folder}/{file.path}"
                found += [
                    replace(
                        one, path=path, content=file.content if one.content == ONE else one.content
                    )
                    for one in draw(life(at, kinds))
                ]
    return found


def verdict(made: World) -> object:
    """On a card that holds the first two rolls, read just now."""
    files = [file for roll in ROLLS[:2] for file in roll.files]
    listing = CardListing(
        root="/card",
        files=tuple(CardEntry(path=one.path, size=one.size, mtime_ns=0) for one in files),
    )
    read = [CardFile(path=one.path, size=one.size, content=one.content) for one in files]
    places = {one.id: one for one in made.mine.places()}
    policy, contents = made.context.config.policy, {one.content for one in files}
    evidence = Evidence(
        places=places,
        copies=copies_of(
            sorted(made.mine.facts_of(contents), key=repr), places, policy, made.clock.at
        ),
        sealed=made.mine.sealed_among(contents),
        card_device=None,
    )
    return judge(listing, read, evidence, policy, made.clock.at)


def answers(made: World, now: datetime) -> Mapping[str, Any]:
    """All that is asked of a catalog, but for the facts themselves."""
    made.clock.at = now
    catalog, config = made.mine, made.context.config
    places = catalog.places()
    heads = catalog.rolls()
    edges = [timedelta(days=one) for one in edges_of(config.policy)]
    tallies = catalog.tallies(now, edges, scale_of(heads, now))
    sinces = [now - days * DAY for days in (0, 1, 30, 90, 400, 700, 1200, 3650)]
    surveyor = Surveyor(made.context)
    return {
        "covers": one_by_one(made),
        "counted": counted(made),
        "needs": surveyor.survey(made.mounted),
        "unlisted": surveyor.unlisted(),
        "verdict": verdict(made),
        "tallies": (
            tallies.places,
            set(tallies.ages),
            set(tallies.firsts),
            tallies.changed,
            tallies.missing,
        ),
        "harms": _harms(made.context, heads, places, tallies.changed, now),
        "ages": {one.id: catalog.proof_ages(one.id) for one in places},
        "holdings": {one.id: catalog.holdings(one.id) for one in places},
        "lacking": [
            catalog.not_plainly_proven(one.id, since) for one in places for since in sinces
        ],
        "harmed": [catalog.rolls_harmed(since) for since in sinces],
        "unsent": [catalog.unsent(head.id, one.id) for head in heads for one in places],
    }


def a_world(made: World, facts: list[Fact], standing: Standing | None) -> None:
    for ident in ROLES:
        made.theirs.put_place(place(ident))
    for roll in ROLLS[:3]:
        made.theirs.seal(roll)
    made.theirs.record(facts=facts)
    made.mounted.update({MAIN: "b:1", TRAVEL: "b:2"})
    if standing is not None:
        made.clock.at = NOW - 600 * DAY
        made.theirs.stand(MAIN, standing)
    made.clock.at = NOW


@settings(deadline=None, max_examples=25)
@given(
    lives_of_rolls(),
    POLICIES,
    st.sampled_from([None, None, Standing.ACTIVE, Standing.LOST]),
)
def test_no_answer_changes_now_or_later(
    facts: list[Fact], policy: str, standing: Standing | None
) -> None:
    with world(policy) as made:
        a_world(made, facts, standing)
        stayed = Surveyor(made.context)
        stayed.survey(made.mounted)
        before = {later: answers(made, NOW + later) for later in LATER}
        made.clock.at = NOW
        went = let_go(made.context, Quiet())
        event("something went" if went.facts else "nothing went")
        assert stayed.survey(made.mounted) == made.by_brute_force()
        for later in LATER:
            after = answers(made, NOW + later)
            assert {name: after[name] for name in after} == before[later]


@settings(deadline=None, max_examples=25)
@given(lives_of_rolls(), st.lists(STEPS, max_size=5), POLICIES)
def test_whatever_happens_after_it_is_answered_as_if_nothing_had_gone(
    facts: list[Fact], steps: list[Step], policy: str
) -> None:
    with world(policy) as thinned, world(policy) as whole:
        surveyors = [Surveyor(made.context) for made in (thinned, whole)]
        for made in (thinned, whole):
            a_world(made, facts, None)
        let_go(thinned.context, Quiet())
        for step in steps:
            for made, surveyor in zip((thinned, whole), surveyors, strict=True):
                step(made, surveyor)
            thinned.clock.at = whole.clock.at  # one step goes by what the surveyor waits for
            # A clock set back is another matter: then nothing is better (tests/core).
            if thinned.clock.at >= NOW:
                assert counted(thinned) == one_by_one(thinned) == one_by_one(whole)
                assert surveyors[0].survey(thinned.mounted) == whole.by_brute_force()


def years_of(at: PlaceId, first: int, last: int) -> list[Fact]:
    """A proof of all in the first roll every ninety days."""
    return [one for days in range(first, last, -90) for one in proofs_of(ROLLS[0], at, NOW - days * DAY, way=Way.REHASH)]  # fmt: skip


def test_the_daemon_looks_at_no_roll_again_because_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    with world() as made:
        well(made)
        made.theirs.record(facts=years_of(MAIN, 1500, 0))
        made.clock.at = NOW
        surveyor = Surveyor(made.context)
        needs = surveyor.survey(made.mounted)
        worker = replace(made.context, catalog=made.theirs)
        assert let_go(worker, Quiet()).facts > 10
        monkeypatch.setattr(Surveyor, "_examine", None)
        assert surveyor.survey(made.mounted) == needs


def test_all_that_is_told_of_the_last_year_looks_at_every_fact_of_it() -> None:
    assert max(DOUBTED_FOR + SUDDEN_WITHIN, BACK, YEAR, EVERY) < KEPT_WHOLE


class _StopAt:
    """Progress in which somebody stops the work."""

    def __init__(self, step: int) -> None:
        self.left = step

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None: ...
    def file(self, path: str) -> None: ...
    def note(self, text: str) -> None: ...
    def end(self) -> None: ...

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        self.left -= 1
        if not self.left:
            raise KeyboardInterrupt


@pytest.mark.parametrize("step", [1, 2, 3])
def test_stopped_it_goes_on_where_it_was(step: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("backupkeeper.catalog.thinning.FACTS_AT_ONCE", 1)
    with world() as made:
        well(made)
        made.theirs.record(facts=years_of(MAIN, 1500, 0))
        made.clock.at = NOW
        with suppress(KeyboardInterrupt):
            let_go(made.context, _StopAt(step))
        first = 2 * 11  # of two files all but the first and the latest that are older than 400 days
        went = {1: 0, 2: 11, 3: 22}[step]
        assert let_go(made.context, Quiet()).facts == first - went
        assert let_go(made.context, Quiet()).facts == 0
