"""How everything stands where there is a bucket; and that none is asked for it."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from tzlocal import get_localzone

from backupkeeper.actions.overview import overview
from backupkeeper.core.arrival import Arrival
from backupkeeper.core.model import Role
from backupkeeper.core.overview import Overview, Worry
from backupkeeper.core.status import DriveStatus
from tests.report.test_status import IDLE
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, clip
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})
PRICES = '[prices]\ncurrency = "EUR"\nfetch_gb = 0.08\nrequests_1000 = 0.01\n[prices.month_gb]\nSTANDARD = 0.02\n'


@pytest.fixture
def yard(
    tmp_path: Path, credentials: object, at_once: object, one_loader: object
) -> Iterator[tuple[ScopedYard, Rules]]:
    rules = Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)
    with refusing_store(rules) as url:
        yard = ScopedYard(tmp_path, policy=f"distinct_devices = false\n{PRICES}")
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        yield yard, rules


def seen(yard: ScopedYard) -> Overview:
    with yard.keeper() as keeper:
        return keeper.overview()


def test_what_a_bucket_lacks_and_what_it_holds_without_asking_it(
    yard: tuple[ScopedYard, Rules],
) -> None:
    world, rules = yard
    world.offload(world.card("WIDE", {"DCIM/A.MP4": clip(1), "DCIM/B.MP4": clip(2)}))
    asked = len(rules.seen)
    found = seen(world)
    assert len(rules.seen) == asked
    assert found.worry is Worry.SOON
    assert "backupkeeper upload" in {one.command for one in found.steps}
    (bucket,) = found.buckets
    assert bucket.arrival is not None
    assert bucket.arrival.to_go == 600_000
    assert (bucket.held_files, bucket.last_proven) == (0, None)
    assert bucket.checked_at is not None
    with world.keeper() as keeper:
        keeper.upload(progress=QUIET)
    world.clock.at += timedelta(days=2)
    asked = len(rules.seen)
    found = seen(world)
    assert len(rules.seen) == asked
    assert found.worry is Worry.NONE
    (bucket,) = found.buckets
    assert (bucket.held_files, bucket.held_bytes, bucket.arrival) == (2, 600_000, None)
    assert bucket.last_proven is not None
    assert bucket.fetched_files == 0
    assert bucket.cost is not None
    assert (bucket.cost.objects, bucket.cost.size_bytes, bucket.cost.currency) == (
        2,
        600_000,
        "EUR",
    )
    assert bucket.cost.a_month is not None
    assert found.levels[-1].proven_bytes[Role.CLOUD] == 600_000


def test_a_daemon_that_runs_says_what_is_here_and_what_is_on_its_way(
    yard: tuple[ScopedYard, Rules],
) -> None:
    world, _ = yard
    world.offload(world.card("WIDE", {"DCIM/A.MP4": clip(1)}))
    coming = Arrival(place="Off site", to_go=5)
    status = replace(
        IDLE,
        drives=(
            DriveStatus(name="Main", role="primary", point="/media/main", free_bytes=5),
            DriveStatus(name="Travel", role="secondary"),
        ),
        arrivals=(coming,),
    )
    with world.keeper() as keeper:
        found = overview(keeper.context, tz=get_localzone(), status=status, notes=("It is slow.",))
    main, travel = found.drives
    assert (main.is_here, main.free_bytes, main.free_at) == (True, 5, found.at)
    assert travel.is_here is False  # though its folder is there: the daemon has looked
    assert found.buckets[0].arrival == coming
    assert found.status == status
    assert found.notes[-1] == "It is slow."
