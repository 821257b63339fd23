"""A damaged object in a bucket, replaced by the right bytes from drives; the old one is set aside.

Promises:
1. Only the very object that was found damaged is replaced, and only after the store keeps a copy.
2. Each block is compared with the block map on its way, whichever copy it comes from.
3. Afterwards the object counts as whatever the store's word is worth, as after any upload.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from backupkeeper.actions.encrypted_lists import send_lists
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.actions.fetching import fetch_back
from backupkeeper.actions.giving import AnyGiver, DriveGiver
from backupkeeper.actions.one_roll import RollNow, class_of
from backupkeeper.actions.place_check import make_fit
from backupkeeper.actions.recording import TICK, record_seen
from backupkeeper.actions.sending import sent_fact
from backupkeeper.actions.treating import Case, RepairRun, after, content_of, givers_of
from backupkeeper.core.errors import BackupkeeperError, CopyDiffersError, OutOfReachError
from backupkeeper.core.mend_sources import hurt
from backupkeeper.core.mending import Mended, Patient, Planned, Unmended, sharing
from backupkeeper.core.model import BLOCK_BYTES, Content, Fact, Place
from backupkeeper.core.outcomes import Trouble
from backupkeeper.transfer.mending import is_right

GONE_SINCE = "Another object stands there now, or none: 'backupkeeper verify' looks at it."


def mend_objects(run: RepairRun, now: RollNow, place: Place, cases: Sequence[Case]) -> None:
    """Replace each damaged object of a roll, or say what would be done."""
    run.progress.begin(
        f"Repairing {now.roll.head.folder} in {place.name}",
        total_bytes=sum(one.file.size for one in cases),
        total_files=len(cases),
    )
    try:
        if not run.wanted.dry_run:
            make_fit(run.context, place, run.progress)
        for case in cases:
            run.progress.file(case.copy.path)
            if run.wanted.dry_run:
                _plan(run, now, place, case)
            else:
                _mend(run, now, place, case)
            run.progress.advance(0, files=1)
    except OutOfReachError as error:
        run.troubles.append(Trouble(place=place.name, path="", message=str(error)))


def _plan(run: RepairRun, now: RollNow, place: Place, case: Case) -> None:
    size = case.file.size
    with givers_of(run, now, content_of(run, case), case.copy) as givers:
        known = [(one.name, hurt(one.copy, size)) for one in givers if isinstance(one, DriveGiver)]
    # An object can't be mended in part: all of it is sent anew.
    plan = sharing(size, ((0, size),), known)
    run.planned.append(Planned(patient=_patient(place, case), sharing=plan))


def _mend(run: RepairRun, now: RollNow, place: Place, case: Case) -> None:
    bucket, key = run.buckets[place.id], case.copy.path
    content = content_of(run, case)
    entry = bucket.look(key)
    if entry is None or entry.mark != case.trouble.version:
        run.unmended.append(Unmended(patient=_patient(place, case), why=GONE_SINCE))
        return
    taken: dict[str, int] = {}
    with givers_of(run, now, content, case.copy) as every:
        givers = [one for one in every if isinstance(one, DriveGiver)]
        try:
            kept = bucket.set_aside(key, entry)
            blocks = _right_blocks(run, key, content, givers, taken)
            sent = bucket.send(
                key, content, blocks, replacing=entry, storage_class=class_of(run.context, now)
            )
        except OutOfReachError:
            raise
        except BackupkeeperError as error:
            names = tuple(dict.fromkeys(one.name for one in givers))
            run.unmended.append(
                Unmended(patient=_patient(place, case), why=str(error), asked=names)
            )
            return
    attested = ", ".join(sent.attested_by)
    if isinstance(bucket, EncryptingBucket):
        send_lists(run.context, bucket, place, now.roll)  # they name the object as it was
    fact = sent_fact(run.context, place, key, content, sent.entry, attested)
    fact = _dated(fact, after(run, case))
    run.context.catalog.record(facts=[replace(fact, note=f"Replaced; what was there is {kept}")])
    if not attested:
        fetched = fetch_back(run.context, bucket, place, key, content, run.progress)
        fact = _dated(fetched, fact.at + TICK)
        record_seen(run.context, [fact])
    run.mended.append(
        Mended(
            patient=_patient(place, case),
            taken=taken,
            set_aside=kept,
            proven=fact.is_proof,
            not_cold="" if fact.is_proof else f"What was fetched back is {fact.result}.",
        )
    )


def _right_blocks(
    run: RepairRun,
    key: str,
    content: Content,
    givers: Sequence[AnyGiver],
    taken: dict[str, int],
) -> Iterator[memoryview]:
    """The file's blocks, each from the first copy that has it right."""
    for number in range(-(-content.size // BLOCK_BYTES)):
        for giver in givers:
            data = giver.block(number)
            if data is not None and is_right(content, number, data):
                taken[giver.name] = taken.get(giver.name, 0) + len(data)
                yield data
                run.progress.advance(len(data))
                break
        else:
            raise CopyDiffersError(key, number * BLOCK_BYTES)


def _dated(fact: Fact, earliest: datetime) -> Fact:
    return replace(fact, at=max(fact.at, earliest))


def _patient(place: Place, case: Case) -> Patient:
    return Patient(
        place=place.name,
        path=case.copy.path,
        size=case.file.size,
        found=case.trouble.result,
        damage=case.trouble.damage,
    )
