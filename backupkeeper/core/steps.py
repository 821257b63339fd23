"""What to do, most urgent first, each with its command; and how much there is to worry about. Pure.

Promises:
1. ``Worry.NONE`` only where there is at least one roll, every roll is proven in every role, and
   nothing of what was handed in speaks against anything: nothing known is never "all well".
2. ``Worry.NOW`` wherever a file of any roll has no proven copy in any role, a copy is hurt and not
   mended, or a drive is in doubt or should be replaced. More trouble never makes it milder.
3. Every gap has a step that closes it, or says what has to be there first.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from backupkeeper.core.model import CopyState, Place, Result, Role, Standing
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.overview import DriveLine, Harm, Step, Worry
from backupkeeper.core.policy import ALL_ROLES
from backupkeeper.core.trends import Level
from backupkeeper.core.typed import typed

FEW_SHOOTS: Final = 3
"""A drive on which fewer usual shoots fit is worth a word; with less than one it is worth doing."""
_RANK: Final = {Worry.NOW: 0, Worry.SOON: 1, Worry.NONE: 2}
_OF_ADVICE: Final = {
    Level.WATCH: Worry.NONE,
    Level.CABLE: Worry.SOON,
    Level.REPLACE: Worry.NOW,
}
"""A drive to keep an eye on is told for months after damage was mended: by itself nothing is wrong."""
_BRINGABLE: Final = frozenset({CopyState.ABSENT, CopyState.MISSING, CopyState.OUT_OF_REACH})
_PROVABLE: Final = frozenset({CopyState.WRITTEN, CopyState.DUE})
_OFFLOAD: Final = "backupkeeper offload CARD --shoot 'YYMMDD Name' --source NAME"


def is_nowhere(cover: RollCover) -> bool:
    """Whether a file of a roll has no proven copy in any role.

    Proven copies that only don't count, for their device is not known, are copies all the same.
    """
    if cover.fewest:
        return False
    return all(one.state is not CopyState.PROVEN for one in cover.roles.values())


def most(worries: Iterable[Worry]) -> Worry:
    """The greatest of some worries."""
    return min(worries, key=_RANK.__getitem__, default=Worry.NONE)


def urgent_first(steps: Iterable[Step]) -> tuple[Step, ...]:
    """Steps in the order in which to do them; what is said twice is said once, for all its rolls."""
    found: dict[tuple[str, str], Step] = {}
    for step in steps:
        known = found.get((step.words, step.command), replace(step, rolls=0))
        found[step.words, step.command] = replace(
            step, rolls=known.rolls + step.rolls, worry=most((known.worry, step.worry))
        )
    return tuple(sorted(found.values(), key=lambda step: _RANK[step.worry]))


def gap_steps(report: GapReport, edited: Collection[str] = ()) -> tuple[Step, ...]:
    """What closes the gaps. ``edited``: places at which all that is bad was edited by somebody."""
    return urgent_first(
        replace(step, rolls=1, worry=most((step.worry, _worry_of(cover))))
        for cover in report.with_gaps
        for role in cover.gaps
        for step in _closing(role, cover, report.places, edited)
    )


def _worry_of(cover: RollCover) -> Worry:
    return Worry.NOW if is_nowhere(cover) else Worry.SOON


def _closing(
    role: Role, cover: RollCover, places: Sequence[Place], edited: Collection[str]
) -> list[Step]:
    """What closes this gap."""
    one = cover.roles[role]
    states = {state for state, number in one.counts.items() if number}
    if role not in served(places):
        return [take_in(role)]
    steps = []
    if states & _BRINGABLE or not states:
        steps.append(
            Step(words="Bring to the bucket what it lacks", command="backupkeeper upload")
            if role is Role.CLOUD
            else Step(
                words=f"Have a {role} drive plugged in, and bring to it what it lacks",
                command="backupkeeper mirror",
            )
        )
    if states & _PROVABLE and role is Role.CLOUD:
        steps.append(Step(words="Prove what is in the bucket", command="backupkeeper upload"))
    elif states & _PROVABLE:
        steps.extend(
            Step(
                words=f"Plug {name} in and prove what is on it",
                command=f"backupkeeper verify {typed(name)}",
            )
            for name in one.places
        )
    if CopyState.DAMAGED in states:
        steps.extend(put_back(name) if name in edited else mend(name) for name in one.places)
    if not steps:
        steps.append(
            Step(
                words=f"The copies in role {role} stand on a device that another copy is on, or on "
                "one that is not known: bring them to another device",
                command="backupkeeper place list",
            )
        )
    return steps


def served(places: Iterable[Place]) -> frozenset[Role]:
    """Roles that an active place has."""
    return frozenset(place.role for place in places if place.standing is Standing.ACTIVE)


def take_in(role: Role) -> Step:
    """Take a place of a role in."""
    what = "s3://BUCKET/PREFIX" if role is Role.CLOUD else "PATH"
    return Step(
        words=f"No place has the role {role}: take one in",
        command=f"backupkeeper place add {what} --role {role} --name NAME",
    )


def mend(name: str) -> Step:
    """Have damage at a place mended."""
    return Step(
        words=f"Damage at {name}: keep the other copies, and have it mended from them",
        command=f"backupkeeper repair {typed(name)}",
        worry=Worry.NOW,
    )


def put_back(name: str) -> Step:
    """Have originals put back that somebody edited."""
    return Step(
        words=f"Somebody changed originals at {name}: keep what you need of that elsewhere, then have the "
        "originals put back",
        command=f"backupkeeper repair {typed(name)} --edited",
        worry=Worry.NOW,
    )


def _edited(harms: Iterable[Harm]) -> frozenset[str]:
    """Places at which edits, and nothing else, is to be put right."""
    left = [one for one in harms if one.mended_at is None]
    bad = {one.place for one in left if one.result is not Result.CHANGED}
    return frozenset(one.place for one in left) - bad


def all_steps(
    report: GapReport,
    roles: Sequence[Role],
    drives: Iterable[DriveLine],
    harms: Iterable[Harm],
    *,
    missing: Iterable[tuple[Place, int]] = (),
    drill_due: str = "",
    drill_was_wrong: bool = False,
) -> tuple[Step, ...]:
    """Everything that there is to do.

    Args:
        report: all rolls against all roles.
        roles: what the policy asks for; none: all of them.
        drives: as they are known.
        harms: of any age.
        missing: how many files that a place had are not there any more.
        drill_due: a sentence, where a drill is due.
        drill_was_wrong: whether the last one did not bring everything back right.
    """
    wanted, harmed = dict.fromkeys(roles or ALL_ROLES), list(harms)
    lacking = [role for role in wanted if role not in served(report.places)]
    return urgent_first(
        [
            *_of_drives(list(drives)),
            *_of_harms(harmed),
            *_of_missing(missing),
            *_unfinished(report),
            *gap_steps(report, _edited(harmed)),
            *(take_in(role) for role in lacking),
            *_first_hour(report),
            *_drill(drill_due, drill_was_wrong=drill_was_wrong),
        ]
    )


def _of_drives(drives: Sequence[DriveLine]) -> Iterator[Step]:
    for line in drives:
        name, role = line.place.name, line.place.role
        if line.place.standing is not Standing.ACTIVE:
            continue
        if line.is_bare:
            yield Step(
                words=f"{name} is here without its marker, so nothing on it counts: look what happened "
                "there, then have it counted again and read anew",
                command=f"backupkeeper place found {typed(name)}",
                worry=Worry.NOW,
            )
        if line.in_doubt:
            yield Step(
                words=f"{name} is in doubt as a whole: try another cable and port, then read it again",
                command=f"backupkeeper verify {typed(name)}",
                worry=Worry.NOW,
            )
        if line.advice is not None and line.advice.level is not Level.FINE:
            replaces = line.advice.level is Level.REPLACE
            worry = _OF_ADVICE[line.advice.level]
            why = " ".join(line.advice.reasons)
            yield Step(
                words=f"{name}: {line.advice.words}. {why}".strip().rstrip("."),
                command=f"backupkeeper place add PATH --role {role} --name NAME"
                if replaces
                else "",
                worry=worry,
            )
        left = line.filling.shoots_left
        if left is not None and left < FEW_SHOOTS:
            yield Step(
                words=f"{name} is nearly full: take in another {role} drive",
                command=f"backupkeeper place add PATH --role {role} --name NAME",
                worry=Worry.SOON if left < 1 else Worry.NONE,
            )


def _of_harms(harms: Iterable[Harm]) -> Iterator[Step]:
    for one in harms:
        if one.mended_at is not None:
            continue
        if one.result is Result.CHANGED:
            yield put_back(one.place)
        elif one.result is Result.UNSTABLE:
            yield Step(
                words=f"{one.place} did not read the same each time: try another cable and port, "
                "then read it again",
                command=f"backupkeeper verify {typed(one.place)}",
                worry=Worry.NOW,
            )
        else:
            yield mend(one.place)


def _of_missing(missing: Iterable[tuple[Place, int]]) -> Iterator[Step]:
    """Said even where another place of the role has them: somebody took away what was to be kept."""
    for place, files in missing:
        if files and place.standing is Standing.ACTIVE:
            what = (
                "1 file that was there is" if files == 1 else f"{files:,} files that were there are"
            )
            yield Step(
                words=f"{place.name}: {what} missing. Find out who took them away, and keep the other "
                "copies; once they are back, have them read",
                command=f"backupkeeper verify {typed(place.name)}",
            )


def _unfinished(report: GapReport) -> Iterator[Step]:
    for folder in report.unfinished:
        yield Step(
            words=f"Plug the card of {folder} in and repeat its offload (or its import), which was "
            "not finished; wipe nothing before",
            command=_OFFLOAD,
        )


def _first_hour(report: GapReport) -> Iterator[Step]:
    """What there is to do where nothing was taken in yet."""
    if not report.rolls and not report.unfinished:
        yield Step(
            words="Plug a card in and have it copied to every drive that is here",
            command=_OFFLOAD,
        )
        yield Step(words="Before you wipe it, ask", command="backupkeeper may-wipe CARD")


def _drill(due: str, *, drill_was_wrong: bool) -> Iterator[Step]:
    if due:
        yield Step(
            words=due.rstrip("."),
            command="backupkeeper drill --to DIR",
            worry=Worry.SOON if drill_was_wrong else Worry.NONE,
        )


def worry_of(
    report: GapReport,
    roles: Sequence[Role],
    steps: Iterable[Step],
) -> Worry:
    """How much there is to worry about.

    Args:
        report: all rolls against all roles.
        roles: what the policy asks for; none: all of them.
        steps: ``all_steps`` of the same.
    """
    lacking = set(roles or ALL_ROLES) - served(report.places)
    well = report.rolls and not (report.with_gaps or report.unfinished or lacking)
    found = [] if well else [Worry.SOON]
    found += [_worry_of(cover) for cover in report.with_gaps]
    return most([*found, *(step.worry for step in steps)])
