"""A delivery becomes a roll: its history goes on on every drive, then it is sealed.

Promises:
1. A history is gone on with only where every file is as it says and is called so, and only after its
   own manifests.
2. What was taken in as it is has what was found in the comment of its manifests.
"""

from dataclasses import replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.delivered import Delivered
from backupkeeper.actions.delivery_run import DeliveryRun
from backupkeeper.actions.histories import history_at, record_arrival
from backupkeeper.actions.offload_plan import Plan
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.reading import read_small
from backupkeeper.core.delivering import Flaw
from backupkeeper.core.errors import BackupkeeperError, ManifestError
from backupkeeper.core.model import Roll, RollHead
from backupkeeper.core.naming import roll_id
from backupkeeper.core.outcomes import Trouble
from backupkeeper.manifests.mhl_model import CHAIN_NAME, FOLDER
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.transfer.durable import make_folders, write_small

_MOST_NAMED = 20
"""How many paths the remark in a manifest names."""


def seal(context: Context, plan: Plan, run: DeliveryRun) -> RollHead | None:
    """Manifests on every drive, then the roll; None where it may not be sealed, or not yet."""
    unheld = [path for path in run.found if not any(path in at for at in run.standing.values())]
    refused = bool(run.flaws) and not run.as_it_is
    other = any(one.place == "delivered" for one in run.troubles)
    if refused or unheld or run.gone or other or not run.found:
        return None
    files = tuple(run.found[path] for path in sorted(run.found))
    opened = plan.open_roll
    head = RollHead(
        id=roll_id((file.path, file.content) for file in files),
        shoot=opened.shoot,
        source=opened.source,
        name=opened.name,
        folder=opened.folder,
        sealed_at=context.clock.now(),
        file_count=len(files),
        size_bytes=sum(file.size for file in files),
    )
    known = {one.id: one.folder for one in context.catalog.rolls()}
    if head.id in known:
        told = f"The very same files are a roll already: {known[head.id]}."
        run.troubles.append(Trouble(place="delivered", path="", message=told))
        return None
    listing = plan.listing
    taken = {file.path for file in files}
    left_out = [pair for pair in listing.left_out if pair[0] not in taken]
    lost = [(one.path, one.why) for one in run.flaws if one.flaw is Flaw.UNREADABLE]
    roll = Roll(
        head=head,
        files=files,
        folders=listing.empty_folders,
        left_out=(*left_out, *listing.specials, *lost),
    )
    remarked = _with_remark(context, run)
    for drive in plan.drives:
        _arrive(remarked, plan, drive, run, roll)
    context.catalog.seal(roll)
    return head


def _arrive(context: Context, plan: Plan, drive: OnlineDrive, run: DeliveryRun, roll: Roll) -> None:
    for folder in roll.folders:
        try:
            path = plan.path_at(drive, roll.head.folder, folder)
            make_folders(context.files, drive.root, path, drive.guard)
        except BackupkeeperError as error:
            run.warnings.append(
                f"{drive.place.name}: the empty folder {folder} was not made: {error}"
            )
    if run.standing[drive.place.id] >= run.found.keys() and not run.flaws:
        try:
            if run.delivered.history is not None and not _all_as_named(plan, drive, run):
                raise ManifestError("Some of its names had to be changed there.")
            run.continued |= _lay_history(context, drive, run.delivered, roll.head.folder)
        except BackupkeeperError as error:
            told = f"{drive.place.name}: the delivered history is not gone on with: {error}"
            run.warnings.append(told)
    run.warnings += record_arrival(context, drive, roll)


def _all_as_named(plan: Plan, drive: OnlineDrive, run: DeliveryRun) -> bool:
    """Whether every listed file is called on a drive as the delivered history calls it."""
    folder = plan.open_roll.folder
    return all(
        plan.path_at(drive, folder, path) == f"{folder}/{path}" for path in run.delivered.listed
    )


def _lay_history(context: Context, drive: OnlineDrive, delivered: Delivered, folder: str) -> bool:
    """Put the delivered history where ours would begin, so that ours goes on with it."""
    theirs = delivered.history
    if theirs is None or not theirs.chain:
        return False
    there = history_at(context, drive, folder)
    if there is not None and there.chain[: len(theirs.chain)] == theirs.chain:
        return True
    where = f"{folder}/{FOLDER}"
    make_folders(context.files, drive.root, where, drive.guard)
    for name in (*(entry.name for entry in theirs.chain), CHAIN_NAME):
        source = f"{delivered.root}/{FOLDER}/{name}"
        data = read_small(context.files, source, MANIFEST_LIMIT_BYTES)
        write_small(context.files, drive.absolute(f"{where}/{name}"), data, drive.guard)
    return True


def _with_remark(context: Context, run: DeliveryRun) -> Context:
    """The world, with what was found in the comment of the manifests that are about to be written."""
    if not run.flaws:
        return context
    told = [f"{one.path} ({one.flaw.value})" for one in run.flaws[:_MOST_NAMED]]
    more = len(run.flaws) - len(told)
    remark = "Taken in as it was delivered, though not as its own manifests say: " + "; ".join(told)
    remark += f"; and {more} more." if more > 0 else "."
    settings = context.config.manifest
    comment = f"{settings.comment} {remark}".strip()
    config = replace(context.config, manifest=replace(settings, comment=comment))
    return replace(context, config=config)
