"""Readings beside damage do not wait for the night; a sample keeps an object young; worn drives are told."""

from datetime import timedelta

from backupkeeper.core.deeds import DeedKind, Hours, RollNeed, Standing
from backupkeeper.core.lacking import wants
from backupkeeper.core.matters import Patience, matters
from backupkeeper.core.model import CopyState, Fact, Way
from backupkeeper.core.needs import Circumstances, Proof, proof_wanted
from backupkeeper.core.planner import plan
from backupkeeper.core.policy import Policy, copies_of
from tests.core.made_up_copies import CLIP, MAIN, NOW, PLACES, TRAVEL, VAULT, copy, fact, place
from tests.core.made_up_views import AGEING, BOTH, GB, need, view

BEFORE = NOW - timedelta(days=3)


def beside() -> RollNeed:
    standing = Standing(
        files=2, size_bytes=GB, unproven_files=1, unproven_bytes=GB, neighbours=True, before=BEFORE
    )
    return need(at={MAIN: standing})


def test_what_lies_beside_damage_is_read_by_day_without_a_bound_and_says_why() -> None:
    (deed,) = plan(view(needs=(beside(),), hours=Hours(proof_s=0.0))).start
    assert (deed.kind, deed.budget_s, deed.before) == (DeedKind.PROVE, None, BEFORE)
    assert "errors come in clusters" in deed.why


def test_what_is_only_ageing_on_a_drive_that_is_not_here_is_no_news() -> None:
    made = plan(view(needs=(AGEING,), drives={TRAVEL: BOTH[TRAVEL]}))
    assert (made.start, made.waiting) == ((), ())


def stored(*facts: Fact) -> Proof:
    (one,) = copies_of(facts, PLACES, Policy(), NOW)[CLIP]
    lead = timedelta(days=14)
    return proof_wanted(one, Circumstances(places=PLACES, policy=Policy(), now=NOW, lead=lead))


def test_an_object_that_was_fetched_back_since_is_as_young_as_that() -> None:
    old = fact(Way.ATTESTED, 20, place=VAULT)
    assert stored(old) is Proof.AGEING
    assert stored(old, fact(Way.DOWNLOADED, 1, place=VAULT)) is Proof.NOT_WANTED
    assert stored(old, fact(Way.DOWNLOADED, 21, place=VAULT)) is Proof.AGEING


def test_a_role_whose_copy_elsewhere_is_proven_or_only_wants_reading_wants_no_other() -> None:
    spare = place("spare")
    places = {**PLACES, spare.id: spare}
    for state in (CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN):
        own = [copy(spare.id, state)]
        assert not wants(own, own, PLACES[MAIN], places, Policy())
    gone = [copy(spare.id, CopyState.MISSING)]
    assert wants(gone, gone, PLACES[MAIN], places, Policy())


def test_a_drive_that_should_be_replaced_is_told_with_its_reasons() -> None:
    seen = view(worn={MAIN: "It gave 9 errors."})
    told = matters(seen, plan(seen), seen={}, patience=Patience(), commands={})
    (one,) = [matter for matter in told if matter.id == f"worn|{MAIN}"]
    assert one.urgent
    assert one.body.startswith("It gave 9 errors. See that nothing on it")
