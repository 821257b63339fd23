"""The restore drill that the daemon makes by itself: within its folder and budget, or not at all.

Promises:
1. Nothing is fetched that the month's budget does not hold, at the prices of the classes that it lies
   in; nothing is thawed; nothing begins where there is no room.
2. What it does not make it remembers, with the reason, for a person.
3. What interrupted drills left is gone on with, or removed as far as it can be shown to be theirs.
"""

from backupkeeper.actions.context import Context
from backupkeeper.actions.drill import drill, removed
from backupkeeper.actions.drill_removal import RemoveFolder
from backupkeeper.actions.drilled import allowance_now, drills, held, noted_drills
from backupkeeper.actions.sample_budget import note_sample
from backupkeeper.core.drilling import (
    Drilled,
    DrillOutcome,
    DrillResult,
    interrupted,
    round_of,
)
from backupkeeper.core.errors import (
    BackupkeeperError,
    NoSpaceError,
    ReadOnlyError,
    UsageError,
)
from backupkeeper.core.model import Place
from backupkeeper.core.prices import money
from backupkeeper.core.restoring import Asked, RestorePlan
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress


def drill_alone(
    context: Context, place: Place, shoot: str, progress: Progress, remove_folder: RemoveFolder
) -> DrillOutcome:
    """Make it.

    Args:
        context: the world.
        place: the bucket to take from.
        shoot: whose turn it is.
        progress: told as it goes.
        remove_folder: removes one empty folder.

    Raises:
        UsageError: it is a person's to make; that is remembered.
        BackupkeeperError: it could not be begun.
    """
    folder = context.config.proofs.drill_folder
    reasons: list[str] = []

    def agree(plan: RestorePlan) -> bool:
        reasons.append(_why_not(context, place, plan))
        return not reasons[-1]

    begun = context.clock.monotonic()
    try:
        _must_be_there(context, folder)
        _tidy(context, folder, (shoot, place.name), progress, remove_folder)
        asked = Asked(what=shoot, to=folder, source=place.name)
        outcome = drill(
            context, asked, agree, progress, pause=_never, remove_folder=remove_folder, goes_on=True
        )
    except (UsageError, NoSpaceError, ReadOnlyError) as error:
        raise _declined(context, place, shoot, str(error)) from error
    if outcome.result is None:
        raise _declined(context, place, shoot, " ".join(reasons))
    seconds = context.clock.monotonic() - begun
    restored = outcome.restored
    if restored.restored_files:
        note_sample(
            context, place.id, restored.restored_bytes, seconds, files=restored.restored_files
        )
    return outcome


def _must_be_there(context: Context, folder: str) -> None:
    """A drive that is not plugged in must not become a folder of the system's disk.

    Raises:
        UsageError: it is not there.
    """
    try:
        is_folder = context.files.stat(folder).kind is EntryKind.FOLDER
    except OSError:
        is_folder = False
    if not is_folder:
        raise UsageError(f"{folder} is not there: plug its drive in, or make the folder.")


def _why_not(context: Context, place: Place, plan: RestorePlan) -> str:
    """What speaks against a drill that could be begun; empty: nothing."""
    allowance = allowance_now(context)
    if plan.asleep_files:
        return f"{plan.what}: {plan.asleep_files:,} files must be thawed first."
    if not plan.fits:
        return (
            f"{plan.what}: {plan.needed_bytes:,} bytes are needed in {allowance.folder}, "
            f"{plan.free_bytes:,} are free."
        )
    size = sum(one.size_bytes for one in plan.portions)
    files = sum(one.files for one in plan.portions)
    cost, most = plan.cost, allowance.budget.cost
    if not allowance.holds(place.id, size, files) or (
        most is not None and (cost is None or cost > most)
    ):
        told = money(cost, context.config.prices.currency)
        return f"{plan.what}: more than the budget of [proofs] holds now (cost: {told})."
    return ""


def _declined(context: Context, place: Place, shoot: str, why: str) -> UsageError:
    shoots = {head.shoot for head in held(context, place)}
    told = Drilled(
        shoot=shoot,
        at=context.clock.now(),
        round=round_of(shoot, shoots, drills(context)),
        result=DrillResult.DECLINED,
        place=place.name,
        why=why,
    )
    context.catalog.note([told.event])
    return UsageError(
        f"The drill is not made by itself. {why}", advice=allowance_now(context).command(shoot)
    )


def _tidy(
    context: Context,
    folder: str,
    going_on: tuple[str, str],
    progress: Progress,
    remove_folder: RemoveFolder,
) -> None:
    """Remove what drills left in the folder that were interrupted and are not gone on with."""
    noted = noted_drills(context)
    kept = interrupted(noted, *going_on)
    begun = {one.folder: one.shoot for one in noted if one.folder}
    for left, shoot in begun.items():
        if left == kept or left.rpartition("/")[0] != folder:
            continue
        try:
            context.files.stat(left)
            removed(context, left, shoot, progress, remove_folder)
        except (BackupkeeperError, OSError):
            continue  # it is not there any more, or stays


def _never(seconds: float) -> None:
    raise AssertionError(f"{seconds} s are not waited: nothing is thawed by itself")
