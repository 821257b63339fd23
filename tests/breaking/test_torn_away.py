"""Real file systems that fail under a command at work; files, memory and whole reads running out.

Each time as in ``test_sick_devices``: no promise is broken, it is told in words, nothing hangs, and with
all well again the same command ends as if nothing had been.
"""

import os
import resource
import traceback
from collections import Counter
from functools import partial
from pathlib import Path
from random import Random
from typing import Final

import pytest

from tests.breaking.media import is_originals
from tests.breaking.moments import ON_HANDLES, ON_PATHS
from tests.breaking.on_drives import MEMORY
from tests.breaking.scene import DRIVES, Scene, State
from tests.breaking.scenes import SCENES
from tests.breaking.sick import ATTENTION, UNWRITTEN, WELL, WORDS, Came, Typed, check_told
from tests.breaking.store import Store
from tests.breaking.stories import IS_LONG, say
from tests.breaking.test_killed_at_every_step import CHOSEN, check_catalog
from tests.breaking.test_model import SEED
from tests.breaking.test_power_cuts import scene_of
from tests.breaking.torn import MISFORTUNES, Lying, Sparing, befallen, in_the_end_right
from tests.stories.yard import QUIET
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(0), pytest.mark.real("strace", "ext4", "xfs")]

HOW_OFTEN: Final = int(os.environ.get("CUTS") or (40 if IS_LONG else 1))
"""Misfortunes of each deed."""
SOME: Final = tuple(WORDS) if IS_LONG else ("offload", "verify")
"""Deeds that are tried."""
MiB: Final = 1 << 20


def checked(scene: Scene, came: Came, end: State) -> None:
    """What holds after it, and then the same once more."""
    check_told(came)
    check_catalog(scene.catalog)
    scene.check_promises(end)
    if came.code == WELL:
        scene.finish()
        assert scene.state().other_than(end) == [], came.said
    scene.do()
    scene.finish()
    if UNWRITTEN in came.said:
        scene.ask(lambda keeper: keeper.verify(None, progress=QUIET))
    assert scene.state().other_than(end) == [], came.said


def again(name: str, number: int, which: str) -> str:
    return f"make break SEED={SEED} MOMENT={number} ARGS=\"-k '{which} and {name}'\""


@pytest.mark.parametrize("name", [name for name in SOME if name != "upload"])
def test_a_file_system_that_fails_under_a_command_is_told(name: str, tmp_path: Path) -> None:
    log = tmp_path / "strace"
    met: Counter[str] = Counter()
    failed: list[str] = []
    with scene_of(name, tmp_path) as scene:
        typed = Typed(scene, WORDS[name])
        moments = [one for one in typed.moments(log) if one.call in (*ON_HANDLES, *ON_PATHS)]
        scene.finish()
        end = scene.state()
        for number in [CHOSEN] if CHOSEN else range(1, HOW_OFTEN + 1):
            chance = Random(f"{SEED} {name} {number}")
            whose = (*DRIVES, MEMORY)[(SEED + number + list(WORDS).index(name)) % 3]
            what = chance.choice(sorted(MISFORTUNES))
            moment = chance.choice(moments)
            misfortune = partial(MISFORTUNES[what], scene.systems[whose])
            try:
                scene.put_back()
                with in_the_end_right(scene, whose):
                    came, is_met = befallen(typed, moment, misfortune, log)
                if came.code != WELL:
                    assert whose in came.said or (whose == MEMORY and "catalog" in came.said), came
                checked(scene, came, end)
            except Exception:  # noqa: BLE001 - the others are tried all the same
                told = f"{name}, {moment}: {whose} {what}"
                say(f"{told}; again: {again(name, number, 'under_a')}\n{traceback.format_exc()}")
                failed.append(told)
            else:
                met[f"{whose} {what}, exit {came.code}" if is_met else "too late"] += 1
    say(f"{name}: seed {SEED}; {dict(sorted(met.items()))}")
    assert failed == []


@pytest.mark.parametrize("whose", DRIVES if IS_LONG else DRIVES[1:])
def test_a_drive_that_lies_about_syncs_is_found_out_and_brought_again(
    whose: str, tmp_path: Path
) -> None:
    """Nobody can know it at the time: but no wrong bytes get a name, and no yes is given."""
    log = tmp_path / "strace"
    with scene_of("offload", tmp_path) as scene:
        assert Typed(scene, WORDS["offload"]).done(log).code == WELL
        scene.finish()
        end = scene.state()
        scene.put_back()
        lying = Typed(scene, WORDS["offload"], files=partial(Lying, str(scene.root / whose)))
        came = lying.done(log)
        say(came.said)
        assert came.code in {WELL, ATTENTION}, (
            came.said
        )  # pages that were never written can't be dropped
        scene.cut((whose,), "at once", Random(SEED))
        now = scene.check_bytes(end)[whose]
        lost = {path for path in end.trees[whose] if is_originals(path)} - now.keys()
        assert lost, "it was not lost: nothing was shown"
        verdict = scene.ask(lambda keeper: keeper.may_wipe(str(scene.card), progress=QUIET))
        assert "missing" in {str(reason.code) for reason in verdict.reasons}
        found = Typed(scene, ("verify", whose)).done(log)
        check_told(found)
        assert (found.code, f"missing: {len(lost)} files" in found.said) == (1, True), found.said
        scene.do()
        scene.ask(lambda keeper: keeper.verify(None, progress=QUIET))
        assert scene.state().gist == end.gist


def only_so_many_files(more: int) -> None:
    """So many more files than now may be open in this process."""
    now = len(os.listdir("/proc/self/fd"))
    resource.setrlimit(resource.RLIMIT_NOFILE, (now + more, now + more))


def only_so_much_memory(more_mib: int) -> None:
    """So much more address space than now may this process have."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + more_mib * MiB
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


@pytest.mark.parametrize("name", SOME)
@pytest.mark.parametrize("what", ["files", "memory"])
def test_files_or_memory_that_run_out_are_told_and_nobody_is_accused(
    name: str, what: str, tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    world, log = World(), tmp_path / "strace"
    met: Counter[str] = Counter()
    failed: list[str] = []
    with strict_store(world) as url:
        scene = Scene(tmp_path / "yard", Store(world, url, "yard"), *SCENES[name])
        assert Typed(scene, WORDS[name]).done(log).code == WELL or name == "verify"
        scene.finish()
        end = scene.state()
        for number in [CHOSEN] if CHOSEN else range(1, HOW_OFTEN + 1):
            chance = Random(f"{SEED} {name} {what} {number}")
            more = chance.randint(0, 12) if what == "files" else chance.randint(0, 40)
            limit = partial(only_so_many_files if what == "files" else only_so_much_memory, more)
            scene.put_back()
            try:
                came = Typed(scene, WORDS[name], first=limit).done(log)
                assert scene.wrongly_accused(end) == [], came.said
                checked(scene, came, end)
            except Exception:  # noqa: BLE001 - the others are tried all the same
                told = f"{name}: {more} of {what}"
                say(f"{told}; again: {again(name, number, what)}\n{traceback.format_exc()}")
                failed.append(told)
            else:
                met[f"exit {came.code}"] += 1
    say(f"{name}, {what}: seed {SEED}; {dict(sorted(met.items()))}")
    assert failed == []


@pytest.mark.parametrize("name", SOME)
def test_short_reads_and_writes_change_nothing(
    name: str, tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    world, log = World(), tmp_path / "strace"
    with strict_store(world) as url:
        scene = Scene(tmp_path / "yard", Store(world, url, "yard"), *SCENES[name])
        whole = Typed(scene, WORDS[name]).done(log)
        scene.finish()
        end = scene.state()
        for number in range(HOW_OFTEN):
            scene.put_back()
            typed = Typed(scene, WORDS[name], files=partial(Sparing, SEED + number))
            came = typed.done(log)
            assert came.code == whole.code, came.said
            scene.finish()
            assert scene.state().other_than(end) == [], came.said
