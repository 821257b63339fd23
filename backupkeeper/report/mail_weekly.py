"""What the mail on how everything stands says: the weekly one, and the one that is asked for by hand.

Promises:
1. The answer comes first, then what to do, then when the next word is due.
2. 100 % is said only where every file is proven.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Final

from backupkeeper.core.drilling import Drilled, DrillResult
from backupkeeper.core.model import CopyState, Role, Standing
from backupkeeper.core.outcomes import RoleCover, RollCover
from backupkeeper.core.overview import BucketLine, DriveLine, Harm, Overview, Worry
from backupkeeper.report.arrivals import arrival_text
from backupkeeper.report.gaps import name_of
from backupkeeper.report.mail import Maker, Said, due_next, instead_of, made_by, said
from backupkeeper.report.mail_parts import Bar, Draft, Item, Lead, Part, Tone, called
from backupkeeper.report.overview_words import answer, day, state_words, subject
from backupkeeper.report.words import age, count, plural, size

MOST_STEPS: Final = 8
LATELY: Final = timedelta(days=30)
"""Damage that was mended is told for so long."""
_TONES: Final = MappingProxyType(
    {Worry.NONE: Tone.GOOD, Worry.SOON: Tone.WARN, Worry.NOW: Tone.BAD}
)
_PARTS: Final = MappingProxyType(
    {
        CopyState.PROVEN: Part.PROVEN,
        CopyState.DUE: Part.DUE,
        CopyState.WRITTEN: Part.DUE,
    }
)
_DRILLS: Final = MappingProxyType(
    {
        DrillResult.RIGHT: "all of it came back right",
        DrillResult.WRONG: "NOT all of it came back right",
        DrillResult.UNFINISHED: "it could not be ended, so it shows nothing",
    }
)


def weekly(
    overview: Overview, maker: Maker, *, replaces: datetime | None = None, most: int = 40
) -> Said:
    """What it says.

    Args:
        overview: how everything stands.
        maker: where and by what it is made.
        replaces: when the one was made that it replaces.
        most: so many rows of a table, and steps, are told.
    """
    draft = Draft(most=most)
    draft.blocks.append(Lead(answer(overview), _TONES[overview.worry]))
    _steps(draft, overview)
    instead_of(draft, replaces, maker.zone)
    draft.say(due_next(overview.next_at, maker.zone))
    _roles(draft, overview)
    _gaps(draft, overview)
    _drives(draft, overview)
    _buckets(draft, overview, maker)
    _harms(draft, overview, maker)
    _drill(draft, overview)
    _notes(draft, overview)
    made_by(draft, maker, overview.at)
    return said(subject(overview), draft.blocks)


def _steps(draft: Draft, overview: Overview) -> None:
    if not overview.steps:
        return
    draft.head("What to do")
    draft.items(
        [
            Item(
                f"{step.words} ({plural(step.rolls, 'roll')})" if step.rolls else step.words,
                step.command,
            )
            for step in overview.steps
        ],
        most=MOST_STEPS,
    )


def _roles(draft: Draft, overview: Overview) -> None:
    rolls = overview.gaps.rolls
    if not rolls:
        return
    draft.head("Copies")
    total = plural(len(rolls), "roll")
    held = size(sum(cover.roll.size_bytes for cover in rolls))
    draft.say(
        f"{total}, {held}. A file is proven where all its bytes were compared and matched: read back from "
        "a drive, or checked by the store on arrival or fetched back."
    )
    rows = list(_role_rows(rolls))
    draft.table(("Role", "Proven", "Files", "The others"), rows, lambda row: row)


def _role_rows(rolls: Sequence[RollCover]) -> Iterator[tuple[str | Bar, ...]]:
    roles = dict.fromkeys(role for cover in rolls for role in cover.roles)
    for role in roles:
        counts = _counts(cover.roles[role] for cover in rolls if role in cover.roles)
        proven, total = counts.get(CopyState.PROVEN, 0), sum(counts.values())
        parts: dict[Part, int] = dict.fromkeys(Part, 0)
        for state, number in counts.items():
            parts[_PARTS.get(state, Part.LACKING)] += number
        others = [
            f"{state_words(state)}: {count(counts[state])}"
            for state in CopyState
            if state is not CopyState.PROVEN and counts.get(state)
        ]
        shared = sum(
            role in cover.gaps and cover.roles[role].state is CopyState.PROVEN for cover in rolls
        )
        if shared:
            others.append(f"{plural(shared, 'roll shares', 'rolls share')} a device")
        yield (
            role.value,
            Bar(parts=tuple(parts.items()), says=_percent(proven, total)),
            f"{count(proven)} of {count(total)}",
            ", ".join(others) or "none",
        )


def _counts(covers: Iterable[RoleCover]) -> Mapping[CopyState, int]:
    found: dict[CopyState, int] = {}
    for cover in covers:
        for state, number in cover.counts.items():
            found[state] = found.get(state, 0) + number
    return found


def _percent(proven: int, total: int) -> str:
    """Rounded down; what is proven at all is not nothing."""
    if not total:
        return "no files"
    share = proven * 100 // total
    return f"{share} %" if share or not proven else "below 1 %"


def _gaps(draft: Draft, overview: Overview) -> None:
    lacking = overview.gaps.with_gaps
    if not lacking:
        return
    draft.head("Rolls with a gap, worst first")
    columns = ("Roll", "What lacks", "At risk")
    draft.table(columns, lacking, _gap, hint="backupkeeper gaps")


def _gap(cover: RollCover) -> tuple[str, ...]:
    lacks = "; ".join(_lack(role, cover) for role in cover.gaps)
    return called(name_of(cover)), lacks, size(cover.bytes_at_risk)


def _lack(role: Role, cover: RollCover) -> str:
    one = cover.roles[role]
    if one.state is CopyState.PROVEN:
        return f"{role.value}: on a device that another copy is on"
    worst, total = one.counts.get(one.state, 0), cover.roll.file_count
    some = f" ({count(worst)} of {plural(total, 'file')})" if worst < total else ""
    return f"{role.value}: {state_words(one.state)}{some}"


def _drives(draft: Draft, overview: Overview) -> None:
    active = [line for line in overview.drives if line.place.standing is Standing.ACTIVE]
    if active:
        draft.head("Drives")
        columns = ("Drive", "Last here", "Oldest proof", "Room left")
        draft.table(columns, active, lambda line: _drive(line, overview.at))


def _drive(line: DriveLine, now: datetime) -> tuple[str, ...]:
    seen = "now" if line.is_here else _ago(line.last_seen, now, "never")
    room = size(line.free_bytes) if line.free_bytes is not None else "not known"
    if line.filling.shoots_left is not None:
        room += f", for {plural(int(line.filling.shoots_left), 'shoot')}"
    doubt = ", in doubt" if line.in_doubt else ""
    doubt += ", without its marker" if line.is_bare else ""
    return (
        f"{called(line.place.name)} ({line.place.role.value}{doubt})",
        seen,
        _ago(line.oldest_proof, now, "nothing proven"),
        room,
    )


def _buckets(draft: Draft, overview: Overview, maker: Maker) -> None:
    active = [line for line in overview.buckets if line.place.standing is Standing.ACTIVE]
    if not active:
        return
    draft.head("Buckets")
    columns = ("Bucket", "Holds", "Oldest proof", "A month")
    draft.table(columns, active, lambda line: _bucket(line, overview.at))
    for line in active[: draft.most]:
        if line.arrival is not None:
            draft.say(arrival_text(line.arrival, overview.at, maker.zone))


def _bucket(line: BucketLine, now: datetime) -> tuple[str, ...]:
    cost = line.cost
    known = cost is not None and cost.a_month is not None
    return (
        called(line.place.name),
        f"{plural(line.held_files, 'file')}, {size(line.held_bytes)}",
        _ago(line.oldest_proof, now, "nothing proven"),
        f"{cost.a_month:.2f} {cost.currency}".strip()
        if known and cost is not None
        else "no prices",
    )


def _harms(draft: Draft, overview: Overview, maker: Maker) -> None:
    told = [
        harm
        for harm in overview.harms
        if harm.mended_at is None or overview.at - harm.found_at <= LATELY
    ]
    if told:
        draft.head("Damage")
        draft.table(("Where", "Found", "Mended"), told, lambda harm: _harm(harm, maker))


def _harm(harm: Harm, maker: Maker) -> tuple[str, ...]:
    hurt = f", {size(harm.hurt_bytes)}" if harm.hurt_bytes is not None else ""
    mended = day(harm.mended_at, maker.zone) if harm.mended_at is not None else "not yet"
    return (
        f"{called(harm.place)}: {called(harm.path)} ({harm.result.value}{hurt})",
        day(harm.found_at, maker.zone),
        mended,
    )


def _drill(draft: Draft, overview: Overview) -> None:
    if not overview.drills and not overview.drill_due:
        return
    draft.head("Restore drill")
    if overview.drills:
        draft.say(_drilled(overview.drills[0], overview.at))
    draft.say(overview.drill_due)


def _drilled(one: Drilled, now: datetime) -> str:
    return (
        f"The last one, {age(one.at, now)}: {called(one.shoot)} from {called(one.place)}, "
        f"{plural(one.files, 'file')}; {_DRILLS[one.result]}."
    )


def _notes(draft: Draft, overview: Overview) -> None:
    notes = list(dict.fromkeys((*overview.notes, *overview.gaps.notes)))
    old = [called(one.place) for one in overview.gaps.snapshots if one.is_old]
    if old and overview.gaps.rolls:
        notes.append(f"Without a current snapshot of the catalog: {', '.join(old)}.")
    if notes:
        draft.head("Besides")
        draft.items([Item(note) for note in notes])


def _ago(at: datetime | None, now: datetime, never: str) -> str:
    return never if at is None else age(at, now)
