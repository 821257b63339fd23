"""The yearly sample of what a store attested: fetched back once, and a look goes on counting."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Way,
)
from backupkeeper.core.policy import Policy, copy_of
from backupkeeper.core.sampling import Sampling, sample_due
from backupkeeper.core.scrub import sample_moment

DAY = timedelta(days=1)
BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
VAULT = Place(
    id=PlaceId("vault"), name="Vault", role=Role.CLOUD, kind=PlaceKind.BUCKET,
    created_at=BEGIN, location="s3://yard/boats",
)  # fmt: skip
SENT = Fact(
    at=BEGIN, place=VAULT.id, path="a", content=Blake3("ab" * 32), way=Way.ATTESTED,
    result=Result.MATCHES, version="1",
)  # fmt: skip
MOMENT = sample_moment(SENT.content, BEGIN + 365 * DAY, percent=100)


def look(day: int, version: str = "1") -> Fact:
    return replace(SENT, at=BEGIN + day * DAY, way=Way.LOOKED, version=version)


def fetched(day: int, result: Result = Result.MATCHES, version: str = "1") -> Fact:
    return replace(SENT, at=BEGIN + day * DAY, way=Way.DOWNLOADED, result=result, version=version)


def state(day: int, *facts: Fact) -> CopyState:
    return copy_of([SENT, *facts], VAULT, Policy(), BEGIN + day * DAY).state


def test_a_sample_that_matched_leaves_the_attestation_to_looks() -> None:
    assert state(400, fetched(20), look(390)) is CopyState.PROVEN
    assert state(100, fetched(20)) is CopyState.PROVEN, "its own year counts too"
    assert state(400, fetched(20), look(300)) is CopyState.DUE
    assert state(400, fetched(20), fetched(340)) is CopyState.PROVEN


def test_a_sample_that_did_not_match_is_damage_whatever_is_looked_at() -> None:
    bad = fetched(20, Result.DAMAGED)
    assert state(30, bad, look(29)) is CopyState.DAMAGED
    assert state(60, bad, fetched(50), look(59)) is CopyState.PROVEN, "by its own year"
    assert state(500, bad, fetched(50), look(499)) is CopyState.DUE, "the attestation is undone"


def test_another_version_is_another_object() -> None:
    assert state(30, fetched(20), look(29, "2")) is CopyState.WRITTEN
    assert state(500, fetched(20, version="2"), look(499, "2")) is CopyState.DUE


def test_each_sampled_object_is_fetched_back_once_in_its_moment() -> None:
    assert MOMENT is not None
    before, after = MOMENT - DAY, MOMENT + DAY
    early = replace(SENT, at=MOMENT - 30 * DAY)

    def due(at: datetime, *facts: Fact, percent: float = 100) -> bool:
        return sample_due(copy_of(facts, VAULT, Policy(), at), at, Sampling(percent=percent))

    assert due(after, early)
    assert not due(after, early, percent=0)
    assert not due(after, replace(early, at=after)), "it came after the moment"
    done = replace(early, at=MOMENT + timedelta(hours=1), way=Way.DOWNLOADED)
    assert not due(after, early, done)
    assert due(after, early, replace(done, at=before)), "that was for another moment"
    assert not due(after, replace(early, way=Way.WRITTEN)), "it has no proof at all yet"
    assert not due(after, replace(early, way=Way.DOWNLOADED)), "nothing attests it"
