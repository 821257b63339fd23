"""Devices that fail: any system call answers with an error, once or for good, while a command is at work.

Each time: no promise is broken, the exit code is one that is documented, what is sick is named, nothing
hangs. Then the device is well again, and the same command ends as if nothing had been. Short in
every run of the tests, hundreds in ``make break``.
"""

import os
import traceback
from collections import Counter
from pathlib import Path
from random import Random
from typing import Final

import pytest

from tests.breaking.moments import Moment
from tests.breaking.scene import Scene, State
from tests.breaking.scenes import SCENES
from tests.breaking.sick import (
    ERRANDS,
    UNWRITTEN,
    WELL,
    WORDS,
    Errand,
    Sickness,
    Typed,
    check_words,
    troubles_of,
)
from tests.breaking.store import Store
from tests.breaking.stories import IS_LONG, say
from tests.breaking.test_killed_at_every_step import CHOSEN, check_catalog
from tests.breaking.test_model import SEED
from tests.stories.yard import QUIET
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

pytest_plugins = ["tests.real.store_fixtures"]

HOW_OFTEN: Final = int(os.environ.get("CUTS") or (100 if IS_LONG else 2))
"""Calls that fail, of each deed."""


def drawn(name: str, number: int, moments: list[Moment]) -> Sickness:
    """The nth of a seed: first the kind of call, so that rare ones have their turn."""
    chance = Random(f"{SEED} {name} {number}")
    kind = chance.choice(sorted({one.call for one in moments}))
    moment = chance.choice([one for one in moments if one.call == kind])
    return Sickness(moment, chance.choice(troubles_of(kind)), chance.random() < 0.5)


def tried(typed: Typed, sickness: Sickness, end: State, log: Path) -> tuple[bool, int]:
    """Ill, looked at, well again and begun again; whether it befell, and the exit code."""
    scene = typed.scene
    came = typed.fallen_ill(sickness, log)
    check_words(came, sickness, scene)
    check_catalog(scene.catalog)
    scene.check_promises(end)
    if sickness.error not in {"EIO", "EROFS"}:  # else the device says that it can't be read
        assert scene.wrongly_accused(end) == [], came.said
    if came.code == WELL:
        scene.finish()
        assert scene.state().other_than(end) == [], came.said
    scene.do()
    scene.finish()
    if UNWRITTEN in came.said or sickness.error == "EIO":  # what could not be read is in doubt
        scene.ask(lambda keeper: keeper.verify(None, progress=QUIET))
    again = scene.state()
    if str(scene.card) in (came.path or "") or " card: " in came.said:
        # What could not be read on the card is a roll of its own now.
        assert again.gist == end.gist, came.said
    else:
        assert again.other_than(end) == [], came.said
    return came.path is not None, came.code


def all_tried(
    kind: type[Typed], words: tuple[str, ...], name: str, folder: Path, which: str
) -> None:
    """Every sickness that is drawn; which is the test that tries it again."""
    world, log = World(), folder / "strace"
    came: Counter[str] = Counter()
    failed: list[str] = []
    with strict_store(world) as url:
        scene = Scene(folder / "yard", Store(world, url, "yard"), *SCENES[name])
        typed = kind(scene, words)
        moments = typed.moments(log)
        scene.finish()
        end = scene.state()
        for number in [CHOSEN] if CHOSEN else range(1, HOW_OFTEN + 1):
            sickness = drawn(words[0], number, moments)
            try:
                befell, code = tried(typed, sickness, end, log)
            except Exception:  # noqa: BLE001 - the others are tried all the same
                again = f"SEED={SEED} MOMENT={number} ARGS=\"-k '{which} and {words[0]}'\""
                told = f"{words[0]}: {sickness}; again: make break {again}"
                say(f"{told}\n{traceback.format_exc(limit=-1)}")
                failed.append(again)
            else:
                came[f"exit {code}" if befell else "did not come"] += 1
    told = "; ".join(f"{count} {what}" for what, count in sorted(came.items()))
    say(f"{words[0]}: {len(moments)} calls; seed {SEED}; {told}")
    assert failed == []


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace")
@pytest.mark.parametrize("name", WORDS)
def test_a_call_that_fails_is_told_and_breaks_no_promise(
    name: str, tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    all_tried(Typed, WORDS[name], name, tmp_path, "call_that")


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace")
@pytest.mark.parametrize("kind", ERRANDS if IS_LONG else ["mirror", "prove"])
def test_the_daemon_hears_of_a_call_that_fails(
    kind: str, tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    all_tried(Errand, (kind,), ERRANDS[kind], tmp_path, "hears")
