"""Opening the bucket of a place, with what the person set and what is remembered of it."""

from backupkeeper.actions.context import OpenBucket
from backupkeeper.actions.place_check import check_of
from backupkeeper.cloud.throttle import Throttle
from backupkeeper.config import Config
from backupkeeper.core.model import EventKind, Place
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.catalog import Catalog
from backupkeeper.ports.clock import Clock, Entropy


def bucket_opener(
    config: Config, catalog: Catalog, clock: Clock, entropy: Entropy, throttle: Throttle
) -> OpenBucket:
    """What opens buckets. The library behind it is loaded with the first of them."""

    def bucket_of(place: Place, *, hurried: bool = False) -> Bucket:
        # Here, not above: the library behind it takes a third of a second to load.
        from backupkeeper.cloud.bucket import open_bucket  # noqa: PLC0415
        from backupkeeper.cloud.keeping import Retention  # noqa: PLC0415
        from backupkeeper.cloud.tuning import Tuning  # noqa: PLC0415

        check = check_of(catalog.latest(EventKind.CHECKED).get(place.id))
        return open_bucket(
            place.location,
            endpoint=place.endpoint,
            profile=place.profile,
            clock=clock,
            entropy=entropy,
            addressing=config.upload.addressing,
            parallel_parts=config.upload.parallel_parts,
            tuning=Tuning(connect_timeout=5.0, read_timeout=15.0, attempts=1, throttle=throttle)
            if hurried
            else Tuning(throttle=throttle),
            retention=Retention(
                days=config.upload.retention_days, mode=config.upload.retention_mode
            ),
            remembered=check.findings if check.is_fresh(clock.now()) else None,
        )

    return bucket_of
