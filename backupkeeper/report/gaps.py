r"""Where anything falls short, for a person and for a program.

Promises:
1. Worst first, in the order of the report that is handed in.
2. Every gap comes with the command that closes it, or with what has to be there first.
3. JSON: ``{"version": 1, "rolls": [{"shoot", "source", "roll", "folder", "files", "bytes", "roles": {role:
   {"state", "places": [name]}}, "gaps": [role]}], "summary": {"rolls", "complete", "with_gaps",
   "bytes_at_risk"}}``. ``state`` is that of the worst file. Where an offload was begun and not
   finished there is also ``"unfinished": [folder]``, where something is worth knowing of a bucket
   ``"notes": [sentence]``. Where there is a place also ``"snapshots": [{"place", "at", "current"}]``:
   the catalog's last snapshot there (null: none), and whether it says all that is known now. Where the
   person lets copies of several roles share one device also ``"may_share_device": true``.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from datetime import UTC

from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.outcomes import GapReport, RoleCover, RollCover
from backupkeeper.core.overview import Step
from backupkeeper.core.policy import ALL_ROLES
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.core.steps import gap_steps
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import age, cells, count, moment, plural, shown, size, told

Json = Mapping[str, object]


def gaps_json(report: GapReport) -> Json:
    """The report as one object."""
    found: dict[str, object] = {
        "version": 1,
        "rolls": [_roll_json(cover) for cover in report.rolls],
        "summary": {
            "rolls": len(report.rolls),
            "complete": len(report.rolls) - len(report.with_gaps),
            "with_gaps": len(report.with_gaps),
            "bytes_at_risk": sum(cover.bytes_at_risk for cover in report.rolls),
        },
    }
    if report.snapshots:
        found["snapshots"] = [_snapshot_json(one) for one in report.snapshots]
    if report.unfinished:
        found["unfinished"] = list(report.unfinished)
    if report.may_share:
        found["may_share_device"] = True
    if report.notes:
        found["notes"] = list(report.notes)
    return found


def _snapshot_json(one: SnapshotNote) -> Json:
    at = None if one.at is None else f"{one.at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
    return {"place": one.place, "at": at, "current": one.is_current}


def _roll_json(cover: RollCover) -> Json:
    return {
        "shoot": cover.roll.shoot,
        "source": cover.roll.source,
        "roll": cover.roll.name,
        "folder": cover.roll.folder,
        "files": cover.roll.file_count,
        "bytes": cover.roll.size_bytes,
        "roles": {
            role.value: {"state": one.state.value, "places": list(one.places)}
            for role, one in cover.roles.items()
        },
        "gaps": [role.value for role in cover.gaps],
    }


def gaps_lines(report: GapReport, look: Look) -> list[Line]:
    """The report on a terminal."""
    page, doubled = Page(look), doubled_names(report)
    _say_summary(page, report)
    lacking = report.with_gaps
    if lacking:
        page.head("Rolls with a gap, worst first")
        for cover in lacking:
            say_roll(page, cover, report, doubled)
    whole = [cover for cover in report.rolls if not cover.gaps]
    if whole:
        page.head("Rolls proven in every role")
        most = look.most_paths or len(whole)
        few = whole[:most] if len(whole) > most + 1 else whole
        for cover in few:
            say_roll(page, cover, report, doubled)
        if len(few) < len(whole):
            rest = len(whole) - len(few)
            page.say(f"and {plural(rest, 'more roll')} (--all lists them)", indent=2)
    _say_next(page, report)
    for note in report.notes:
        page.gap()
        page.say(told(note), tone=Tone.QUIET)
    say_snapshots(page, report)
    return page.lines


def say_snapshots(page: Page, report: GapReport) -> None:
    """Quietly: a catalog that is nowhere else is no gap of any roll."""
    told = [
        shown(one.place) if one.at is None else f"{shown(one.place)} ({age(one.at, report.at)})"
        for one in report.snapshots
        if one.is_old
    ]
    if told and (report.rolls or report.unfinished):
        page.line("")
        page.say(f"Without a current snapshot of the catalog: {', '.join(told)}.")


def _say_summary(page: Page, report: GapReport) -> None:
    lacking = len(report.with_gaps)
    total = plural(len(report.rolls), "roll")
    at = moment(report.at, page.look.zone)
    if not report.rolls and not report.unfinished:
        page.say(f"No roll is known yet, so there is nothing that could have a gap ({at}).")
    elif lacking:
        risk = size(sum(cover.bytes_at_risk for cover in report.rolls))
        verb = "has" if lacking == 1 else "have"
        page.say(f"{count(lacking)} of {total} {verb} a gap: {risk} at risk ({at}).", tone=Tone.BAD)
    elif report.rolls:
        held = size(sum(cover.roll.size_bytes for cover in report.rolls))
        page.say(f"No gap: {total}, {held}, proven {_asked_for(report)} ({at}).", tone=Tone.GOOD)
    if report.may_share and report.rolls and not lacking:
        page.say(
            "They may share one physical device ([policy] distinct_devices = false): one fall could break "
            "them together.",
            tone=Tone.WARN,
        )
    if report.unfinished:
        number = len(report.unfinished)
        page.say(
            f"{plural(number, 'offload was', 'offloads were')} begun and not finished. Repeat "
            f"{'it' if number == 1 else 'them'} before anything is wiped:",
            tone=Tone.BAD,
        )
        page.paths(report.unfinished, indent=4)


def _asked_for(report: GapReport) -> str:
    """``in every role``; where the person asks for fewer than there are: ``in role primary, …``."""
    roles = tuple(report.rolls[0].roles)
    if len(roles) == len(ALL_ROLES):
        return "in every role"
    word = "role" if len(roles) == 1 else "roles"
    return f"in {word} {' and '.join(roles)}, and no more is asked for"


def name_of(cover: RollCover) -> str:
    """A roll as a person types it: ``260612 Boatyard/Wide/Roll 01``."""
    return f"{cover.roll.shoot}/{cover.roll.source}/{cover.roll.name}"


def doubled_names(report: GapReport) -> frozenset[str]:
    """Names that more than one roll has: such a one is told with its folder."""
    counts = Counter(map(name_of, report.rolls))
    return frozenset(name for name, number in counts.items() if number > 1)


def say_roll(page: Page, cover: RollCover, report: GapReport, doubled: Collection[str]) -> None:
    """One roll against all roles; ``doubled`` are names that others have, too."""
    look = page.look
    holds = f"{plural(cover.roll.file_count, 'file')}, {size(cover.roll.size_bytes)}"
    oldest = min(filter(None, (one.oldest_proof for one in cover.roles.values())), default=None)
    if not cover.gaps and oldest is not None:
        holds += f", proven {age(oldest, report.at)}"
    elif cover.gaps and cover.bytes_at_risk < cover.roll.size_bytes:
        holds += f", {size(cover.bytes_at_risk)} at risk"
    mark = "" if cover.gaps else f"{look.full} "
    name = f"  {mark}{shown(name_of(cover))}"
    space = look.width - cells(name) - cells(holds)
    tone = Tone.WARN if cover.gaps else Tone.PLAIN
    if space >= 2:  # noqa: PLR2004 - two blanks keep the columns apart
        page.line(f"{name}{' ' * space}{holds}", tone)
    else:
        page.line(name, tone)
        page.line(f"    {holds}", tone)
    if name_of(cover) in doubled:
        page.line(f"    in {shown(cover.roll.folder)}", tone)
    if cover.gaps:
        _say_cells(page, cover, report)


def _say_cells(page: Page, cover: RollCover, report: GapReport) -> None:
    look = page.look
    told = [_cell(role, one, cover, report, look) for role, one in cover.roles.items()]
    column = (look.width - 2) // max(1, len(told))
    if all(cells(one) + 2 <= column for one in told):
        page.line("  " + "".join(one + " " * (column - cells(one)) for one in told).rstrip())
    elif cells("  ".join(told)) + 2 <= look.width:
        page.line(f"  {'  '.join(told)}")
    else:
        for one in told:
            page.line(f"  {one}")


def _cell(role: Role, one: RoleCover, cover: RollCover, report: GapReport, look: Look) -> str:
    mark = look.open if role in cover.gaps else look.full
    worst = one.counts.get(one.state, 0)
    part = (
        f" {count(worst)}/{count(cover.roll.file_count)}"
        if worst < sum(one.counts.values())
        else ""
    )
    when = f" {age(one.oldest_proof, report.at)}" if _is_dated(one) and one.oldest_proof else ""
    shared = ", shared device" if role in cover.gaps and one.state is CopyState.PROVEN else ""
    return f"{mark} {role} {one.state}{part}{when}{shared}"


def _is_dated(one: RoleCover) -> bool:
    return one.state in {CopyState.PROVEN, CopyState.DUE}


def _say_next(page: Page, report: GapReport) -> None:
    steps = gap_steps(report)
    if not steps:
        return
    page.head("What to do next")
    for step in steps:
        say_step(page, step)


def say_step(page: Page, step: Step) -> None:
    """What to do, with the command on a line of its own."""
    about = f" ({plural(step.rolls, 'roll')})" if step.rolls else ""
    end = ":" if step.command else "."
    page.say(f"{told(step.words)}{about}{end}", indent=2, first=f"{page.look.dash} ")
    if step.command:
        page.line(f"      {told(step.command)}")
