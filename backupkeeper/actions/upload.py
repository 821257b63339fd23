"""Upload: every roll into the bucket, and the proof that it arrived.

Promises:
1. Bytes that rotted on a drive are never uploaded, an object that is there is never written over,
   one that is known to be damaged is left alone (see ``actions.sending``).
2. Small files of a roll go first, many at a time (``actions.sending_small``).
3. An upload counts as ``attested`` only where the store was seen to refuse wrong bytes. Elsewhere
   everything is fetched back and hashed, and the outcome says so and why.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from backupkeeper.actions.class_heeded import note_classes
from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.actions.findings import VerifyRun, until
from backupkeeper.actions.one_roll import RollNow, bucket_place, class_of, drive_here, roll_now
from backupkeeper.actions.online import OnlineDrive, holding_places, online_drives
from backupkeeper.actions.owed_manifests import is_listed, see_listed, send_owed
from backupkeeper.actions.place_check import forget_if_doubted, make_fit
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.sample_budget import sampling_now
from backupkeeper.actions.sending import (
    Errand,
    Sending,
    errands,
    look_or_fetch,
    send_or_look,
    wanted_of,
)
from backupkeeper.actions.sending_small import are_small, send_small
from backupkeeper.actions.upload_notes import notes_in
from backupkeeper.actions.upload_order import heads_in_order
from backupkeeper.actions.uploads_begun import give_up_stale
from backupkeeper.core.errors import EncryptionError, NoKeyError, OutOfReachError, PublicBucketError
from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    RollId,
    Standing,
    Way,
)
from backupkeeper.core.needs import Circumstances, Proof, proof_wanted
from backupkeeper.core.outcomes import Trouble, UploadOutcome
from backupkeeper.ports.progress import Progress

WHY_FETCHED = (
    "This bucket accepts uploads whose checksums are wrong, so its word proves nothing: what was "
    "sent is fetched back and hashed."
)


def upload(context: Context, progress: Progress) -> tuple[UploadOutcome, ...]:
    """Bring every sealed roll into every bucket of the catalog that is active."""
    drives, _ = online_drives(context)
    buckets = [
        place
        for place in context.catalog.places()
        if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]
    with holding_places(context, buckets, doing="uploading"):
        return tuple(_upload_to(context, place, drives, progress) for place in buckets)


def upload_roll(
    context: Context,
    roll: RollId,
    *,
    bucket: PlaceId,
    source: PlaceId | None,
    progress: Progress,
) -> UploadOutcome:
    """Bring one roll into one bucket, and prove what is there unproven or will soon be too old.

    Its manifest follows, also where nothing but that was lacking.

    Only the bucket is held: a drive may be lent to something more urgent while an upload waits.

    Args:
        context: the world.
        roll: a sealed roll.
        bucket: the place to send to.
        source: the drive to read from; None: no file is sent, objects are looked at or fetched back.
        progress: told as it goes.

    Raises:
        BucketUnreachableError: the store does not answer; what arrived until then is recorded.
        DriveGoneError: the drive is not here, or went.
        PlaceHeldError: another program of ours is at work on the bucket.
    """
    place = bucket_place(context, bucket)
    drives = [drive_here(context, source)] if source is not None else []
    with holding_places(context, [place], doing="uploading"):
        sends = source is not None or not is_listed(context, place, roll)
        if sends:
            make_fit(context, place, progress)
        run = _sending(context, place, drives)
        now = roll_now(context, roll)
        every = errands(now, place)
        run.wanted |= wanted_of(every)
        around = Circumstances(
            places=now.places,
            policy=context.config.policy,
            now=context.clock.now(),
            lead=context.config.proofs.lead,
            sampling=sampling_now(context),
        )
        todo = [
            errand
            for errand in every
            if (source is not None if errand.wants_sending else _is_wanting(errand, around))
        ]
        _do(context, run, now, todo, progress)
        if sends:
            surely = None if todo else roll
            run.listed += send_owed(context, run.bucket, place, run.troubles, surely=surely)
        wanted = run.wanted | _wanted_elsewhere(context, place, roll)
        give_up_stale(context, run.bucket, place, wanted=wanted)
        forget_if_doubted(context, place, run.bucket)
    progress.end()
    return _outcome(context, run)


def _wanted_elsewhere(context: Context, place: Place, roll: RollId) -> set[tuple[str, Blake3]]:
    """Key and content of what other rolls, of which an upload was begun, still want sent."""
    keys = [begun.key for begun in context.catalog.uploads(place.id)]
    return {
        pair
        for head in context.catalog.rolls()
        if head.id != roll and any(key.startswith(f"{head.folder}/") for key in keys)
        for pair in wanted_of(errands(roll_now(context, head.id), place))
    }


def _is_wanting(errand: Errand, around: Circumstances) -> bool:
    if errand.there is None or errand.state is CopyState.DAMAGED:
        return True
    return proof_wanted(errand.there, around) is not Proof.NOT_WANTED


def prove_objects(
    context: Context,
    place: Place,
    roll: RollId,
    proven_before: datetime,
    is_over: Callable[[], bool],
    run: VerifyRun,
    progress: Progress,
) -> None:
    """Look at, or fetch back, what a bucket has of a roll and what was not proven since some time.

    Objects that are known to be damaged or missing are left out; ``is_over`` is asked after each.

    Raises:
        BucketUnreachableError: the store does not answer; what was found until then is recorded.
        PlaceHeldError: another program of ours is at work on the bucket.
    """
    place = bucket_place(context, place.id)
    with holding_places(context, [place], doing="proving"):
        sending = _sending(context, place, ())
        now = roll_now(context, roll)
        old = [one for one in errands(now, place) if _is_older(one, proven_before)]
        contents = context.catalog.contents(one.file.content for one in old)
        progress.begin(
            f"Proving {now.roll.head.folder} in {place.name}",
            total_bytes=sum(one.file.size for one in old),
            total_files=len(old),
        )
        for one in until(old, is_over):
            progress.file(one.file.path)
            try:
                fact = look_or_fetch(context, sending, one, contents[one.file.content], progress)
            except (EncryptionError, NoKeyError) as error:
                run.troubles.append(Trouble(place=place.name, path=one.key, message=str(error)))
                continue
            record_seen(context, [fact])
            run.add(place.name, fact, one.file.size)
            if fact.note:
                run.troubles.append(Trouble(place=place.name, path=fact.path, message=fact.note))
            progress.advance(0, files=1)


def _is_older(errand: Errand, proven_before: datetime) -> bool:
    if errand.there is None or errand.there.proof is None:
        return errand.state is CopyState.WRITTEN
    proof, latest = errand.there.proof, errand.there.latest
    seen = proof.at
    if proof.way is Way.ATTESTED and latest is not None and latest.way is Way.LOOKED:
        seen = latest.at
    return errand.state is CopyState.DUE or seen < proven_before


def _sending(context: Context, place: Place, drives: Iterable[OnlineDrive]) -> Sending:
    bucket = context.open_bucket(place)
    return Sending(
        place=place,
        bucket=bucket,
        drives={drive.place.id: drive for drive in drives},
        notes=notes_in(context, bucket, place),
    )


def _upload_to(
    context: Context, place: Place, drives: Sequence[OnlineDrive], progress: Progress
) -> UploadOutcome:
    try:
        make_fit(context, place, progress)
    except PublicBucketError as error:  # told of this bucket; others may still be sent to
        run = _sending(context, place, ())
        run.troubles.append(Trouble(place=place.name, path="", message=str(error)))
        return _outcome(context, run)
    run = _sending(context, place, drives)
    run.attests = run.bucket.capabilities().attests  # no answer? that is told before any work
    since = context.clock.now() - context.config.policy.attested_age
    lacking = context.catalog.not_plainly_proven(place.id, since)
    try:
        for head in heads_in_order(context, lacking):
            now = roll_now(context, head.id)
            todo = [one for one in errands(now, place) if one.state is not CopyState.PROVEN]
            run.wanted |= wanted_of(todo)
            _do(context, run, now, todo, progress)
        run.listed += send_owed(context, run.bucket, place, run.troubles)
        give_up_stale(context, run.bucket, place, wanted=run.wanted)
    except OutOfReachError as error:
        run.troubles.append(Trouble(place=place.name, path="", message=str(error)))
    forget_if_doubted(context, place, run.bucket)
    progress.end()
    return _outcome(context, run)


def _outcome(context: Context, run: Sending) -> UploadOutcome:
    return UploadOutcome(
        bucket=run.place.name,
        sent_files=run.sent_files,
        sent_bytes=run.sent_bytes,
        looked_at=run.looked_at,
        listed=run.listed,
        warnings=note_classes(context, run.place, run.classes),
        fetched_back=WHY_FETCHED if run.fetched and run.attests is False else None,
        waiting=tuple(run.waiting),
        troubles=tuple(run.troubles),
    )


def _do(
    context: Context, run: Sending, now: RollNow, todo: Sequence[Errand], progress: Progress
) -> None:
    """Do these errands of a roll; its manifest follows once all is there."""
    folder = now.roll.head.folder
    contents = context.catalog.contents(errand.file.content for errand in todo)
    if todo:
        progress.begin(
            f"Uploading {folder} to {run.place.name}",
            total_bytes=_traffic(run, todo),
            total_files=len(todo),
        )
    if isinstance(run.bucket, EncryptingBucket) and any(one.wants_sending for one in todo):
        run.bucket.must_be_meant()  # before a drive is read for nothing
    run.storage_class = class_of(context, now)
    small = are_small(todo)
    left = send_small(context, run, now, small, contents, progress) if small else []
    travelled = {errand.key for errand in small} - {errand.key for errand in left}
    homeless = kept_back = 0
    for errand in todo:
        if errand.key in travelled:
            continue
        progress.file(errand.file.path)
        try:
            fact = send_or_look(context, run, errand, now, contents[errand.file.content], progress)
        except (EncryptionError, NoKeyError) as error:  # of this one file; the others go on
            run.troubles.append(Trouble(place=run.place.name, path=errand.key, message=str(error)))
            kept_back += 1
            continue
        homeless += fact is None and errand.wants_sending
        progress.advance(0, files=1)
    if homeless:
        run.waiting.append(
            f"{folder}: {homeless} files have no proven copy on a drive that is here."
        )
    if homeless or kept_back or not todo:  # nothing to do, but no manifest: ``owed_manifests``
        return
    see_listed(context, run.bucket, run.place, now.roll, run.troubles)


def _traffic(run: Sending, todo: Sequence[Errand]) -> int:
    """Bytes that will travel: what is sent to a bucket that attests nothing comes back too."""
    sending = [errand.file.size for errand in todo if errand.wants_sending]
    others = sum(errand.file.size for errand in todo if not errand.wants_sending)
    if sending and run.attests is None:
        run.attests = run.bucket.capabilities().attests
    return others + sum(sending) * (1 if run.attests else 2)
