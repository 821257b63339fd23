"""A roll that is known from another place, lying here in the same folder: compared and recorded.

Promises:
1. Each of its files is read from the medium and compared with what the roll says; a fact tells what was
   found, also where it is damaged. Nothing is written but the manifest, once all of it is right.
2. What the roll lacks here, and what lies here beside it, is told, and left as it is.
"""

from collections.abc import Sequence

from backupkeeper.actions.changes import drive_of, originals_in
from backupkeeper.actions.context import Context
from backupkeeper.actions.histories import record_arrival
from backupkeeper.actions.online import OnlineDrive, holding, make_durable
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import Fact, PlaceId, Result, Roll, RollFile, RollHead
from backupkeeper.core.outcomes import AdoptOutcome, Trouble
from backupkeeper.manifests.mhl_model import Process
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReader

FACTS_A_STEP = 50


def adopt_again(
    context: Context, place: PlaceId, head: RollHead, progress: Progress
) -> AdoptOutcome:
    """Compare what lies in a known roll's folder at a place that nothing is known of.

    Raises:
        OutOfReachError: the drive is not here, goes, or is in use.
        ReadError: the folder can't be listed.
        SyncError: what was put there could not be made durable.
    """
    begun = context.clock.monotonic()
    drive = drive_of(context, place)
    with holding(context, [drive], doing=f"taking in {head.folder}"):
        roll = context.catalog.roll(head.id)
        drive.guard()
        make_durable(context, drive)
        listing = originals_in(context, drive, head.folder)
        here = {f"{head.folder}/{entry.path}" for entry in listing.files}
        pairs = _pairs(roll, here)
        progress.begin(
            f"Taking in {head.folder}",
            total_bytes=sum(file.size for _, file in pairs),
            total_files=len(pairs),
        )
        facts, not_cold = _compare(context, drive, pairs, progress)
        progress.end()
        warnings = record_arrival(context, drive, roll, process=Process.IN_PLACE)
    lacking = len(roll.files) - len(pairs)
    if lacking:
        are = "1 file of the roll is" if lacking == 1 else f"{lacking} files of the roll are"
        warnings.append(f"{are} not there; mirror brings what is missing.")
    known = {path for path, _ in pairs}
    wrong = [fact for fact in facts if fact.result is not Result.MATCHES]
    told = [(fact.path, f"It is not what the roll says: {fact.result.value}.") for fact in wrong]
    told += [(path, "The roll does not know it; it was left as it is.") for path in here - known]
    return AdoptOutcome(
        place=drive.place.name,
        folder=head.folder,
        roll=head,
        files=len(facts) - len(wrong),
        size_bytes=sum(file.size for _, file in pairs),
        read_bytes=sum(file.size for _, file in pairs),
        proven=sum(fact.is_proof for fact in facts),
        not_cold=not_cold,
        warnings=tuple(warnings),
        troubles=tuple(
            Trouble(place=drive.place.name, path=path, message=why) for path, why in sorted(told)
        ),
        seconds=context.clock.monotonic() - begun,
    )


def _pairs(roll: Roll, here: set[str]) -> list[tuple[str, RollFile]]:
    """Each file of the roll that stands here, with its path here."""
    paths = [*(file.path for file in roll.files), *roll.folders]
    homes = possible_paths(roll.head.folder, paths)
    found = []
    for file in roll.files:
        home = next((path for path in homes[file.path] if path in here), None)
        if home is not None:
            found.append((home, file))
    return found


def _compare(
    context: Context,
    drive: OnlineDrive,
    pairs: Sequence[tuple[str, RollFile]],
    progress: Progress,
) -> tuple[list[Fact], str]:
    facts: list[Fact] = []
    kept, not_cold = 0, ""
    reader = ColdReader(context.files, drive.cold)
    try:
        for path, file in pairs:
            progress.file(path)
            fact, reading = prove_copy(context, drive, path, file, progress=progress, reader=reader)
            facts.append(fact)
            progress.advance(0, files=1)
            if reading is not None and not reading.cold:
                not_cold = reading.why_not_cold
            if len(facts) - kept >= FACTS_A_STEP:
                record_seen(context, facts[kept:])
                kept = len(facts)
    finally:
        record_seen(context, facts[kept:])
    return facts, not_cold
