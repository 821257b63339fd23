"""Places that are lost, retired, back, renamed: in words and as JSON."""

from collections.abc import Mapping, Sequence

from backupkeeper.core.leaving import Amount, Leaving, RollLeft, total
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role, Standing
from backupkeeper.core.outcomes import PlaceBack, PlaceRenamed
from backupkeeper.core.steps import take_in
from backupkeeper.core.typed import typed
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.objects import place_json
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import plural, shown, size, told


def leaving_lines(leaving: Leaving, look: Look) -> list[Line]:
    """What it means, and whether it was recorded."""
    page = Page(look)
    _say_what_it_means(page, leaving)
    _say_what_is_copied(page, leaving)
    for folder in leaving.unfinished:
        page.say(
            "An offload that is not finished has files there. Offload its card again:",
            tone=Tone.WARN,
        )
        page.line(f"    {shown(folder)}")
    if leaving.uploads:
        page.say(
            f"{plural(leaving.uploads, 'upload')} under way to it: nobody goes on with them. Their "
            "parts cost money until the bucket's rule for unfinished uploads ends them."
        )
    _say_what_was_done(page, leaving)
    return page.lines


def done_lines(leaving: Leaving, look: Look) -> list[Line]:
    """Only whether it was recorded, for what it means was told before."""
    page = Page(look)
    _say_what_was_done(page, leaving)
    return page.lines


def _say_what_it_means(page: Page, leaving: Leaving) -> None:
    place = leaving.place
    held = total(one.held for one in leaving.rolls)
    page.say(
        f"{shown(place.name)} ({place.role}, {place.kind}): what it means that it is {leaving.standing}",
        tone=Tone.HEAD,
    )
    if not leaving.rolls:
        page.say("Nothing of any roll is known to be there.", indent=2)
        return
    page.say(f"On it: {_amount(held)} of {plural(len(leaving.rolls), 'roll')}.", indent=2)
    alone = [one for one in leaving.rolls if one.alone[0]]
    if alone:
        page.gap()
        page.say(
            f"{_amount(leaving.alone)} of {plural(len(alone), 'roll')} "
            f"{_have(leaving.alone)} no proven copy anywhere else:",
            tone=Tone.BAD,
        )
        for one in page.few(alone, indent=4):
            page.line(f"    {shown(one.roll.folder)}")
            page.say(_alone(one), indent=6)
    gaps = [one for one in leaving.rolls if one.has_gap]
    page.gap()
    if not gaps:
        page.say(f"No roll has a gap in the role {place.role} then.", tone=Tone.GOOD)
        return
    have = "has" if len(gaps) == 1 else "have"
    page.say(
        f"{plural(len(gaps), 'roll')} {have} a gap in the role {place.role} then:", tone=Tone.WARN
    )
    for one in page.few(gaps, indent=4):
        page.line(f"    {shown(one.roll.folder)}{'' if one.opens else ' (it has one now)'}")


def _alone(one: RollLeft) -> str:
    if one.last[0] == one.alone[0]:
        return f"{_amount(one.alone)}; there is no other copy that could be good"
    if one.last[0]:
        return f"{_amount(one.alone)}; of {_amount(one.last)} no other copy that could be good"
    return f"{_amount(one.alone)}; other copies wait for a proof"


def _say_what_is_copied(page: Page, leaving: Leaving) -> None:
    nowhere = total(one.nowhere for one in leaving.rolls)
    if leaving.copied[0]:
        page.gap()
        page.say(f"To be copied: {_amount(leaving.copied)}.")
        for ident, amount in leaving.sources().items():
            source = leaving.places[ident]
            page.say(f"from {shown(source.name)}: {_amount(amount)}", indent=4)
            if source.kind is PlaceKind.BUCKET:
                page.say("No drive has these: bring them back with backupkeeper restore.", indent=6)
        page.say(_to(leaving), indent=2)
    if nowhere[0]:
        page.say(f"{_amount(nowhere)} can be copied from no place.", tone=Tone.BAD)


def _to(leaving: Leaving) -> str:
    if leaving.replacement is not None:
        return f"They go to {shown(leaving.replacement)}."
    if leaving.targets:
        names = " or ".join(shown(one.name) for one in leaving.targets)
        return f"They go to {names}, as far as there is room."
    return (
        f"No other place has the role {leaving.place.role}: they wait until one is taken in "
        "(backupkeeper place replace, or place add)."
    )


def _say_what_was_done(page: Page, leaving: Leaving) -> None:
    name = shown(leaving.place.name)
    page.gap()
    if leaving.refused:
        page.say(
            "NOT recorded: what has no other proven copy stands only there. Copy and prove it first "
            "(backupkeeper mirror, upload, verify), or add --even-so.",
            tone=Tone.BAD,
        )
    elif leaving.done_at is None:
        page.say("Nothing was changed.", tone=Tone.QUIET)
    else:
        page.say(f"Recorded: {name} is {leaving.standing}.", tone=Tone.GOOD)
        if leaving.copied[0] and leaving.replacement is None and not leaving.targets:
            page.say(
                f"No other place has the role {leaving.place.role}: nothing fills the gap until one is "
                "taken in:",
                indent=2,
                tone=Tone.WARN,
            )
            page.line(f"    {take_in(leaving.place.role).command}")
        elif leaving.copied[0]:
            how = "upload" if leaving.place.role is Role.CLOUD else "mirror"
            page.say(
                "The daemon fills the gap by itself, the rolls with the fewest proven copies first; "
                f"by hand: backupkeeper {how}",
                indent=2,
            )
        page.say(
            f"If it comes back: backupkeeper place found {typed(leaving.place.name)}",
            indent=2,
            tone=Tone.QUIET,
        )


def _amount(amount: Amount) -> str:
    return f"{plural(amount[0], 'file')} ({size(amount[1])})"


def _have(amount: Amount) -> str:
    return "has" if amount[0] == 1 else "have"


def leaving_json(leaving: Leaving, taken: Place | None = None) -> Json:
    """All of it, every roll."""
    found: dict[str, object] = {
        "version": 1,
        "place": place_json(leaving.place),
        "standing": leaving.standing.value,
        "recorded": leaving.done_at is not None,
        "refused": leaving.refused,
        "alone": _counted(leaving.alone),
        "copied": _counted(leaving.copied),
        "from": _sources(leaving, leaving.sources()),
        "to": [one.name for one in leaving.targets]
        if leaving.replacement is None
        else [leaving.replacement],
        "rolls_with_gaps": leaving.with_gaps,
        "unfinished": list(leaving.unfinished),
        "uploads_under_way": leaving.uploads,
        "rolls": [
            {
                "folder": one.roll.folder,
                "held": _counted(one.held),
                "opens_gap": one.opens,
                "has_gap": one.has_gap,
                "alone": _counted(one.alone),
                "no_other_copy": _counted(one.last),
                "copied": _counted(one.copied),
                "from": _sources(leaving, one.sources),
                "from_nowhere": _counted(one.nowhere),
            }
            for one in leaving.rolls
        ],
    }
    if taken is not None:
        found["taken_in"] = place_json(taken)
    return found


def _counted(amount: Amount) -> dict[str, int]:
    return {"files": amount[0], "bytes": amount[1]}


def _sources(leaving: Leaving, sources: Mapping[PlaceId, Amount]) -> Sequence[object]:
    return [
        {"place": leaving.places[ident].name, **_counted(amount)}
        for ident, amount in sources.items()
    ]


def back_lines(back: PlaceBack, look: Look) -> list[Line]:
    """That a place counts again, and what makes its copies count."""
    page = Page(look)
    name = shown(back.place.name)
    if back.marked_at:
        page.say(f"{name} has its marker again, at {shown(back.marked_at)}.", tone=Tone.GOOD)
    if back.was is not Standing.ACTIVE:
        page.say(f"{name} is no longer {back.was}.", tone=Tone.GOOD)
    if back.files:
        page.say(
            f"Nothing on it counts as proven before it was read again: "
            f"{plural(back.files, 'copy', 'copies')}, {size(back.size_bytes)}. The daemon reads them by "
            "itself when it is here" + _or_by_hand(back.place),
            indent=2,
        )
        page.line(f"    backupkeeper verify {typed(back.place.name)}")
    return page.lines


def _or_by_hand(place: Place) -> str:
    if place.kind is PlaceKind.BUCKET:
        return " (from a bucket it fetches all of it, which may cost money); by hand:"
    return "; by hand:"


def back_json(back: PlaceBack) -> Json:
    """The same."""
    return {
        "version": 1,
        "place": place_json(back.place),
        "was": back.was.value,
        "marked_at": back.marked_at or None,
        "to_be_proven": {"files": back.files, "bytes": back.size_bytes},
    }


def renamed_lines(renamed: PlaceRenamed, look: Look, *, dry_run: bool) -> list[Line]:
    """The new name, and whether the place itself tells it yet."""
    page = Page(look)
    name, was = shown(renamed.place.name), shown(renamed.was)
    if dry_run:
        page.say(f"{was} can be called {name}. Nothing was changed.")
        return page.lines
    page.say(f"{was} is called {name} now.", tone=Tone.GOOD)
    if renamed.marker_waits:
        page.say(
            f"Its marker still tells the old name ({told(renamed.marker_waits)}). It is written anew "
            "after the next work there.",
            indent=2,
            tone=Tone.WARN,
        )
    return page.lines


def renamed_json(renamed: PlaceRenamed, *, dry_run: bool) -> Json:
    """The same."""
    return {
        "version": 1,
        "place": place_json(renamed.place),
        "was": renamed.was,
        "recorded": not dry_run,
        "marker_waits": renamed.marker_waits,
    }
