"""Mirror: what one drive has and a drive of another role lacks, brought there from a proven copy.

Promises:
1. Bytes that rotted on the source are never copied on (see ``actions.bringing``).
2. A damaged or merely unproven copy is never written over: the outcome says what stands there.
3. What a person moved on a drive is looked for there first (``actions.moved``), and not copied again.
"""

from collections.abc import Collection, Mapping, Sequence

from backupkeeper.actions.bringing import (
    Bringing,
    bring,
    free_bytes,
    needed_bytes,
    no_room,
)
from backupkeeper.actions.context import Context
from backupkeeper.actions.moved import find_moved
from backupkeeper.actions.one_roll import RollNow, drive_here, roll_now
from backupkeeper.actions.online import OnlineDrive, here_and_away, holding
from backupkeeper.actions.sick_drives import sick_drives
from backupkeeper.core.lacking import WANTING, wants
from backupkeeper.core.lying import Lying
from backupkeeper.core.model import (
    CopyState,
    PlaceId,
    Role,
    RollFile,
    RollHead,
    RollId,
    Standing,
)
from backupkeeper.core.outcomes import MirrorOutcome
from backupkeeper.core.policy import best_per_role
from backupkeeper.ports.progress import Progress


def mirror(context: Context, progress: Progress) -> MirrorOutcome:
    """Bring every roll to a drive of every role that lacks it, as far as drives are here."""
    drives, away = here_and_away(context)
    with holding(context, drives, doing="mirroring"):
        return _mirror(context, drives, away, progress)


def mirror_roll(
    context: Context, roll: RollId, *, target: PlaceId, source: PlaceId, progress: Progress
) -> MirrorOutcome:
    """Bring one roll, or what is lacking of it, to one drive, from one drive.

    What is wanted there is what ``core.lacking.wants`` says: files that the target's role has no copy
    of, and files of which all its copies are on a device that another role needs.

    Args:
        context: the world.
        roll: a sealed roll.
        target: the drive to write to.
        source: the drive to read from; no other one is touched.
        progress: told as it goes.

    Raises:
        DriveGoneError: one of the two is not here, or went; what is durable is recorded.
        PlaceHeldError: another program of ours is at work on one of the two.
    """
    to, origin = drive_here(context, target), drive_here(context, source)
    now = roll_now(context, roll)
    run = Bringing()
    with holding(context, (to, origin), doing=f"mirroring {now.roll.head.folder}"):
        for drive in (to, origin):
            _find_moved(context, drive, [roll], run, progress)
        now = roll_now(context, roll)  # another program may have worked on it until just now
        wanted = _wanted_at(context, now, to)
        needed = needed_bytes(context, to, now.roll, wanted)
        if wanted and free_bytes(context, to) < needed:
            run.troubles.append(no_room(to, now.roll, needed))
        elif wanted:
            bring(context, now, wanted, to, {source: origin}, run, progress)
        progress.end()
        to.guard()
        origin.guard()
    return run.outcome()


def _wanted_at(context: Context, now: RollNow, target: OnlineDrive) -> list[RollFile]:
    roll = now.roll
    lying = Lying(roll, now.copies, now.places, now.trees)
    wanted = []
    for file in roll.files:
        every = now.copies.get(file.content, ())
        own = lying.own(file)
        if wants(own, every, target.place, now.places, context.config.policy):
            wanted.append(file)
    return wanted


def _mirror(
    context: Context, drives: Sequence[OnlineDrive], away: Mapping[PlaceId, str], progress: Progress
) -> MirrorOutcome:
    run = Bringing()
    asked = [one for one in (Role.PRIMARY, Role.SECONDARY) if one in context.config.policy.roles]
    lacking = {role: _heads_lacking(context, role) for role in asked}
    suspects = {
        head.id
        for role, heads in lacking.items()
        for head in heads
        if _lacks(roll_now(context, head.id), role)
    }
    for drive in drives:
        _find_moved(context, drive, suspects, run, progress)
    for role, heads in lacking.items():
        here = [drive for drive in drives if drive.place.role is role]
        if here:
            for head in heads:
                _mirror_to_role(context, drives, here, head, run, progress)
            continue
        left = sum(_lacks(roll_now(context, head.id), role) for head in heads)
        if left:
            run.waiting.append(
                f"{left} rolls have no whole copy on a {role} drive, and none is here. "
                + " ".join(away.values())
            )
    progress.end()
    if run.waiting or run.troubles:  # why, where a drive that is here can't be used
        said = " ".join(run.waiting)
        sick = [away[place] for place in sick_drives(context, away)]
        run.waiting += [one for one in sick if one not in said]
    return run.outcome()


def _find_moved(
    context: Context,
    drive: OnlineDrive,
    rolls: Collection[RollId],
    run: Bringing,
    progress: Progress,
) -> None:
    """What a person moved on a drive is not lacking there, and is copied from where it lies now."""
    if not rolls:
        return
    again = find_moved(context, drive, rolls, progress)
    run.moved += again.moves
    if again.not_cold:
        run.not_cold[drive.place.name] = again.not_cold


def _heads_lacking(context: Context, role: Role) -> list[RollHead]:
    """Rolls that no one place of this role plainly holds, proven: a quick sieve in the catalog."""
    since = context.clock.now() - context.config.policy.drive_proof_age
    holders = [place for place in context.catalog.places() if place.role is role]
    left = {head.id for head in context.catalog.rolls()}
    for place in holders:
        if place.standing is Standing.ACTIVE:
            left &= context.catalog.not_plainly_proven(place.id, since)
    return [head for head in context.catalog.rolls() if head.id in left]


def _mirror_to_role(
    context: Context,
    drives: Sequence[OnlineDrive],
    here: Sequence[OnlineDrive],
    head: RollHead,
    run: Bringing,
    progress: Progress,
) -> None:
    now = roll_now(context, head.id)
    wanted = _wanted(now, here[0].place.role, run)
    if not wanted:
        return
    target = _choose_target(context, here, now, wanted, run)
    if target is None:
        return
    bring(context, now, wanted, target, {drive.place.id: drive for drive in drives}, run, progress)


def _lacks(now: RollNow, role: Role) -> bool:
    """Whether a role has nothing of a file."""
    lying = Lying(now.roll, now.copies, now.places, now.trees)
    best = (best_per_role(lying.own(file), now.places, [role])[role] for file in now.roll.files)
    return any(one.state in WANTING for one in best)


def _wanted(now: RollNow, role: Role, run: Bringing) -> list[RollFile]:
    """Files with nothing in this role; says what else keeps the role from being proven."""
    roll = now.roll
    wanted: list[RollFile] = []
    other: dict[CopyState, int] = {}
    lying = Lying(now.roll, now.copies, now.places, now.trees)
    for file in roll.files:
        state = best_per_role(lying.own(file), now.places, [role])[role].state
        if state in WANTING:
            wanted.append(file)
        elif state is not CopyState.PROVEN:
            other[state] = other.get(state, 0) + 1
    for state, count in other.items():
        told = f"{roll.head.folder}: {count} files are {state} on the {role} drive; "
        told += (
            "they are left as they are."
            if state is CopyState.DAMAGED
            else "to prove them, run: backupkeeper verify"
        )
        run.waiting.append(told)
    return wanted


def _choose_target(
    context: Context,
    here: Sequence[OnlineDrive],
    now: RollNow,
    wanted: Sequence[RollFile],
    run: Bringing,
) -> OnlineDrive | None:
    """The drive that holds most of the roll already, else the one with most room, if there is room."""

    def held(drive: OnlineDrive) -> int:
        return sum(
            any(copy.place == drive.place.id for copy in now.copies.get(file.content, ()))
            for file in now.roll.files
        )

    ranked = sorted(here, key=lambda drive: (held(drive), free_bytes(context, drive)), reverse=True)
    needed = []
    for drive in ranked:
        needed.append(needed_bytes(context, drive, now.roll, wanted))
        if free_bytes(context, drive) >= needed[-1]:
            return drive
    run.troubles.append(no_room(ranked[0], now.roll, needed[0]))
    return None
