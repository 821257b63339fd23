"""The answer in one sentence, and the words that terminal, page and mail share. Pure.

Promises:
1. "Proven" is said only of rolls that every role has a proof of; "everything" only where there is
   something, and nothing of it has a gap.
2. ``answer`` and ``subject`` say the worst first, and nothing calms down what has to be done today.
3. All of it is text of any origin made fit for a terminal (``words.told``); a page escapes it anew.
"""

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.model import CopyState, Place, PlaceKind, Role, Standing
from backupkeeper.core.outcomes import RollCover
from backupkeeper.core.overview import DriveLine, Filling, Harm, Overview, ProofAge, Worry
from backupkeeper.core.steps import is_nowhere
from backupkeeper.core.trends import Level
from backupkeeper.report.words import age, count, plural, shown

_NUMBERS: Final = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip
TODAY: Final = "act today"
_DAMAGE: Final = "Damage is not mended"
_MANY_SHOOTS: Final = 20
_NEAR_DAYS: Final = 60
_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def number(value: int) -> str:
    """``three``; from 13 on in digits."""
    return _NUMBERS[value] if 0 <= value < len(_NUMBERS) else count(value)


def in_places(overview: Overview) -> str:
    """``in three places``: as many as the person wants roles filled."""
    roles = len(overview.gaps.rolls[0].roles) if overview.gaps.rolls else len(Role)
    return f"in {number(roles)} {'place' if roles == 1 else 'places'}"


def _where(overview: Overview) -> str:
    """Where all is proven; in the same breath what the person did not ask for."""
    shared = " that may share one device" if overview.gaps.may_share else ""
    return f"{in_places(overview)}{shared}"


def answer(overview: Overview) -> str:
    """How everything stands, in one sentence."""
    rolls, lacking = overview.gaps.rolls, overview.gaps.with_gaps
    urgent = next(_urgent(overview), "")
    if not rolls:
        nothing = _nothing_yet(overview)
        return f"{nothing[:-1]}; {urgent}: {TODAY}." if urgent else nothing
    if is_all_lost(overview):
        one = len(rolls) == 1
        said = (
            "The one roll is out of" if one else f"None of the {count(len(rolls))} rolls is within"
        )
        return f"{said} reach: every place is lost or retired."
    nowhere = [cover for cover in lacking if is_nowhere(cover)]
    if nowhere:
        what = "files with no proven copy" if any(map(_has_proven, nowhere)) else "no proven copy"
        return f"{_rolls(len(nowhere), 'has', 'have')} {what} anywhere: {TODAY}."
    if lacking:
        end = f"; {urgent}: {TODAY}." if urgent else f"{_unfinished(overview)}."
        return f"{_some_of(len(lacking), len(rolls))} proven {in_places(overview)}{end}"
    return _of_whole(overview, urgent)


def _of_whole(overview: Overview, urgent: str) -> str:
    """The answer where no roll has a gap."""
    proven = f"Everything is proven {_where(overview)}"
    if urgent:
        return f"{proven}, but {urgent}: {TODAY}."
    if overview.gaps.unfinished:
        taken = f"Everything that was taken in is proven {_where(overview)}"
        return f"{taken}{_unfinished(overview)}."
    if overview.worry is not Worry.NONE:
        soon = _soon(overview)
        return f"{proven}, and {number(soon)} {'thing needs' if soon == 1 else 'things need'} you soon."
    return f"{proven}."


def _soon(overview: Overview) -> int:
    return max(1, sum(step.worry is Worry.SOON for step in overview.steps))


def subject(overview: Overview) -> str:
    """The same in few words, for the subject of a mail."""
    rolls, lacking = overview.gaps.rolls, overview.gaps.with_gaps
    if rolls and is_all_lost(overview):
        return f"Every place lost or retired: {TODAY}"
    nowhere = sum(map(is_nowhere, lacking))
    if nowhere:
        return f"{_rolls(nowhere)} at risk: {TODAY}"
    urgent = next(_urgent(overview), "")
    if urgent:
        return f"{_DAMAGE if urgent == _DAMAGE.lower() else urgent}: {TODAY}"
    told = []
    if overview.gaps.unfinished:
        told.append(plural(len(overview.gaps.unfinished), "offload") + " not finished")
    if lacking:
        whole = _rolls(len(rolls))
        told.append(f"{count(len(lacking))} of {whole} not proven {in_places(overview)}")
    return ", ".join(told) or _calm(overview)


def _calm(overview: Overview) -> str:
    """The subject where no roll has a gap and no offload is left."""
    rolls = len(overview.gaps.rolls)
    if not rolls:
        return "No card taken in yet"
    every = f"All {_rolls(rolls)}" if rolls > 1 else "The one roll"
    more = (
        f"; {plural(_soon(overview), 'thing')} to do soon"
        if overview.worry is not Worry.NONE
        else ""
    )
    return f"{every} {_where(overview)}{more}"


def is_all_lost(overview: Overview) -> bool:
    """Whether there were places, and none is in use any more."""
    places = overview.gaps.places
    return bool(places) and all(place.standing is not Standing.ACTIVE for place in places)


def _nothing_yet(overview: Overview) -> str:
    if overview.gaps.unfinished:
        number_of = len(overview.gaps.unfinished)
        was = "offload was" if number_of == 1 else "offloads were"
        return f"{count(number_of)} {was} begun and not finished, and nothing is proven yet."
    active = [one for one in overview.gaps.places if one.standing is Standing.ACTIVE]
    if not active:
        return "Nothing is taken in yet: neither a card nor a place to keep one."
    return "No card is taken in yet, so there is nothing to keep so far."


def _rolls(number_of: int, one: str = "", many: str = "") -> str:
    verb = one if number_of == 1 else many
    return f"{plural(number_of, 'roll')} {verb}".rstrip()


def _some_of(some: int, whole: int) -> str:
    """``2 of 214 rolls are not``, ``None of the 3 rolls is``."""
    if whole == 1:
        return "The one roll is not"
    if some == whole:
        return f"None of the {count(whole)} rolls is"
    return f"{count(some)} of {count(whole)} rolls {'is' if some == 1 else 'are'} not"


def _unfinished(overview: Overview) -> str:
    number_of = len(overview.gaps.unfinished)
    if not number_of:
        return ""
    return f", and {plural(number_of, 'offload')} {'is' if number_of == 1 else 'are'} not finished"


def _has_proven(cover: RollCover) -> bool:
    return any(one.counts.get(CopyState.PROVEN) for one in cover.roles.values())


def _urgent(overview: Overview) -> Iterator[str]:
    """What is to be done today beside rolls without a copy, in few words, the worst first."""
    active = [one for one in overview.drives if one.place.standing is Standing.ACTIVE]
    for line in active:
        if line.advice is not None and line.advice.level is Level.REPLACE:
            yield f"{shown(line.place.name)} should be replaced"
    yield from (f"{shown(at.place.name)} is here without its marker" for at in active if at.is_bare)
    yield from (f"{shown(at.place.name)} is in doubt" for at in active if at.in_doubt)
    hurt = len([one for one in overview.harms if one.mended_at is None])
    damaged = any(
        one.counts.get(CopyState.DAMAGED)
        for cover in overview.gaps.with_gaps
        for one in cover.roles.values()
    )
    if hurt:
        yield f"{plural(hurt, 'damaged copy is', 'damaged copies are')} not mended"
    elif damaged:
        yield _DAMAGE.lower()


# -- words for single things


def state_words(state: CopyState) -> str:
    """A state as a person reads it."""
    return _STATES[state]


_STATES: Final = {
    CopyState.PROVEN: "proven",
    CopyState.DUE: "proof too old",
    CopyState.WRITTEN: "copied, not proven",
    CopyState.DAMAGED: "damaged",
    CopyState.MISSING: "missing",
    CopyState.OUT_OF_REACH: "out of reach",
    CopyState.ABSENT: "no copy",
}


def kind_words(place: Place) -> str:
    """``primary drive``, ``secondary folder``, ``cloud bucket``."""
    spins = "spinning " if place.kind is PlaceKind.DRIVE and place.spins else ""
    return f"{place.role} {spins}{place.kind}"


def standing_words(line: DriveLine, now: datetime) -> str:
    """``here``, ``away, last here 3 days ago``, ``lost``."""
    if line.place.standing is not Standing.ACTIVE:
        return line.place.standing.value
    if line.is_here:
        return "here"
    if line.last_seen is None:
        return "away, never seen since it was taken in"
    return f"away, last seen {age(line.last_seen, now)}"


def day(at: datetime, zone: tzinfo) -> str:
    """``2026-06-12`` where the person is."""
    return str(at.astimezone(zone).date())  # a third of what strftime takes


def month(at: datetime, zone: tzinfo) -> str:
    """``June 2026`` where the person is."""
    local = at.astimezone(zone)
    return f"{_MONTHS[local.month - 1]} {local.year}"


def filling_words(filling: Filling, now: datetime, zone: tzinfo) -> str:
    """``room for about 3 more shoots, full between March 2027 and June 2027``; why not, if not known."""
    told = []
    left = filling.shoots_left
    if left is not None and left < 1:
        told.append("the next usual shoot does not fit")
    elif left is not None and left >= _MANY_SHOOTS:
        told.append(f"room for more than {_MANY_SHOOTS} usual shoots")
    elif left is not None:
        told.append(f"full in about {plural(int(left), 'usual shoot')}")
    when = _when_full(filling, now, zone)
    if when:
        told.append(when)
    elif filling.why:
        told.append(f"when it is full is not known ({filling.why})")
    else:
        told.append("not full within ten years at this rate")
    return "; ".join(told)


def _when_full(filling: Filling, now: datetime, zone: tzinfo) -> str:
    if filling.earliest is None:
        return ""
    near = (filling.earliest - now).days < _NEAR_DAYS
    say = day if near else month
    first = say(filling.earliest, zone)
    if filling.latest is None:
        return f"at the earliest {first}"
    last = say(filling.latest, zone)
    return f"about {first}" if first == last else f"between {first} and {last}"


def ages_words(one: ProofAge) -> str:
    """``0 to 7 days``, ``365 days and more``, ``no proof that counts``."""
    if one.days_from is None:
        return "no proof that counts"
    if one.days_to is None:
        return f"{one.days_from} days and more"
    return f"{one.days_from} to {one.days_to} days"


def harm_words(harm: Harm, now: datetime) -> str:
    """``damaged, found 3 days ago, mended 2 days ago``."""
    ends = f"mended {age(harm.mended_at, now)}" if harm.mended_at is not None else "not mended"
    what = "changed by somebody" if harm.result.value == "changed" else harm.result.value
    return f"{what}, found {age(harm.found_at, now)}, {ends}"
