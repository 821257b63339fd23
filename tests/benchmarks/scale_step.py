"""What the planner's step costs on a large catalog, in a process of its own: prints one JSON object.

Asks of the catalog what the loop asks (``daemon.seeing``) and plans. Steps: the first of a daemon that
just began; one with nothing new; one after a worker proved a file; the hourly one.
"""

import json
import resource
import sys
import time
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from typing import Any, cast

from backupkeeper.actions.context import Context
from backupkeeper.actions.survey import AHEAD, Surveyor
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.config import parse_config
from backupkeeper.core.planner import plan
from backupkeeper.system.clock import RealClock
from tests.catalog.made import Watch
from tests.core.made_up_views import view


def steps(mine: SqliteCatalog, worker: SqliteCatalog, clock: Watch) -> dict[str, float]:
    """Seconds of processor and seconds of each kind of step."""
    nothing = cast("Any", None)  # a survey touches neither drives nor buckets
    context = Context(
        config=parse_config("", "made up", home="/tmp", state_home="/tmp"),
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
    surveyor = Surveyor(context)
    took: dict[str, float] = {}

    def step(name: str) -> None:
        begun = time.process_time()
        needs = surveyor.survey({})
        unlisted = surveyor.unlisted()
        places = {place.id: place for place in mine.places()}
        plan(view(now=clock.at, places=places, drives={}, needs=needs, unlisted=unlisted))
        took[name] = time.process_time() - begun
        took["rolls with needs"] = len(needs)

    step("first")
    step("nothing new")
    proven = next(iter(mine.facts_of_roll(mine.rolls()[len(mine.rolls()) // 2].id)))
    worker.record(facts=[replace(proven, at=clock.at)])
    clock.at += timedelta(seconds=1)
    step("after a proof")
    clock.at += AHEAD
    step("hourly")
    return took


def main() -> None:
    """Look at the catalog that is named first."""
    clock = Watch(at=RealClock().now())
    with (
        closing(open_catalog(sys.argv[1], clock=clock)) as mine,
        closing(open_catalog(sys.argv[1], clock=clock)) as worker,
    ):
        took = steps(mine, worker, clock)
    took["memory"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    sys.stdout.write(json.dumps(took))


if __name__ == "__main__":
    main()
