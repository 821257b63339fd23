"""The drills that were made, the one that is due, and what is to be said of them in status and report."""

from collections.abc import Iterator

from backupkeeper.actions.context import Context
from backupkeeper.actions.sample_budget import fetched_now
from backupkeeper.core.deeds import DrillDue
from backupkeeper.core.drill_choice import Allowance, Candidate, choose
from backupkeeper.core.drilling import (
    MONTH,
    Drilled,
    DrillResult,
    drilled_of,
    is_time,
    last_of,
)
from backupkeeper.core.model import EventKind, Place, PlaceKind, RollHead, Standing


def noted_drills(context: Context) -> list[Drilled]:
    """Everything that is remembered of drills, oldest first."""
    events = context.catalog.events((EventKind.DRILLED,))
    return [made for made in map(drilled_of, events) if made is not None]


def drills(context: Context) -> list[Drilled]:
    """All that were made, oldest first."""
    only_noted = {DrillResult.BEGUN, DrillResult.DECLINED}
    return [one for one in noted_drills(context) if one.result not in only_noted]


def held(context: Context, place: Place) -> list[RollHead]:
    """Rolls of which the place has, or had, anything."""
    return [
        head
        for head in context.catalog.rolls()
        if next(iter(context.catalog.facts_at(place.id, below=head.folder)), None) is not None
    ]


def allowance_now(context: Context) -> Allowance:
    """What drills that the daemon makes may still fetch this month."""
    proofs = context.config.proofs
    return Allowance(
        folder=proofs.drill_folder,
        budget=proofs.budget,
        prices=context.config.prices,
        fetched=fetched_now(context) if proofs.budget.is_bounded else {},
    )


def drill_due(context: Context) -> DrillDue | None:
    """The drill that the daemon is to make; None: none is due, or it makes none."""
    proofs, now = context.config.proofs, context.clock.now()
    if not proofs.drill_folder or not is_time(last_of(drills(context)), now, proofs.drill_months):
        return None
    return choose(_candidates(context), noted_drills(context), allowance_now(context), now)


def _candidates(context: Context) -> Iterator[Candidate]:
    for place in context.catalog.places():
        if place.kind is not PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
            continue
        heads: dict[str, list[RollHead]] = {}
        for head in held(context, place):
            heads.setdefault(head.shoot, []).append(head)
        for shoot, rolls in heads.items():
            yield Candidate(
                shoot=shoot,
                place=place.id,
                name=place.name,
                size_bytes=sum(one.size_bytes for one in rolls),
                files=sum(one.file_count for one in rolls),
            )


def drill_sentence(context: Context) -> str:
    """What is known of the last drill, in a sentence; empty while there is nothing to drill with."""
    last = last_of(drills(context))
    if last is None and not context.catalog.rolls():
        return ""
    if last is None:
        return "There never was a restore drill: nothing shows yet that a shoot comes back whole."
    how = (
        f"all {last.files:,} files came back right"
        if last.result is DrillResult.RIGHT
        else "not everything came back right"
    )
    return f"{last.at:%Y-%m-%d}: {last.shoot} from {last.place}: {how}."


def drill_warnings(context: Context) -> tuple[str, ...]:
    """What is worth doing about drills: one went wrong, or it is time for one."""
    last, months = last_of(drills(context)), context.config.proofs.drill_months
    if last is not None and last.result is DrillResult.WRONG:
        wrong = (
            f"The last restore drill ({last.shoot} from {last.place}) did not bring everything back "
            "right. See 'backupkeeper gaps', mend what it names, and repeat the drill."
        )
        return (wrong,)
    now = context.clock.now()
    if is_time(last, now, months):
        due = drill_due(context)
        if due is not None and due.why_not:
            return (f"It is time for a restore drill. {due.why_not}",)
        if due is not None and (last is None or not is_time(last, now - MONTH, months)):
            return ()  # the daemon makes it
        wanted = (
            "It is time for a restore drill: 'backupkeeper drill --to DIR' brings a shoot back into a "
            "scratch folder and compares it."
        )
        return (wanted,)
    return ()
