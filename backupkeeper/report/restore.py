"""What a restore would do, and did, in words and as an object.

Promise: a file is counted as restored only where it was read back right; costs are told only where the
prices are known.
"""

from collections.abc import Mapping, Sequence

from backupkeeper.core.prices import money
from backupkeeper.core.restoring import Fate, NotThere, Portion, RestoreOutcome, RestorePlan
from backupkeeper.core.typed import typed
from backupkeeper.report.deeds import say_sentences, say_troubles
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import duration, plural, shown, size, spans, told


def plan_lines(plan: RestorePlan, look: Look, deed: str = "Restore") -> list[Line]:
    """Everything that is to be known before it is done; ``deed`` is what it is called."""
    page = Page(look)
    page.say(f"{deed} of {shown(plan.what)}: {plural(plan.files, 'file')}, {size(plan.size_bytes)}")
    page.line(f"  to {shown(plan.to)}")
    for one in plan.portions:
        _say_portion(page, plan, one)
    if plan.there_files:
        what = f"{plural(plan.there_files, 'file')}, {size(plan.there_bytes)}"
        page.say(f"There already, to be read and compared: {what}", indent=2)
    if plan.other:
        page.head(f"Something else stands there, and is left: {plural(len(plan.other), 'file')}")
        page.paths(plan.other, indent=4)
    if plan.homeless:
        page.head(f"No copy can be had now: {plural(len(plan.homeless), 'file')}")
        page.paths(plan.homeless, indent=4)
        say_sentences(page, "Not asked", plan.away)
    if plan.needed_bytes:
        room = f"{size(plan.needed_bytes)} are needed there, {size(plan.free_bytes)} are free."
        page.say(room if plan.fits else f"There is no room: {room}", tone=_tone(good=plan.fits))
    if plan.seconds:
        page.say(f"Time, as fast as these places were before: about {duration(plan.seconds)}.")
    _say_cost(page, plan)
    return page.lines


def _tone(*, good: bool) -> Tone:
    return Tone.PLAIN if good else Tone.BAD


def _say_portion(page: Page, plan: RestorePlan, one: Portion) -> None:
    what = f"{plural(one.files, 'file')}, {size(one.size_bytes)} from {shown(one.place)}"
    more = [f"about {duration(one.seconds)}"] if one.seconds else []
    if one.is_bucket:
        more.append(f"at least {plural(one.requests, 'request')}")
        if one.cost is not None:
            more.append(money(one.cost, plan.currency))
    page.say(f"{what}{' (' + ', '.join(more) + ')' if more else ''}", indent=2)
    if one.asleep_files:
        page.say(
            f"{plural(one.asleep_files, 'file')} of these, {size(one.asleep_bytes)}, must be thawed "
            "first: the store is asked to, and that takes hours or days.",
            indent=4,
            tone=Tone.WARN,
        )


def _say_cost(page: Page, plan: RestorePlan) -> None:
    if not any(one.is_bucket for one in plan.portions):
        return
    if plan.cost is None:
        page.say("What it costs is not known: there are no prices for it under [prices].")
    else:
        page.say(f"It costs {money(plan.cost, plan.currency)}, by your prices.")


def restore_lines(outcome: RestoreOutcome, look: Look, deed: str = "restored") -> list[Line]:
    """What came of it; ``deed`` is what was done with the files."""
    page = Page(look)
    if not outcome.done:
        page.say("Nothing was done.")
        return page.lines
    what = f"{plural(outcome.restored_files, 'file')}, {size(outcome.restored_bytes)}"
    well = outcome.all_well
    proven = (
        f"{deed}, each read back" if not outcome.not_cold else f"{deed}, not all proven: see below"
    )
    if outcome.kept_files and not outcome.restored_files:
        what, proven = plural(outcome.kept_files, "file"), "stood there already, right"
    page.say(
        f"{what}: {proven} (in {duration(outcome.seconds)})",
        first=f"{look.full if well else look.open} ",
        tone=Tone.GOOD if well else Tone.WARN,
    )
    if outcome.kept_files and outcome.restored_files:
        page.say(f"{plural(outcome.kept_files, 'file')} stood there already, right.", indent=2)
    for name, count in outcome.taken.items():
        page.say(f"{size(count)} came from {shown(name)}", indent=2)
    for fate in Fate:
        found = [one for one in outcome.not_there if one.fate is fate]
        if found:
            _say_missing(page, fate, found)
    _say_notes(page, outcome)
    say_troubles(page, outcome.troubles)
    if outcome.histories:
        page.say("Each whole roll has its manifests with it. To check it at any time, anywhere:")
        page.line(f"  backupkeeper verify {typed(outcome.plan.to)}")
    return page.lines


def _say_notes(page: Page, outcome: RestoreOutcome) -> None:
    if outcome.come_again:
        page.head("Come again")
        page.say(told(outcome.come_again), indent=2)
    if outcome.renamed:
        page.head("Called otherwise there, for its file system can't hold these names")
        for old, new in page.few(outcome.renamed, indent=2):
            page.line(f"  {shown(old)}")
            page.line(f"    {shown(new)}")
    if outcome.not_cold:
        page.head("Not proven")
        page.say(
            f"What was written could not be read back from the medium: {told(outcome.not_cold)}",
            indent=2,
            tone=Tone.WARN,
        )
    say_sentences(page, "To know", outcome.notes)


def _say_missing(page: Page, fate: Fate, found: Sequence[NotThere]) -> None:
    page.head(f"{_HEADS[fate]}: {plural(len(found), 'file')}")
    for one in page.few(found, indent=4):
        page.line(f"    {shown(one.path)}", Tone.WARN if fate is Fate.THAWING else Tone.BAD)
        if one.why:
            page.say(told(one.why), indent=6)
        if one.lost:
            page.say(f"no copy has right: {spans(one.lost, one.size)}", indent=6)


_HEADS: Mapping[Fate, str] = {
    Fate.OTHER: "Something else stands there, and was left as it is",
    Fate.LOST: "Not restored, for no copy has all of it right",
    Fate.HOMELESS: "Not restored, for no copy can be had now",
    Fate.FAILED: "Not restored",
    Fate.THAWING: "Being thawed by the store",
}


def restore_json(outcome: RestoreOutcome) -> Json:
    """``cost`` is a text with all its digits, null where a price is not known."""
    return {
        "version": 1,
        "plan": _plan(outcome.plan),
        "done": outcome.done,
        "all_well": outcome.all_well,
        "restored_files": outcome.restored_files,
        "restored_bytes": outcome.restored_bytes,
        "kept_files": outcome.kept_files,
        "taken_bytes": dict(outcome.taken),
        "not_there": [
            {
                "path": one.path,
                "size": one.size,
                "fate": one.fate.name.lower(),
                "why": one.why or None,
                "lost": [list(span) for span in one.lost],
            }
            for one in outcome.not_there
        ],
        "histories": list(outcome.histories),
        "renamed": [{"path": old, "there": new} for old, new in outcome.renamed],
        "not_cold": outcome.not_cold or None,
        "notes": list(outcome.notes),
        "troubles": [
            {"place": one.place, "path": one.path, "message": one.message}
            for one in outcome.troubles
        ],
        "come_again": outcome.come_again or None,
        "seconds": round(outcome.seconds, 3),
    }


def _plan(plan: RestorePlan) -> dict[str, object]:
    return {
        "what": plan.what,
        "to": plan.to,
        "files": plan.files,
        "bytes": plan.size_bytes,
        "from": [
            {
                "place": one.place,
                "files": one.files,
                "bytes": one.size_bytes,
                "seconds": round(one.seconds, 1) if one.seconds is not None else None,
                "requests": one.requests,
                "cost": str(one.cost) if one.cost is not None else None,
                "to_thaw_files": one.asleep_files,
                "to_thaw_bytes": one.asleep_bytes,
            }
            for one in plan.portions
        ],
        "there_files": plan.there_files,
        "there_bytes": plan.there_bytes,
        "other": list(plan.other),
        "out_of_reach": list(plan.homeless),
        "away": list(plan.away),
        "needed_bytes": plan.needed_bytes,
        "free_bytes": plan.free_bytes,
        "seconds": round(plan.seconds, 1) if plan.seconds is not None else None,
        "cost": str(plan.cost) if plan.cost is not None else None,
        "currency": plan.currency or None,
    }
