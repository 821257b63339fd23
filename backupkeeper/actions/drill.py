"""A restore drill: a shoot brought back into a scratch folder, compared, remembered, removed.

Promises:
1. The scratch folder is new, below the one that is named, and nothing else is touched.
2. What is removed is what was brought there, each file read once more and found to be that; anything
   else stays and is told.
3. Only a drill that was ended has an outcome that counts.
4. One that was interrupted goes on in its folder: what is there already is compared, not fetched again.
"""

import os.path
from dataclasses import replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.drill_removal import RemoveFolder, remove_restored
from backupkeeper.actions.drilled import drills, held, noted_drills
from backupkeeper.actions.restore import restore
from backupkeeper.actions.restore_target import find_target
from backupkeeper.actions.restore_thaw import Pause
from backupkeeper.actions.verify_folder import verify_folder
from backupkeeper.core.drilling import (
    Drilled,
    DrillOutcome,
    DrillResult,
    interrupted,
    next_turn,
    result_of,
    round_of,
)
from backupkeeper.core.errors import BackupkeeperError, UsageError
from backupkeeper.core.model import Place, PlaceKind, Standing
from backupkeeper.core.restoring import Agree, Asked, RestorePlan
from backupkeeper.ports.progress import Progress


def drill(
    context: Context,
    asked: Asked,
    agree: Agree,
    progress: Progress,
    *,
    pause: Pause,
    remove_folder: RemoveFolder,
    goes_on: bool = False,
) -> DrillOutcome:
    """Make one.

    Args:
        context: the world.
        asked: ``what`` is a shoot, or None for whose turn it is; ``to`` the folder in which a scratch
            folder is made; ``source`` the place to take from, or None for a bucket.
        agree: shown the plan before anything is done; False: nothing is, and no turn is taken.
        progress: told as it goes.
        pause: waits for so many seconds.
        remove_folder: removes one empty folder.
        goes_on: leave what could not be ended where it is, for it will be gone on with.

    Raises:
        UsageError: there is nothing to drill with, or the folder can't be used.
        NoSpaceError: there is no room.
        OutOfReachError: the folder's drive is gone, or the place is not here.
    """
    begun = context.clock.monotonic()
    find_target(
        context, asked.to
    )  # a folder that can't be restored to is told before anything else
    place = _source(context, asked.source)
    shoots = {head.shoot for head in held(context, place)}
    shoot, number = _turn(context, place, shoots, asked.what)
    made = Drilled(
        shoot=shoot,
        at=context.clock.now(),
        round=number,
        result=DrillResult.BEGUN,
        place=place.name,
        folder=_folder(context, asked.to, shoot, place),
    )
    folder = made.folder

    def agreed(plan: RestorePlan) -> bool:
        if not agree(plan):
            return False
        context.catalog.note([made.event])
        return True

    wanted = Asked(
        what=shoot,
        to=folder,
        source=place.name,
        tier=asked.tier,
        keep_days=asked.keep_days,
        wait=asked.wait,
    )
    restored = restore(context, wanted, agreed, progress, pause=pause)
    if not restored.done:
        return DrillOutcome(shoot=shoot, place=place.name, folder=folder, restored=restored)
    files = restored.restored_files + restored.kept_files
    verified, notes = _verified(context, folder, files, progress)
    result = result_of(restored, verified=verified)
    left: tuple[str, ...] = ()
    if result is not DrillResult.UNFINISHED or not goes_on:
        left = removed(context, folder, shoot, progress, remove_folder)
    progress.end()
    ended = replace(
        made,
        at=context.clock.now(),
        result=result,
        files=files,
        size_bytes=restored.restored_bytes,
        folder="",
    )
    context.catalog.note([ended.event])
    return DrillOutcome(
        shoot=shoot,
        place=place.name,
        folder=folder,
        restored=restored,
        result=result,
        left=left,
        notes=notes,
        seconds=context.clock.monotonic() - begun,
    )


def removed(
    context: Context, folder: str, shoot: str, progress: Progress, remove_folder: RemoveFolder
) -> tuple[str, ...]:
    """Remove what a drill of this shoot brought; paths of what was left there."""
    rolls = [head for head in context.catalog.rolls() if head.shoot == shoot]
    return remove_restored(context, folder, rolls, progress, remove_folder)


def _folder(context: Context, to: str, shoot: str, place: Place) -> str:
    """That of a drill of the same shoot which was interrupted there, else a new one."""
    begun = interrupted(noted_drills(context), shoot, place.name)
    if begun and os.path.dirname(begun) == to.rstrip("/"):
        return begun
    name = f"drill {context.clock.now():%Y-%m-%d} {context.entropy.new_id()[:8]}"
    return f"{to.rstrip('/')}/{name}"


def _source(context: Context, name: str | None) -> Place:
    """The place that is named, else a bucket; of several, the one whose turn chance says it is."""
    places = [one for one in context.catalog.places() if one.standing is Standing.ACTIVE]
    if name is not None:
        found = [one for one in places if one.name.casefold() == name.casefold()]
        if not found:
            raise UsageError(
                f"No place is called {name}.", advice="backupkeeper place list shows them."
            )
        return found[0]
    buckets = [one for one in places if one.kind is PlaceKind.BUCKET]
    if not buckets:
        raise UsageError("There is no bucket to restore from.", advice="Name a place with --from.")
    chance = int(context.entropy.new_id().replace("-", ""), 16)
    return buckets[chance % len(buckets)]


def _turn(context: Context, place: Place, shoots: set[str], wanted: str | None) -> tuple[str, int]:
    """The shoot, and the round in which this is its turn."""
    before = drills(context)
    if wanted is not None:
        if wanted not in shoots:
            raise UsageError(f"{place.name} has no shoot called {wanted}.")
        return wanted, round_of(wanted, shoots, before)
    turn = next_turn(shoots, before, context.entropy.new_id())
    if turn is None:
        raise UsageError(f"{place.name} has no shoot to drill with.")
    return turn


def _verified(
    context: Context, folder: str, files: int, progress: Progress
) -> tuple[bool, tuple[str, ...]]:
    """Whether the manifests that came along, alone, find all of it right."""
    try:
        found = verify_folder(context, folder, progress)
    except BackupkeeperError as error:
        return False, (f"By its manifests alone it could not be verified: {error}",)
    wrong = [*found.checked, *found.manifest_faults, *found.troubles]
    if not wrong and found.matching_files >= files:
        return True, ()
    return False, ("By its manifests alone not all of it was found right.",)
