"""The drills that were made, and what is to be said of them in status and the weekly report."""

from backupkeeper.actions.context import Context
from backupkeeper.core.drilling import Drilled, DrillResult, drilled_of, is_time, last_of
from backupkeeper.core.model import EventKind


def drills(context: Context) -> list[Drilled]:
    """All that are remembered, oldest first."""
    events = context.catalog.events((EventKind.DRILLED,))
    return [made for made in map(drilled_of, events) if made is not None]


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
    if is_time(last, context.clock.now(), months):
        wanted = (
            "It is time for a restore drill: 'backupkeeper drill --to DIR' brings a shoot back into a "
            "scratch folder and compares it."
        )
        return (wanted,)
    return ()
