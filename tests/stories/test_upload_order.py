"""By hand, too, what has the fewest copies goes off site first, and small files before large ones."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, clip
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})
LARGE = 5_000_000


@pytest.fixture
def yard(
    tmp_path: Path, credentials: object, at_once: object, one_loader: object
) -> Iterator[tuple[ScopedYard, Rules]]:
    rules = Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)
    with refusing_store(rules) as url:
        yard = ScopedYard(tmp_path, policy="distinct_devices = false")
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        yield yard, rules


def offload(yard: ScopedYard, shoot: str, seed: int) -> None:
    card = yard.card(
        f"card {seed}",
        {"A001.MP4": clip(seed, LARGE), "A002.MP4": clip(seed + 50), "Z.XML": b"%d" % seed},
    )
    with yard.keeper() as keeper:
        assert keeper.offload(
            str(card), shoot=shoot, source="Wide", roll=None, progress=QUIET
        ).sealed


def sent(rules: Rules) -> list[str]:
    """Originals in the order in which they arrived, by shoot, roll and name."""
    found: list[str] = []
    for verb, path, _ in rules.seen:
        parts = path.partition("?")[0].replace("%20", " ").split("/Originals/Wide/")
        name = f"{parts[0][-15:-9]} {parts[-1]}"
        if verb == "PUT" and name.endswith(("MP4", "XML")) and "ascmhl" not in name:
            found.append(name)
    return list(dict.fromkeys(found))


def test_the_roll_with_fewest_copies_then_the_newest_shoot_and_small_files_first(
    yard: tuple[ScopedYard, Rules],
) -> None:
    world, rules = yard
    offload(world, "260612 Boatyard", 1)
    offload(world, "260613 Boatyard", 2)
    away = world.root / "Travel"
    away.rename(world.root / "in the other bag")
    offload(world, "260611 Boatyard", 3)  # on one drive only: it is in most danger
    with world.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert (outcome.sent_files, outcome.troubles) == (9, ())
    told = sent(rules)
    for number, day in enumerate(("260611", "260613", "260612")):
        small, large = told[3 * number : 3 * number + 2], told[3 * number + 2]
        # Small files travel side by side.
        assert sorted(small) == [f"{day} Roll 01/A002.MP4", f"{day} Roll 01/Z.XML"]
        assert large == f"{day} Roll 01/A001.MP4"
