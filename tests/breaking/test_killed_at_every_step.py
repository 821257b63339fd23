"""Killed at every system call that changes something, and begun again: as if nothing had happened.

Short in every run of the tests (a few moments of each deed), every one in ``make break``.
"""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import pytest

from backupkeeper.actions import bringing
from backupkeeper.actions.landings import landed_fact
from backupkeeper.catalog import opening
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.batches import Landed
from tests.breaking.moments import Moment
from tests.breaking.scene import Scene, State
from tests.breaking.scenes import OLD_SCHEMA, SCENES
from tests.breaking.store import Store
from tests.breaking.stories import IS_LONG, say
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

pytest_plugins = ["tests.real.store_fixtures"]

FEW: Final = int(os.environ.get("FEW", "3"))
"""Moments of each deed in the short form."""
CHOSEN: Final = int(os.environ.get("BACKUPKEEPER_MOMENT") or 0)
"""The one moment to try, by its number; 0: not one alone."""
VERSIONS: Final = {0, OLD_SCHEMA, max(opening.scripts())}


def check_catalog(file: Path) -> None:
    """Whole, and of the old schema or the new."""
    if not file.exists():
        return
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA user_version").fetchone()[0] in VERSIONS


def chosen(moments: list[Moment]) -> list[tuple[int, Moment]]:
    numbered = list(enumerate(moments, 1))
    if CHOSEN:
        return [numbered[CHOSEN - 1]]
    return numbered if IS_LONG else numbered[len(moments) // (2 * FEW) :: len(moments) // FEW]


def tried(scene: Scene, moment: Moment, end: State, log: Path) -> bool:
    """Killed, looked at, begun again; whether it was killed."""
    died = scene.killed(moment, log)
    check_catalog(scene.catalog)
    scene.check_promises(end)
    scene.do()
    scene.finish()
    assert scene.state().other_than(end) == []
    return died


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace")
@pytest.mark.parametrize("name", SCENES)
def test_killed_at_every_step_and_begun_again(
    name: str, tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    world, log = World(), tmp_path / "strace"
    with strict_store(world) as url:
        scene = Scene(tmp_path / "yard", Store(world, url, "yard"), *SCENES[name])
        moments = scene.moments(log)
        scene.finish()
        end = scene.state()
        missed = []
        for number, moment in chosen(moments):
            try:
                if not tried(scene, moment, end, log):
                    missed.append(str(moment))
            except BaseException:
                again = f"make break MOMENT={number} ARGS=\"-k 'begun_again and {name}'\""
                say(f"{name}, {moment}; again: {again}")
                raise
    tries = len(chosen(moments))
    say(f"{name}: killed at {tries - len(missed)} of {len(moments)} calls; did not come: {missed}")
    # Threads share the work out as they like, so now and then a call comes in another one, or not at all.
    assert len(missed) <= max(1, tries // 20)


def writes_under_the_final_name(patch: pytest.MonkeyPatch) -> None:
    patch.setattr("backupkeeper.transfer.durable.temp_name", lambda path: path)
    patch.setattr(RealFiles, "rename_new", lambda *_: None)


def keeps_nothing_aside(patch: pytest.MonkeyPatch) -> None:
    patch.setattr("backupkeeper.transfer.placing._keep", lambda *_: True)


def records_before_it_names(patch: pytest.MonkeyPatch) -> None:
    """A mirror that believes that all will be there, before anything is."""
    real = bringing._copy_round

    def copy_round(context: Any, target: Any, tasks: Any, *rest: Any) -> Any:
        contents = context.catalog.contents(task.file.content for task in tasks)
        landed = Landed(cold=True, evidence="pages dropped", why_not_cold="")
        context.catalog.record(
            facts=[
                landed_fact(context, target, task.target, contents[task.file.content], landed)
                for task in tasks
            ]
        )
        return real(context, target, tasks, *rest)

    patch.setattr(bringing, "_copy_round", copy_round)


SABOTAGES: Final = (
    ("offload", writes_under_the_final_name, "holds wrong bytes"),
    ("mirror", records_before_it_names, "is proven, and is not there"),
    ("repair", keeps_nothing_aside, "is not kept"),
)
"""Of which deed, how it is broken, and what is said then."""


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace")
@pytest.mark.parametrize(
    ("name", "sabotage", "told"),
    SABOTAGES if IS_LONG else SABOTAGES[:2],
)
def test_a_program_that_a_kill_can_harm_is_noticed(
    name: str,
    sabotage: Callable[[pytest.MonkeyPatch], None],
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    world, log = World(), tmp_path / "strace"
    with strict_store(world) as url:
        scene = Scene(tmp_path / "yard", Store(world, url, "yard"), *SCENES[name])
        sabotage(monkeypatch)
        moments = scene.moments(log)
        scene.finish()
        end = scene.state()
        on_drives = [one for one in moments if "Boatyard" in one.path]
        some = on_drives[:: max(1, len(on_drives) // 12)]
        with pytest.raises(AssertionError, match=told):
            assert [tried(scene, moment, end, log) for moment in some] == []
