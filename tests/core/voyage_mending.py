"""What a repair does in a voyage: it mends what the truth allows, and tells what it found."""

import math
from datetime import timedelta
from typing import TYPE_CHECKING

from backupkeeper.core.harm import in_doubt
from backupkeeper.core.model import PlaceId, PlaceKind, Result, Way
from tests.core.voyage_parts import DISK_RATE, Job
from tests.core.voyage_rot import (
    BAD,
    BY_ITSELF,
    Stood,
    copies_standing,
    known_wrong,
    truly_wrong,
)

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

TICK = timedelta(microseconds=1)
LATELY = timedelta(hours=24)


def mend(voyage: "Voyage", job: Job) -> bool:
    """As ``actions.repair.repair_roll``: file by file, as far as the time that it had goes."""
    deed = job.deed
    assert deed.place is not None
    assert deed.roll is not None
    lately = [
        fact
        for facts in voyage.facts.values()
        for fact in facts
        if fact.place == deed.place and fact.at >= voyage.now - LATELY
    ]
    if in_doubt(lately, voyage.now):
        job.failed.add(deed.key)
        return False
    done = 0
    seconds = job.taken_s if job.stopping else math.inf
    roll = voyage.rolls[deed.roll]
    for one in copies_standing(voyage, roll):
        if one.place != deed.place or one.last.result not in BAD:
            continue
        seconds -= one.file.size / DISK_RATE
        if seconds < 0:
            break  # stopped: what was done is done
        done += _mend_one(voyage, job, one)
    if not done and not job.failed:
        job.failed.add(deed.key)
    return False


def _mend_one(voyage: "Voyage", job: Job, one: Stood) -> bool:
    rot = voyage.rot.get(one.spot)
    assert rot is not None, f"{one.spot} is known as bad, and is not"
    if rot.result not in BY_ITSELF:
        voyage.find(one, rot)
        return False
    if voyage.drives[one.place].free < one.file.size:
        return False
    is_lost = _ask(voyage, job, one)
    voyage.note(one.place, one.path, one.file.content, Way.REHASH, found=rot, later=-TICK)
    if is_lost:
        return False
    del voyage.rot[one.spot]
    voyage.note(one.place, one.path, one.file.content, Way.READBACK)
    voyage.drives[one.place].free -= one.file.size  # what was there is set aside
    return True


def _ask(voyage: "Voyage", job: Job, one: Stood) -> bool:
    """Ask the others block by block; whether some block is lost. Who gave wrong ones is told."""
    givers = [
        each
        for each in copies_standing(voyage, one.roll)
        if each.file == one.file
        and each.place in job.deed.sources
        and each.spot != one.spot
        and _answers(voyage, job, each.place)
    ]
    wanted = truly_wrong(voyage, one)
    for giver in givers:
        wrong = truly_wrong(voyage, giver)
        if wanted & wrong and known_wrong(giver) != wrong:
            voyage.find(giver, voyage.rot[giver.spot])
            job.failed.add(voyage.subject(giver.place))
        wanted &= wrong  # each is asked for what those before it had wrong
    return bool(wanted)


def _answers(voyage: "Voyage", job: Job, place: PlaceId) -> bool:
    if voyage.places[place].kind is PlaceKind.BUCKET and not voyage.line_is_up:
        job.failed.add(voyage.subject(place))
        return False
    return True


def harm_is_rot(result: Result) -> bool:
    """Whether a drive did it, and not a person."""
    return result in BY_ITSELF or result is Result.UNSTABLE
