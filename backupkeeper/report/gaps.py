"""The gap report in words and as JSON.

Promises:
1. Rolls keep the order of the report: worst first. A roll without a gap is counted and listed last.
2. Whatever falls short comes with the next thing to do.
3. The JSON is one object of version 1: ``{"version", "rolls": [{"shoot", "source", "roll", "files",
   "bytes", "roles": {role: {"state", "places": [name]}}, "gaps": [role]}], "summary": {"rolls",
   "complete", "with_gaps", "bytes_at_risk"}}``. ``bytes_at_risk`` counts files that have a gap.
"""

from collections.abc import Iterator
from typing import Any, assert_never

from backupkeeper.core.model import CopyState, Place, PlaceKind, Role, Standing
from backupkeeper.core.outcomes import GapReport, RoleCover, RollCover
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import age, escape, joined, plural, size

_NARROW = 72
_COLUMN = 14


def gaps_object(report: GapReport) -> dict[str, Any]:
    """The gap report for JSON."""
    short = report.with_gaps
    return {
        "version": 1,
        "rolls": [
            {
                "shoot": cover.roll.shoot,
                "source": cover.roll.source,
                "roll": cover.roll.name,
                "files": cover.roll.file_count,
                "bytes": cover.roll.size_bytes,
                "roles": {
                    role.value: {"state": one.state.value, "places": list(one.places)}
                    for role, one in cover.roles.items()
                },
                "gaps": [role.value for role in cover.gaps],
            }
            for cover in report.rolls
        ],
        "summary": {
            "rolls": len(report.rolls),
            "complete": len(report.rolls) - len(short),
            "with_gaps": len(short),
            "bytes_at_risk": sum(cover.bytes_at_risk for cover in short),
        },
    }


def gaps_lines(report: GapReport, look: Look) -> list[Line]:
    """The gap report for a person."""
    page = Page(look=look)
    _summary(page, report)
    if report.rolls:
        page.gap()
        if look.width < _NARROW:
            _stacked(page, report)
        else:
            _table(page, report)
    page.sentences("Begun and not finished (repeat the offload command)", report.unfinished)
    page.sentences("What to do next", next_steps(report))
    return page.lines


def _summary(page: Page, report: GapReport) -> None:
    short = report.with_gaps
    if not report.rolls:
        page.say("No roll was offloaded yet.")
        if not report.places:
            page.say("No place was taken in yet: backupkeeper place add --help")
    elif short:
        risk = size(sum(cover.bytes_at_risk for cover in short))
        page.say(
            f"{plural(len(short), 'roll')} of {len(report.rolls):,} with a gap; {risk} not proven "
            "in every role.",
            tone=Tone.BAD,
        )
    else:
        page.say(
            f"No gap: {plural(len(report.rolls), 'roll')} proven in every role.", tone=Tone.GOOD
        )


def _title(cover: RollCover, *, ascii_only: bool) -> str:
    roll = cover.roll
    return escape(f"{roll.shoot} / {roll.source} / {roll.name}", ascii_only=ascii_only)


def _cell(cover: RoleCover, report: GapReport, *, gap: bool) -> str:
    if cover.state is CopyState.PROVEN and gap:
        return "same device"
    if cover.state is CopyState.PROVEN and cover.oldest_proof is not None:
        return age(cover.oldest_proof, report.at)
    return cover.state.value


def _table(page: Page, report: GapReport) -> None:
    roles = list(report.rolls[0].roles)
    first = page.look.width - 10 - 8 - _COLUMN * len(roles)
    heads = "".join(f"  {role.value:{_COLUMN - 2}}" for role in roles)
    page.draw(f"{'roll':{first}}{'files':>8}{'size':>10}{heads}".rstrip(), tone=Tone.HEAD)
    for cover in report.rolls:
        title = _title(cover, ascii_only=page.look.ascii_only)
        cells = "".join(
            f"  {_cell(one, report, gap=role in cover.gaps):{_COLUMN - 2}}"
            for role, one in cover.roles.items()
        )
        numbers = f"{cover.roll.file_count:>8,}{size(cover.roll.size_bytes):>10}"
        tone = Tone.BAD if cover.gaps else Tone.PLAIN
        if len(title) >= first:
            page.draw(title, tone=tone)
            title = ""
        page.draw(f"{title:{first}}{numbers}{cells}".rstrip(), tone=tone)
    page.say("A time is the age of the oldest proof in that role.")


def _stacked(page: Page, report: GapReport) -> None:
    for cover in report.rolls:
        tone = Tone.BAD if cover.gaps else Tone.PLAIN
        page.draw(_title(cover, ascii_only=page.look.ascii_only), tone=tone)
        page.say(
            f"{plural(cover.roll.file_count, 'file')}, {size(cover.roll.size_bytes)}", indent=2
        )
        for role, one in cover.roles.items():
            state = _cell(one, report, gap=role in cover.gaps)
            proven = one.state is CopyState.PROVEN and role not in cover.gaps
            page.say(
                f"{role.value}: {f'proven, oldest {state}' if proven else state}", indent=2, hang=2
            )


def next_steps(report: GapReport) -> tuple[str, ...]:
    """What to do next, most urgent first, each step once."""
    steps: dict[str, None] = {}
    for cover in report.with_gaps:
        for role in cover.gaps:
            for step in _steps(report, cover, role):
                steps.setdefault(step)
    return tuple(steps)


def _steps(report: GapReport, cover: RollCover, role: Role) -> Iterator[str]:
    one = cover.roles[role]
    owned = [
        place for place in report.places if place.role is role and place.standing is Standing.ACTIVE
    ]
    states = sorted(one.counts, key=list(CopyState).index, reverse=True) or [one.state]
    for state in states:
        if state is not CopyState.PROVEN:
            yield _step(state, role, owned, one.places)
    if cover.same_device and one.state is CopyState.PROVEN:
        yield (
            f"Copies of the role {role.value} stand on a device that another role uses too, and "
            "would be lost with it: use a place on another device."
        )


def _step(  # noqa: PLR0911 - one flat case for each state
    state: CopyState, role: Role, owned: list[Place], holders: tuple[str, ...]
) -> str:
    cloud = role is Role.CLOUD
    names = joined([place.name for place in owned], "or")
    holding = joined(list(holders), "or") or names
    match state:
        case CopyState.ABSENT | CopyState.MISSING | CopyState.OUT_OF_REACH:
            if not owned:
                what = "s3://BUCKET/PREFIX" if cloud else "PATH"
                return (
                    f"There is no {role.value} place: backupkeeper place add {what} "
                    f"--role {role.value} --name NAME"
                )
            if cloud:
                return f"Fill {names}: backupkeeper upload"
            return _plugged(owned, names, "backupkeeper mirror")
        case CopyState.WRITTEN | CopyState.DUE:
            if cloud:
                return f"Prove what is in {holding}: backupkeeper upload"
            why = "again" if state is CopyState.DUE else "after unplugging it once"
            return f"Plug in {holding} {why} and read it: {_verify(holders or tuple(one.name for one in owned))}"
        case CopyState.DAMAGED:
            return (
                f"Damage on {holding}: do not format or repair the place. "
                f"{_verify(holders)} names files and bytes; the roles that show an age are whole."
            )
        case CopyState.PROVEN:
            return f"Nothing to do on {holding}."
        case _:
            assert_never(state)


def _plugged(owned: list[Place], names: str, command: str) -> str:
    if any(place.kind is PlaceKind.DRIVE for place in owned):
        return f"Plug in {names} beside a drive that has the rolls, then: {command}"
    return f"Fill {names}: {command}"


def _verify(names: tuple[str, ...]) -> str:
    return joined([f'backupkeeper verify "{name}"' for name in names], "or")
