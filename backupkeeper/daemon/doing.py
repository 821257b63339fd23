"""A deed of the planner's, done: which action it is, and what came of it in few words.

Runs in a worker. Errors of ``core.errors`` leave as they are; what went wrong with single files is
in ``Finished.troubles``.
"""

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.changes import look_at_changes
from backupkeeper.actions.context import Context
from backupkeeper.actions.drill_alone import drill_alone
from backupkeeper.actions.drill_removal import RemoveFolder
from backupkeeper.actions.hearing import hear_from
from backupkeeper.actions.may_wipe import may_wipe
from backupkeeper.actions.mirror import mirror_roll
from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.actions.one_roll import drive_here
from backupkeeper.actions.online import OnlineDrive, online
from backupkeeper.actions.posters import posters_of_folders
from backupkeeper.actions.renaming import refresh_markers
from backupkeeper.actions.repair import repair_roll
from backupkeeper.actions.room import note_room
from backupkeeper.actions.snapshots import keep_snapshots
from backupkeeper.actions.thinning import let_go
from backupkeeper.actions.upload import upload_roll
from backupkeeper.actions.verify import prove_roll
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.drilling import DrillResult
from backupkeeper.core.errors import (
    BackupkeeperError,
    BrokenPromiseError,
    DriveGoneError,
    WriteError,
)
from backupkeeper.core.forming import Forming
from backupkeeper.core.model import PlaceId, PlaceKind, RollId, Way
from backupkeeper.core.needs import young_for
from backupkeeper.core.outcomes import Finding, Trouble
from backupkeeper.core.wish import LONG_AGO
from backupkeeper.daemon.errand import Finished
from backupkeeper.ports.progress import Progress
from backupkeeper.report.moving import moved_words
from backupkeeper.report.reasons import in_one
from backupkeeper.report.verdict import limits_of_yes
from backupkeeper.report.words import plural

_BRINGING: Final = frozenset(
    {
        *(DeedKind.OFFLOAD, DeedKind.MIRROR, DeedKind.REPAIR, DeedKind.ADOPT),
        DeedKind.UPLOAD,
    }
)
Doer = Callable[[Context, Deed, Progress], Finished]


def do(
    context: Context,
    deed: Deed,
    progress: Progress,
    *,
    on_forming: Callable[[Forming], None] | None = None,
    remove_folder: RemoveFolder | None = None,
) -> Finished:
    """Do it; of a verdict ``on_forming`` hears, file by file, how it forms.

    ``remove_folder`` removes an empty folder: only a drill wants that.

    Raises:
        BackupkeeperError: it could not be done; what is durable is recorded.
    """
    begun = context.clock.monotonic()
    if deed.kind is DeedKind.JUDGE:
        came = _judge(context, deed, progress, on_forming)
    elif deed.kind is DeedKind.DRILL:
        came = _drill(context, deed, progress, remove_folder)
    else:
        came = _DOERS[deed.kind](context, deed, progress)
    took = context.clock.monotonic() - begun
    _keep_snapshots(context, deed, came, progress)
    free = tuple(_free(context, deed.places))
    note_room(context, dict(free))
    return replace(came, seconds=took, free=free)


def _keep_snapshots(context: Context, deed: Deed, came: Finished, progress: Progress) -> None:
    """The end of every deed: a snapshot of what is known now goes where the deed was at work.

    So nothing has to be planned for it: the devices are this deed's own until it ends. What can't be
    kept is told by ``gaps``.
    """
    places = {deed.place, *deed.onto, *([deed.source] if deed.kind is DeedKind.MIRROR else [])}
    only = frozenset(place for place in places if place is not None)
    with suppress(BackupkeeperError):
        keep_snapshots(
            context,
            progress,
            brought=deed.kind in _BRINGING and came.size_bytes > 0,
            buckets=deed.kind is DeedKind.UPLOAD,
            only=only,
        )
        refresh_markers(context, only, buckets=deed.kind is DeedKind.UPLOAD)


def _free(context: Context, places: Iterable[PlaceId]) -> Iterable[tuple[PlaceId, int]]:
    """How much room is left on the drives that the deed wrote to."""
    for place in context.catalog.places():
        if place.id in places and place.kind is not PlaceKind.BUCKET:
            drive = online(context, place)
            if isinstance(drive, OnlineDrive):
                yield place.id, context.files.free_bytes(drive.root)


def _offload(context: Context, deed: Deed, progress: Progress) -> Finished:
    outcome = offload(
        context,
        Request(
            card=_card(context, deed),
            shoot=deed.shoot,
            source=deed.source_name,
            roll=None,
            onto=frozenset(deed.onto),
        ),
        progress,
    )
    onto = ", ".join(outcome.places)
    return Finished(
        said=f"Offloaded {outcome.new_files} new files of {deed.source_name} to {onto}; "
        f"{outcome.known_files} were known.",
        size_bytes=outcome.new_bytes,
        files=outcome.new_files + outcome.known_files,
        troubles=_troubles(outcome.troubles),
        sealed=outcome.sealed,
        folders=outcome.folders,
    )


def _mirror(context: Context, deed: Deed, progress: Progress) -> Finished:
    outcome = mirror_roll(
        context,
        _roll(deed),
        target=_needed(deed.place),
        source=_needed(deed.source),
        progress=progress,
    )
    return Finished(
        said=" ".join(
            [
                f"Mirrored {outcome.copied_files} files.",
                *outcome.waiting,
                *moved_words(outcome.moved),
            ]
        ),
        size_bytes=outcome.copied_bytes,
        files=outcome.copied_files + sum(one.files for one in outcome.moved),
        troubles=_troubles(outcome.troubles),
    )


def _upload(context: Context, deed: Deed, progress: Progress) -> Finished:
    outcome = upload_roll(
        context, _roll(deed), bucket=_needed(deed.place), source=deed.source, progress=progress
    )
    said = [f"Uploaded {outcome.sent_files} files."]
    if outcome.listed:
        said.append(f"Brought {plural(outcome.listed, 'manifest')} that still lacked.")
    return Finished(
        said=" ".join([*said, *outcome.warnings, *outcome.waiting]),
        size_bytes=outcome.sent_bytes,
        files=outcome.sent_files + outcome.looked_at + outcome.listed,
        troubles=_troubles(outcome.troubles),
    )


def _prove(context: Context, deed: Deed, progress: Progress) -> Finished:
    config = context.config
    outcome = prove_roll(
        context,
        _needed(deed.place),
        _roll(deed),
        proven_before=max(
            deed.before or LONG_AGO,
            context.clock.now() - young_for(Way.REHASH, config.policy, config.proofs.lead),
        ),
        budget_s=deed.budget_s,
        progress=progress,
    )
    found = sum(one.finding is not Finding.MATCHES for one in outcome.checked)
    return Finished(
        said=f"Proved {outcome.matching_files} files again"
        + ("; the last one is not read to its end yet" if outcome.begun_files else "")
        + (f"; {found} are not as they should be." if found else ".")
        + "".join(f" {one}" for one in moved_words(outcome.moved)),
        size_bytes=outcome.read_bytes or outcome.matching_bytes,
        files=outcome.matching_files + outcome.begun_files + found,
        troubles=_troubles(outcome.troubles),
    )


def _posters(context: Context, deed: Deed, progress: Progress) -> Finished:
    place = _needed(deed.place)
    drive = drive_here(context, place)
    try:
        outcome = posters_of_folders(context, [deed.folder], progress, place)
    except WriteError as error:  # of the catalog's own disk: no fault of the drive's
        return Finished(said=f"They can't be kept: {error.message}", sealed=True)
    drive.guard()
    return Finished(
        said=" ".join([f"Made {plural(outcome.made, 'poster')}.", *outcome.waiting]),
        files=outcome.made,
        sealed=not outcome.put_off,
    )


def _hear(context: Context, deed: Deed, progress: Progress) -> Finished:
    outcome = hear_from(context, _needed(deed.place), progress)
    rolls = sum(one.rolls for one in outcome.taken)
    facts = sum(one.facts for one in outcome.taken)
    said = f"{plural(rolls, 'roll')} and {plural(facts, 'fact')} were new."
    if outcome.unusable:
        said = f"{said} Not taken over: {outcome.unusable[0].why}"
    if outcome.troubles:
        said = f"What is there is not known. {outcome.troubles[0].message}"
    return Finished(said=said, files=len(outcome.taken))


def _thin(context: Context, _deed: Deed, progress: Progress) -> Finished:
    went = let_go(context, progress)
    return Finished(
        said=f"Of {plural(went.copies, 'copy', 'copies')} {plural(went.facts, 'fact')} went that only "
        "repeated those before and after them.",
        files=went.copies,
    )


def _repair(context: Context, deed: Deed, progress: Progress) -> Finished:
    outcome = repair_roll(
        context, _roll(deed), place=_needed(deed.place), sources=deed.sources, progress=progress
    )
    mended, right, not_mended = (
        len(outcome.mended),
        len(outcome.came_right),
        len(outcome.unmended),
    )
    said = [f"Mended {mended} files"]
    if right:
        said.append(f"{right} were right when read again")
    if not_mended:
        said.append(f"{not_mended} could not be mended: {outcome.unmended[0].why}")
    return Finished(
        said=" ".join([f"{'; '.join(said)}.", *outcome.left]),
        size_bytes=sum(one.patient.size for one in outcome.mended),
        files=mended + right,
        troubles=_troubles(outcome.troubles),
    )


def _judge(
    context: Context,
    deed: Deed,
    progress: Progress,
    on_forming: Callable[[Forming], None] | None,
) -> Finished:
    card = _card(context, deed)
    verdict = may_wipe(context, card, progress, on_forming)
    codes = [f"{reason.code}: {len(reason.paths)} files" for reason in verdict.reasons]
    reasons = tuple(in_one(reason, card=card) for reason in verdict.reasons)
    if verdict.may_wipe:
        distinct = context.config.policy.distinct_devices
        reasons = limits_of_yes(verdict, distinct_devices=distinct)
    return Finished(
        said="May be wiped." if verdict.may_wipe else f"May not be wiped ({', '.join(codes)}).",
        size_bytes=sum(file.size for file in verdict.files),
        files=len(verdict.files),
        may_wipe=verdict.may_wipe,
        reasons=reasons,
    )


def _look(context: Context, deed: Deed, progress: Progress) -> Finished:
    found = look_at_changes(context, _needed(deed.place), deed.folders, progress)
    progress.end()
    return Finished(
        said=" ".join(
            [
                (
                    f"Looked at what changed: {len(found.rolls)} rolls are other than they were, "
                    f"{len(found.strange)} folders are new."
                ),
                *moved_words(found.moved),
            ]
        ),
        size_bytes=found.read_bytes,
        files=len(found.rolls) + len(found.strange) + sum(one.files for one in found.moved),
        strange=found.strange,
    )


def _adopt(context: Context, deed: Deed, progress: Progress) -> Finished:
    outcome = adopt_folder(context, _needed(deed.place), deed.folder, progress)
    return Finished(
        said=f"Took in {deed.folder} where it is.",
        size_bytes=outcome.size_bytes,
        files=outcome.files,
        troubles=_troubles(outcome.troubles),
    )


def _drill(
    context: Context, deed: Deed, progress: Progress, remove_folder: RemoveFolder | None
) -> Finished:
    place = next((one for one in context.catalog.places() if one.id == deed.place), None)
    if place is None or remove_folder is None:
        raise BrokenPromiseError("A drill names no place, or nothing can remove what it brings.")
    outcome = drill_alone(context, place, deed.shoot, progress, remove_folder)
    if outcome.result is DrillResult.UNFINISHED:
        why = next((f": {one.fate}. {one.why}" for one in outcome.restored.not_there), ".")
        return Finished(said=f"It could not be ended now, and is gone on with{why}".strip())
    restored = outcome.restored
    files = restored.restored_files + restored.kept_files
    told = [f"{deed.shoot} came back whole: {files:,} files, each compared."]
    troubles = []
    if outcome.result is not DrillResult.RIGHT:
        told = [f"{deed.shoot} did not come back right: see 'backupkeeper gaps'."]
        troubles = [("", deed.shoot, told[0])]
    if outcome.left:
        told.append(f"{len(outcome.left)} files were left in {outcome.folder}.")
    return Finished(
        said=" ".join(told),
        size_bytes=restored.restored_bytes,
        files=max(files, 1),
        troubles=tuple(troubles),
    )


_DOERS: Final = MappingProxyType[DeedKind, Doer](
    {
        DeedKind.OFFLOAD: _offload,
        DeedKind.MIRROR: _mirror,
        DeedKind.ADOPT: _adopt,
        DeedKind.LOOK: _look,
        DeedKind.UPLOAD: _upload,
        DeedKind.PROVE: _prove,
        DeedKind.REPAIR: _repair,
        DeedKind.POSTERS: _posters,
        DeedKind.HEAR: _hear,
        DeedKind.THIN: _thin,
    }
)


def _troubles(troubles: Iterable[Trouble]) -> tuple[tuple[str, str, str], ...]:
    return tuple((one.place, one.path, one.message) for one in troubles)


def _card(context: Context, deed: Deed) -> str:
    """Where the very mount is that the deed speaks of."""
    for mount in context.mounts.current():
        if mount.token == deed.card:
            return mount.point
    raise DriveGoneError("The card", deed.source_name)


def _needed(place: PlaceId | None) -> PlaceId:
    if place is None:
        raise BrokenPromiseError("A deed names no place where it must.")
    return place


def _roll(deed: Deed) -> RollId:
    if deed.roll is None:
        raise BrokenPromiseError("A deed names no roll where it must.")
    return deed.roll
