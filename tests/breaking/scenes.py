"""Six deeds on a small set: what stands before, what is done, and what comes after."""

import os
import shutil
import sqlite3
from contextlib import closing
from typing import Final

from backupkeeper.catalog import opening
from backupkeeper.core.model import Role
from backupkeeper.core.rebuilding import RebuildWish
from backupkeeper.wiring import Keeper
from tests.breaking.scene import BUCKET, DRIVES, Scene
from tests.stories.yard import QUIET, SHOOT, roll_folder, rot

ROTTEN: Final = "DCIM/A0001.MP4"
OLD_SCHEMA: Final = 2

# How each begins.


def _drives(scene: Scene, *, bucket: bool = False) -> None:
    for name, role in zip(DRIVES, (Role.PRIMARY, Role.SECONDARY), strict=True):
        scene.take_in(name, role)
    if bucket:
        scene.ask(
            lambda keeper: keeper.add_bucket(
                scene.store.location,
                role=Role.CLOUD,
                name=BUCKET,
                endpoint=scene.store.url,
                profile=None,
            )
        )


def _with_one_drive(scene: Scene) -> None:
    _drives(scene)
    scene.without("Travel", lambda keeper: _offload(scene, keeper))


def _offloaded(scene: Scene) -> None:
    _drives(scene)
    scene.ask(lambda keeper: _offload(scene, keeper))


def _with_bucket(scene: Scene) -> None:
    _drives(scene, bucket=True)
    scene.ask(lambda keeper: _offload(scene, keeper))


def _rotten(scene: Scene) -> None:
    _offloaded(scene)
    rot(roll_folder(scene.root / "Main") / ROTTEN, 700, b"\xa5" * 4096)
    scene.ask(lambda keeper: keeper.verify("Main", progress=QUIET))


def _lose_catalog(scene: Scene) -> None:
    for path in scene.catalog.parent.glob("catalog.sqlite*"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def _without_catalog(scene: Scene) -> None:
    _offloaded(scene)
    _lose_catalog(scene)


_WITH_PATHS: Final = (
    "(SELECT c.*, CAST(d.path || c.name AS BLOB) AS path "
    "FROM new.copies c JOIN new.folders d ON d.no = c.folder)"
)


def _of_an_old_schema(scene: Scene) -> None:
    """The catalog as the program of some schemas ago would have it: what its tables can hold."""
    _offloaded(scene)
    file = scene.catalog
    new = scene.root / "new.sqlite"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("VACUUM INTO ?", (str(new),))
    _lose_catalog(scene)
    old = {number: script for number, script in opening.scripts().items() if number <= OLD_SCHEMA}
    os.close(os.open(file, os.O_CREAT | os.O_WRONLY, 0o600))
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        opening.migrate(connection, str(file), old)
        connection.execute("ATTACH ? AS new", (str(new),))
        connection.execute("PRAGMA foreign_keys = OFF")
        tables = connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'")
        for (table,) in tables.fetchall():
            if connection.execute(f"SELECT 1 FROM main.{table} LIMIT 1").fetchone():
                continue  # words that the schema itself knows
            source = _WITH_PATHS if table == "copies" else f"new.{table}"
            names = [
                {row[0] for row in connection.execute(f"SELECT * FROM {one} LIMIT 0").description}
                for one in (f"main.{table}", source)
            ]
            columns = ", ".join(sorted(names[0] & names[1]))
            connection.execute(
                f"INSERT OR IGNORE INTO main.{table} ({columns}) SELECT {columns} FROM {source}"
            )
        connection.execute("DETACH new")
    new.unlink()


# What is done.


def _offload(scene: Scene, keeper: Keeper) -> None:
    keeper.offload(str(scene.card), shoot=SHOOT, source="Wide", roll=None, progress=QUIET)


def _mirror(_: Scene, keeper: Keeper) -> None:
    keeper.mirror(progress=QUIET)


def _upload(_: Scene, keeper: Keeper) -> None:
    keeper.upload(progress=QUIET)


def _repair(_: Scene, keeper: Keeper) -> None:
    keeper.repair(None, dry_run=False, edited=False, in_doubt=False, progress=QUIET)


def _rebuild(scene: Scene, keeper: Keeper) -> None:
    drives = tuple(str(scene.root / name) for name in DRIVES)
    keeper.rebuild(RebuildWish(sources=drives, merge=True), progress=QUIET)


def _verify(_: Scene, keeper: Keeper) -> None:
    """Puts right in manifests what a killed repair left there."""
    keeper.verify(None, progress=QUIET)


def _open(_: Scene, __: Keeper) -> None:
    """Nothing: to open the catalog is the deed."""


SCENES: Final = {
    "offload": (_drives, _offload, _open),
    "mirror": (_with_one_drive, _mirror, _open),
    "upload": (_with_bucket, _upload, _open),
    "repair": (_rotten, _repair, _verify),
    "verify": (_offloaded, _verify, _open),
    "rebuild": (_without_catalog, _rebuild, _open),
    "migration": (_of_an_old_schema, _open, _open),
}
"""What stands before, what is done, and what comes after."""
