"""The weekly word on how everything stands: a subject that says it all, and the gaps as plain text.

Promises:
1. The subject says "proven" only of what every role has a proof of.
2. The text says when the next one is due, so that silence means something.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.outcomes import GapReport
from backupkeeper.report.arrivals import arrival_text
from backupkeeper.report.gaps import gaps_lines
from backupkeeper.report.lines import Look, wrap
from backupkeeper.report.words import age, moment, plural, told

WIDTH = 76


def weekly_subject(report: GapReport) -> str:
    """One line: everything, or how much is lacking."""
    lacking = len(report.with_gaps)
    if report.unfinished:
        unfinished = f"{plural(len(report.unfinished), 'offload')} not finished"
        return f"{unfinished}, {plural(lacking, 'roll')} with a gap" if lacking else unfinished
    if lacking:
        return f"{plural(lacking, 'roll')} of {len(report.rolls)} with a gap"
    if not report.rolls:
        return "No roll was taken in yet"
    roles = " and ".join(role.value for role in report.rolls[0].roles)
    return f"All {plural(len(report.rolls), 'roll')} proven: {roles}"


def weekly_text(
    report: GapReport,
    *,
    seen: Mapping[PlaceId, datetime],
    zone: tzinfo,
    next_at: datetime | None,
    drill: str = "",
    advice: Sequence[str] = (),
    arrivals: Sequence[Arrival] = (),
) -> str:
    """The whole text, one paragraph a thing.

    Args:
        report: all rolls against all roles.
        seen: when each drive was last here.
        zone: where the person is.
        next_at: when the next one is due.
        drill: a sentence on the last restore drill; none: nothing is said of it.
        advice: sentences on what is worth doing about drives.
        arrivals: when each bucket will have what it lacks.
    """
    look = Look(width=WIDTH, zone=zone)
    lines = [line.text for line in gaps_lines(report, look)]
    lines += ["", "Drives", *(_drive(place, report.at, seen) for place in _drives(report))]
    if drill:
        lines += ["", "Restore drill", *wrap(told(drill), WIDTH, indent=2)]
    if arrivals:
        lines += ["", "On the way"]
        said = [arrival_text(one, report.at, zone) for one in arrivals]
        lines += [line for one in said for line in wrap(one, WIDTH, indent=2)]
    if advice:
        lines += ["", "Worth doing"]
        lines += [line for one in advice for line in wrap(told(one), WIDTH, indent=2)]
    if next_at is not None:
        at = moment(next_at, zone)
        lines += [
            "",
            f"The next word comes on {at}. If it does not, look whether this program runs.",
        ]
    return "\n".join(lines)


def _drives(report: GapReport) -> list[Place]:
    return [
        place
        for place in report.places
        if place.kind is not PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]


def _drive(place: Place, now: datetime, seen: Mapping[PlaceId, datetime]) -> str:
    last = seen.get(place.id)
    when = f"last here {age(last, now)}" if last is not None else "not seen by the daemon yet"
    return f"  {told(place.name)} ({place.role.value}): {when}"
