"""Exit codes: 0 yes, all well; 1 attention needed; 2 wrong usage; 3 could not finish.

Promise: 0 only where everything that was asked for was shown. ``verify`` that found damage exits 1
even if something else could not be reached: damage is the news.
"""

from collections.abc import Sequence

from backupkeeper.core.adopting import AdoptAll
from backupkeeper.core.bucket_advice import Level
from backupkeeper.core.drilling import DrillOutcome, DrillResult
from backupkeeper.core.leaving import Leaving
from backupkeeper.core.mending import RepairOutcome
from backupkeeper.core.merging import MergeOutcome
from backupkeeper.core.outcomes import (
    GapReport,
    MirrorOutcome,
    OffloadOutcome,
    PlaceCheck,
    Trouble,
    UploadOutcome,
    Verdict,
    VerifyOutcome,
)
from backupkeeper.core.overview import Overview, Worry
from backupkeeper.core.posters import PostersOutcome
from backupkeeper.core.prices import BucketCost
from backupkeeper.core.rebuilding import RebuildOutcome
from backupkeeper.core.restoring import Fate, RestoreOutcome

WELL = 0
ATTENTION = 1
WRONG_USAGE = 2
NOT_FINISHED = 3


def _whole_place(troubles: Sequence[Trouble]) -> bool:
    return any(not trouble.path for trouble in troubles)


def of_verdict(verdict: Verdict, *, unwritten: bool = False) -> int:
    """0 for yes and for nothing else; 3 where a receipt was asked for and is not there."""
    if unwritten:
        return NOT_FINISHED
    return WELL if verdict.may_wipe else ATTENTION


def of_leaving(leaving: Leaving) -> int:
    """1 where something falls short then, or it was refused."""
    falls_short = leaving.with_gaps > 0 or leaving.alone[0] > 0
    return ATTENTION if falls_short or leaving.refused else WELL


def of_gaps(report: GapReport) -> int:
    """1 where a roll has a gap, or an offload was begun and not finished."""
    return ATTENTION if report.with_gaps or report.unfinished else WELL


def of_overview(overview: Overview) -> int:
    """0 only where there is something, and nothing of it, nor of its places, needs a person."""
    return WELL if overview.worry is Worry.NONE else ATTENTION


def of_posters(outcome: PostersOutcome) -> int:
    """0: no clip that was asked about lacks its poster."""
    return ATTENTION if outcome.missing else WELL


def of_rebuild(outcome: RebuildOutcome) -> int:
    """0: something was found, and nothing is left to see to."""
    return WELL if outcome.all_well else ATTENTION


def of_merge(outcome: MergeOutcome) -> int:
    """0: something was there, and nothing of it had to be refused."""
    return WELL if outcome.all_well else ATTENTION


def of_adopt(outcome: AdoptAll) -> int:
    """0: something was found, all of it could be placed, and what was read is right and proven."""
    return WELL if outcome.all_well else ATTENTION


def of_offload(outcome: OffloadOutcome) -> int:
    """0: every file of the card is proven on every drive that is here."""
    if not outcome.sealed:
        return NOT_FINISHED
    files = card_files(outcome)
    if not files:
        return ATTENTION  # an empty folder is more often a card that is not mounted
    proven = all(outcome.proven_at.get(place, 0) >= files for place in outcome.places)
    short = outcome.troubles or outcome.specials or outcome.not_cold or outcome.unwritten
    if short or not proven:
        return ATTENTION
    return WELL if outcome.places else NOT_FINISHED


def card_files(outcome: OffloadOutcome) -> int:
    """Files of the card that were read."""
    return outcome.new_files + outcome.resumed_files + outcome.known_files


def of_mirror(outcome: MirrorOutcome) -> int:
    """1 where something waits or went wrong; 3 where a whole drive could not be used."""
    if _whole_place(outcome.troubles):
        return NOT_FINISHED
    return ATTENTION if outcome.troubles or outcome.not_cold or outcome.waiting else WELL


def of_upload(outcomes: Sequence[UploadOutcome]) -> int:
    """1 where something waits or went wrong, or there is no bucket; 3 where one did not answer."""
    if any(_whole_place(one.troubles) for one in outcomes):
        return NOT_FINISHED
    well = outcomes and not any(one.troubles or one.waiting for one in outcomes)
    return WELL if well else ATTENTION


def of_verify(outcome: VerifyOutcome, *, asked: bool) -> int:
    """1 where something is not well, else 3 where something that was asked for was not reached.

    Args:
        outcome: what was found.
        asked: whether the person named something: then a place that is not here was asked for too.
    """
    found = outcome.checked or outcome.manifest_faults or outcome.not_cold
    if found or any(trouble.path for trouble in outcome.troubles):
        return ATTENTION
    nothing_read = outcome.skipped and not outcome.matching_files
    if outcome.troubles or nothing_read or (asked and outcome.skipped):
        return NOT_FINISHED
    return WELL if outcome.matching_files else ATTENTION  # nothing read is nothing shown


def of_check(check: PlaceCheck) -> int:
    """1 where a person should do something about it."""
    return ATTENTION if any(one.level is not Level.NOTE for one in check.advice) else WELL


def of_repair(outcome: RepairOutcome) -> int:
    """0: nothing that is known is left damaged; 3 where a whole place could not be used."""
    if _whole_place(outcome.troubles):
        return NOT_FINISHED
    return WELL if outcome.all_well else ATTENTION


def of_costs(costs: Sequence[BucketCost]) -> int:
    """3 where a bucket could not be asked."""
    return NOT_FINISHED if any(one.trouble for one in costs) else WELL


def of_drill(outcome: DrillOutcome) -> int:
    """0: all of it came back right (or nothing was to be done); 3: it could not be ended."""
    if outcome.result is DrillResult.UNFINISHED:
        return NOT_FINISHED
    well = outcome.result in {None, DrillResult.RIGHT} and not outcome.left
    return WELL if well else ATTENTION


def of_restore(outcome: RestoreOutcome) -> int:
    """0: all that was asked for is there, proven, or was only to be told.

    1: something stands there that is not it, or no copy has all of a file right. 3: something could
    not be reached, or is being thawed: worth coming back for.
    """
    if not outcome.done:
        return WELL
    if any(one.fate in {Fate.OTHER, Fate.LOST} for one in outcome.not_there):
        return ATTENTION
    if outcome.not_there or _whole_place(outcome.troubles):
        return NOT_FINISHED
    return WELL if outcome.all_well else ATTENTION
