"""``gaps`` and ``report`` on a large catalog: seconds of processor, so that a busy machine counts less.

The report in every form: terminal, JSON, page (and its size), mail.

10,000 rolls of 20 files, all proven at three places (BENCH_ROLLS for others).
"""

import os
import resource
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.model import Fact, Place, PlaceId, PlaceKind, Result, Role, Way
from backupkeeper.system.clock import RealClock
from tests.benchmarks.conftest import Row
from tests.benchmarks.stand import CHECKOUT
from tests.catalog.made import content, roll

ROLLS = int(os.environ.get("BENCH_ROLLS", "10000"))
FILES = 20
PLACES = {
    PlaceId("main"): (Role.PRIMARY, PlaceKind.DRIVE),
    PlaceId("travel"): (Role.SECONDARY, PlaceKind.DRIVE),
    PlaceId("vault"): (Role.CLOUD, PlaceKind.BUCKET),
}


def filled(catalog: SqliteCatalog, now: datetime) -> None:
    for ident, (role, kind) in PLACES.items():
        catalog.put_place(
            Place(
                id=ident,
                name=ident.title(),
                role=role,
                kind=kind,
                created_at=now - timedelta(days=900),
                location=f"/media/{ident}",
                device=f"disk of {ident}",
            )
        )
    for number in range(ROLLS):
        seeds = [number * FILES + file for file in range(FILES)]
        one = roll(seeds, ident=f"roll {number}", name=f"Roll {number:05}")
        proven = now - timedelta(days=1 + number % 25)
        with catalog.transaction():
            catalog.record(
                contents=[content(seed) for seed in seeds],
                facts=[
                    _proof(ident, f"{one.head.folder}/{file.path}", file.content, proven)
                    for file in one.files
                    for ident in PLACES
                ],
            )
            catalog.seal(one)


def _proof(ident: PlaceId, path: str, name: Any, at: datetime) -> Fact:
    in_bucket = PLACES[ident][1] is PlaceKind.BUCKET
    return Fact(
        at=at,
        place=ident,
        path=path,
        content=name,
        way=Way.ATTESTED if in_bucket else Way.REHASH,
        result=Result.MATCHES,
        cold=not in_bucket,
        version="v1" if in_bucket else None,
    )


def bench_a_report_of_many_rolls(tmp_path: Path, row: Row) -> None:
    path = tmp_path / "catalog.sqlite"
    with closing(open_catalog(str(path), clock=RealClock())) as catalog:
        filled(catalog, datetime.now(tz=UTC))
    (tmp_path / "config.toml").write_text(
        f'[catalog]\npath = "{path}"\n[mail]\nto = "me@boatyard.example"\n'
        'sender = "me@boatyard.example"\nhost = "localhost"\nsecurity = "none"\n'
    )
    page = tmp_path / "report.html"
    for command in (
        "gaps",
        "report",
        "report --json",
        f"report --html {page.name}",
        "report --mail --preview mail.eml",
    ):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-m", "backupkeeper", *command.split()],
            cwd=tmp_path,
            env={
                "PATH": os.environ["PATH"],
                "HOME": str(tmp_path),
                "PYTHONPATH": CHECKOUT,
                "BACKUPKEEPER_CONFIG": str(tmp_path / "config.toml"),
            },
            stdout=subprocess.DEVNULL,
            check=False,
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        row(
            f"{ROLLS:,} rolls, {ROLLS * FILES:,} files, {3 * ROLLS * FILES:,} facts; "
            f"memory up to here {after.ru_maxrss // 1024} MB",
            f"{seconds:.1f} s of processor",
            "3 s",
            f"backupkeeper {command}",
        )
    row(
        f"{ROLLS:,} rolls: bytes of the page",
        f"{page.stat().st_size:,}",
        "5,000,000",
        "report --html",
    )
