"""The monthly sample, against a store of our own that attests and counts what is fetched."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.sample_budget import sample_warnings
from backupkeeper.core.model import Role
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import clip
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {f"DCIM/BOAT{n:04}.MP4": clip(n, 300_000) for n in range(6)}
ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})


class SampledYard(ScopedYard):
    """A yard with a bucket, and its store seen from behind."""

    rules: Rules

    def fetched(self) -> list[str]:
        """Originals that were fetched since the last time."""
        paths = [path for verb, path, _ in self.rules.seen if verb == "GET" and "MP4" in path]
        self.rules.seen.clear()
        return paths


@contextmanager
def sampled(root: Path, proofs: str) -> Iterator[SampledYard]:
    rules = Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)
    with refusing_store(rules) as url:
        yard = SampledYard(root, policy=f"distinct_devices = false\n[proofs]\n{proofs}")
        yard.rules = rules
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        assert yard.offload(yard.card("card", CARD)).sealed
        assert not yard.upload_one(origin="Main").troubles
        yard.fetched()
        yield yard


@pytest.fixture(autouse=True)
def _store(credentials: object, at_once: object, one_loader: object) -> None:
    """As the other stories with a store."""


def test_within_the_years_everything_was_fetched_back_once(tmp_path: Path) -> None:
    with sampled(tmp_path, "bucket_years = 1") as yard:
        counts: list[int] = []
        seen: set[str] = set()
        for _ in range(25):  # every 15 days, a little more than a year
            yard.clock.at += timedelta(days=15)
            yard.upload_one(origin=None)
            fetched = yard.fetched()
            counts.append(len(fetched))
            seen |= set(fetched)
        assert len(seen) == len(CARD)
        assert max(counts) < len(CARD), "not all at once"
        assert sum(counts) <= len(CARD) + 1
        with yard.context() as context:
            assert sample_warnings(context) == ()


def test_a_months_budget_bounds_it_and_what_it_can_not_hold_is_said(tmp_path: Path) -> None:
    budget = 'bucket_years = 1\nbucket_month_gb = "0.000100"'
    with sampled(tmp_path, budget) as yard:
        months: dict[tuple[int, int], int] = {}
        for _ in range(12):
            yard.clock.at += timedelta(days=45)  # the sample of several months becomes due at once
            for _ in range(3):
                yard.upload_one(origin=None)
            now = yard.clock.at
            months[now.year, now.month] = months.get((now.year, now.month), 0) + len(yard.fetched())
        assert max(months.values()) == 1, "a file that was begun is fetched whole, then no more"
        with yard.context() as context:
            (told,) = sample_warnings(context)
        assert told.startswith("Off site: to fetch everything back within a year")
        assert "with the budget it takes 1.5" in told


def test_a_budget_of_money_without_prices_fetches_nothing_and_says_so(tmp_path: Path) -> None:
    with sampled(tmp_path, 'bucket_years = 1\nbucket_month_cost = "1"') as yard:
        for _ in range(10):
            yard.clock.at += timedelta(days=40)
            yard.upload_one(origin=None)
        assert yard.fetched() == []
        with yard.context() as context:
            assert "nothing is fetched at all" in sample_warnings(context)[0]
