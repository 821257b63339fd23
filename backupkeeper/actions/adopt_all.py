"""``adopt``: every folder of a place that the first look made out, taken in one after the other.

Promises:
1. Nothing is moved, renamed or written but manifests (see ``actions.adopt``).
2. What can't be taken in is told, and the next folder's turn comes; a drive that goes ends it.
3. Interrupted at any moment, the same command goes on: a roll that is taken in is not read again, and
   of the one under way what was read in this mount is not.
4. A folder of a roll that another place brought here in the same folder is compared with that roll.
"""

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.adopt_again import adopt_again
from backupkeeper.actions.adopt_look import look_for_rolls, place_named
from backupkeeper.actions.context import Context
from backupkeeper.actions.rates import note_rate
from backupkeeper.core.adopting import AdoptAll, AdoptWish, FoundRoll
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError
from backupkeeper.core.outcomes import AdoptOutcome, Trouble
from backupkeeper.ports.progress import Progress


def adopt_all(context: Context, wish: AdoptWish, progress: Progress) -> AdoptAll:
    """Look at a place, and take in what was made out (with ``dry_run``: only look).

    Args:
        context: the world.
        wish: what the person asked for.
        progress: told as it goes.

    Raises:
        UsageError: the place, the folder, the layout or a name can't be used.
        OutOfReachError: the place is not here, or is in use; what was taken in before it went stays so.
    """
    plan = look_for_rolls(context, wish, progress)
    if wish.dry_run:
        return AdoptAll(plan=plan, dry_run=True)
    place = place_named(context, wish.place)
    done: list[AdoptOutcome] = []
    failed: list[Trouble] = []
    for found in plan.new:
        try:
            outcome = _adopt(context, wish, found, progress)
        except OutOfReachError:
            raise
        except BackupkeeperError as error:
            failed.append(Trouble(place=plan.place, path=found.folder, message=str(error)))
            continue
        note_rate(context, place.id, outcome.read_bytes, outcome.seconds)
        done.append(outcome)
    return AdoptAll(plan=plan, dry_run=False, done=tuple(done), failed=tuple(failed))


def _adopt(context: Context, wish: AdoptWish, found: FoundRoll, progress: Progress) -> AdoptOutcome:
    place = place_named(context, wish.place)
    head = next((one for one in context.catalog.rolls() if one.folder == found.folder), None)
    if head is not None:
        return adopt_again(context, place.id, head, progress)
    return adopt_folder(context, place.id, found.folder, progress, named=found.named, old=found.old)
