"""What the buckets hold by storage class, and what that costs by the person's prices."""

from collections import Counter

from backupkeeper.actions.context import Context
from backupkeeper.core.errors import BackupkeeperError, UsageError
from backupkeeper.core.model import Place, PlaceKind, Standing
from backupkeeper.core.prices import BucketCost, Held, a_month, to_fetch_all


def costs(context: Context, name: str | None) -> tuple[BucketCost, ...]:
    """List each bucket (or the one that is named), whole, below its prefix; nothing is fetched.

    Raises:
        UsageError: no bucket has that name.
    """
    buckets = [
        place
        for place in context.catalog.places()
        if place.kind is PlaceKind.BUCKET
        and place.standing is Standing.ACTIVE
        and (name is None or place.name.casefold() == name.casefold())
    ]
    if name is not None and not buckets:
        raise UsageError(
            f"No bucket is called {name}.", advice="backupkeeper place list shows them."
        )
    return tuple(_cost(context, place) for place in buckets)


def _cost(context: Context, place: Place) -> BucketCost:
    objects: Counter[str] = Counter()
    sizes: Counter[str] = Counter()
    prices = context.config.prices
    try:
        for entry in context.open_bucket(place).listing():
            objects[entry.shelf] += 1
            sizes[entry.shelf] += entry.size
    except BackupkeeperError as error:
        return BucketCost(name=place.name, held=(), currency=prices.currency, trouble=str(error))
    held = tuple(
        Held(shelf=shelf, objects=count, size_bytes=sizes[shelf])
        for shelf, count in sorted(objects.items())
    )
    return BucketCost(
        name=place.name,
        held=held,
        currency=prices.currency,
        a_month=a_month(prices, held),
        to_fetch=to_fetch_all(prices, held),
    )
