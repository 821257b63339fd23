"""The power goes at random instants, on real file systems; the same command begun again ends as ever.

The process is killed on entering a random system call, and in the same moment the file systems of a drive, of
the catalog, or of all of them lose what had not reached the medium. Short in every run of the tests,
hundreds of instants in ``make break`` (``CUTS`` of each deed).
"""

import os
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Final

import pytest

from backupkeeper.system.files import RealFiles
from tests.breaking.moments import Moment
from tests.breaking.on_drives import CUTS, MEMORY, DriveScene
from tests.breaking.scene import DRIVES, State
from tests.breaking.scenes import SCENES
from tests.breaking.store import Store
from tests.breaking.stories import IS_LONG, say
from tests.breaking.test_killed_at_every_step import CHOSEN, check_catalog
from tests.breaking.test_model import SEED
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

pytest_plugins = ["tests.real.store_fixtures"]

HOW_OFTEN: Final = int(os.environ.get("CUTS") or (60 if IS_LONG else 1))
"""Instants of each deed."""
ON_DRIVES: Final = (*((name,) for name in DRIVES), (MEMORY,), (*DRIVES, MEMORY))
WHOSE: Final = {
    "offload": ON_DRIVES,
    "mirror": ON_DRIVES,
    "upload": ((MEMORY,),),
    "repair": ON_DRIVES,
    "rebuild": ON_DRIVES,
}
"""Whose power goes, of each deed."""


@dataclass(frozen=True)
class Cut:
    """The power of some goes at a moment."""

    moment: Moment
    whose: tuple[str, ...]
    how: str

    def __str__(self) -> str:
        return f"{self.moment}, the power of {' and '.join(self.whose)}, {self.how}"


def drawn(name: str, number: int, moments: list[Moment]) -> tuple[Cut, Random]:
    """The nth cut of a seed: each place has its turn, the moment is any."""
    chance = Random(f"{SEED} {name} {number}")
    whose = WHOSE[name][(SEED + number + list(WHOSE).index(name)) % len(WHOSE[name])]
    return Cut(chance.choice(moments), whose, chance.choice(CUTS)), chance


@contextmanager
def scene_of(name: str, folder: Path) -> Iterator[DriveScene]:
    """A deed's scene on devices that are let go of in the end."""
    world = World()
    with strict_store(world) as url:
        scene = DriveScene(folder / "yard", Store(world, url, "yard"), *SCENES[name])
        try:
            yield scene
        finally:
            scene.close()


def tried(scene: DriveScene, cut: Cut, chance: Random, end: State, log: Path) -> bool:
    """Cut, looked at, begun again; whether the moment came."""
    died = scene.killed(cut.moment, log)
    scene.cut(cut.whose, cut.how, chance)
    check_catalog(scene.catalog)
    scene.check_promises(end)
    scene.check_own_files()
    scene.do()
    scene.finish()
    assert scene.state().other_than(end) == []
    return died


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace", "ext4", "xfs")
@pytest.mark.parametrize("name", WHOSE)
def test_power_that_goes_at_any_instant_loses_nothing(
    name: str, tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    log = tmp_path / "strace"
    came: Counter[str] = Counter()
    failed: list[str] = []
    with scene_of(name, tmp_path) as scene:
        moments = scene.moments(log)
        scene.finish()
        end = scene.state()
        for number in [CHOSEN] if CHOSEN else range(1, HOW_OFTEN + 1):
            cut, chance = drawn(name, number, moments)
            try:
                is_hit = tried(scene, cut, chance, end, log)
            except Exception:  # noqa: BLE001 - the others are tried all the same
                again = f"SEED={SEED} MOMENT={number} ARGS=\"-k 'power_that and {name}'\""
                say(f"{name}: {cut}; again: make break {again}\n{traceback.format_exc(limit=-1)}")
                failed.append(again)
            else:
                came[f"{' and '.join(cut.whose)}, {cut.how}" if is_hit else "too late"] += 1
    told = "; ".join(f"{count} of {what}" for what, count in sorted(came.items()))
    say(f"{name}: {len(moments)} calls; seed {SEED}; power went: {told}")
    assert failed == []


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace", "ext4", "xfs")
def test_a_program_that_believes_before_it_synced_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("sync", "sync_tree", "sync_folder"):
        monkeypatch.setattr(RealFiles, name, lambda *_: None)
    log = tmp_path / "strace"
    with scene_of("offload", tmp_path) as scene:
        last = scene.moments(log)[-1]
        end = scene.state()
        with pytest.raises(AssertionError, match="is proven, and is not there"):
            tried(scene, Cut(last, DRIVES, "at once"), Random(SEED), end, log)
