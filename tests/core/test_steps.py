"""What to do and how much to worry: the greatest trouble first, and nothing known is never all well."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3, CopyState, Result, Role, Standing
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.overview import DriveLine, Filling, Harm, Step, Worry
from backupkeeper.core.steps import (
    all_steps,
    gap_steps,
    is_nowhere,
    most,
    urgent_first,
    worry_of,
)
from backupkeeper.core.trends import Advice, Level
from backupkeeper.core.typed import typed
from tests.report.boatyard import NOW, PLACES, cover, gap_report, head, place

ROLES = tuple(Role)
ORDER = [Worry.NONE, Worry.SOON, Worry.NOW]


def drive(role: Role = Role.PRIMARY, **changes: object) -> DriveLine:
    values: dict[str, object] = {
        "place": place(role),
        "is_here": True,
        "held_files": 40,
        "held_bytes": 3_200_000_000,
    }
    return DriveLine(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def harm(**changes: object) -> Harm:
    values: dict[str, object] = {
        "place": "Travel",
        "folder": head().folder,
        "path": f"{head().folder}/DCIM/100BOATY/BOAT0001.MP4",
        "content": Blake3("ab" * 32),
        "result": Result.DAMAGED,
        "found_at": NOW - timedelta(days=3),
        "size_bytes": 1_200_000_000,
    }
    return Harm(**(values | changes))  # type: ignore[arg-type]  # as above


def judged(
    report: GapReport, drives: Sequence[DriveLine] = (), harms: Sequence[Harm] = ()
) -> tuple[Worry, tuple[Step, ...]]:
    steps = all_steps(report, ROLES, drives, harms)
    return worry_of(report, ROLES, steps), steps


NOTHING_PROVEN = cover(
    primary=CopyState.WRITTEN, secondary=CopyState.ABSENT, cloud=CopyState.ABSENT
)


def test_all_proven_and_nothing_wrong_is_no_worry_and_nothing_to_do() -> None:
    assert judged(gap_report(cover()), [drive()]) == (Worry.NONE, ())


def test_nothing_taken_in_is_never_all_well_and_tells_the_first_hour() -> None:
    worry, steps = judged(GapReport(at=NOW, rolls=()))
    assert worry is Worry.SOON
    assert [step.command.split()[1] for step in steps] == ["place"] * 3 + ["offload", "may-wipe"]
    worry, steps = judged(gap_report())
    assert (worry, len(steps)) == (Worry.SOON, 2)


@pytest.mark.parametrize(
    ("report", "drives", "harms", "worry", "words", "command"),
    [
        (gap_report(NOTHING_PROVEN), [], [], Worry.NOW, "Plug Main in", "backupkeeper verify Main"),
        (gap_report(cover(cloud=CopyState.ABSENT)), [], [], Worry.SOON, "Bring to", "backupkeeper upload"),
        (gap_report(cover(cloud=CopyState.DUE)), [], [], Worry.SOON, "Prove what", "backupkeeper upload"),
        (gap_report(cover(secondary=CopyState.DAMAGED)), [], [], Worry.NOW, "Damage at Travel", "backupkeeper repair Travel"),
        (gap_report(cover()), [], [harm()], Worry.NOW, "Damage at Travel", "backupkeeper repair Travel"),
        (gap_report(cover()), [], [harm(result=Result.CHANGED)], Worry.NOW, "Somebody changed", "backupkeeper repair Travel --edited"),
        (gap_report(cover()), [], [harm(result=Result.UNSTABLE)], Worry.NOW, "Travel did not read", "backupkeeper verify Travel"),
        (gap_report(cover()), [drive(is_here=False, is_bare=True)], [], Worry.NOW, "Main is here without its marker", "backupkeeper place found Main"),
        (gap_report(cover()), [drive(in_doubt=True)], [], Worry.NOW, "Main is in doubt", "backupkeeper verify Main"),
        (gap_report(cover()), [drive(advice=Advice(level=Level.REPLACE, reasons=("It fails.",)))], [], Worry.NOW, "Main: replace this drive. It fails", "backupkeeper place add PATH --role primary --name NAME"),
        (gap_report(cover()), [drive(advice=Advice(level=Level.CABLE, reasons=("It tears.",)))], [], Worry.SOON, "Main: try another cable", ""),
        (gap_report(cover()), [drive(advice=Advice(level=Level.WATCH, reasons=("It was hurt.",)))], [], Worry.NONE, "Main: watch this drive", ""),
        (gap_report(cover()), [drive(filling=Filling(shoots_left=0.5))], [], Worry.SOON, "Main is nearly full", "backupkeeper place add PATH --role primary --name NAME"),
        (gap_report(cover()), [drive(filling=Filling(shoots_left=2.5))], [], Worry.NONE, "Main is nearly full", "backupkeeper place add PATH --role primary --name NAME"),
        (gap_report(cover(), unfinished=(head().folder,)), [], [], Worry.SOON, f"Plug the card of {head().folder} in", "backupkeeper offload CARD --shoot 'YYMMDD Name' --source NAME"),
        (replace(gap_report(cover()), places=PLACES[:2]), [], [], Worry.SOON, "No place has the role cloud", "backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME"),
    ],
)  # fmt: skip
def test_each_trouble_has_its_worry_and_its_step_with_the_command(
    report: GapReport,
    drives: list[DriveLine],
    harms: list[Harm],
    worry: Worry,
    words: str,
    command: str,
) -> None:
    found, steps = judged(report, drives, harms)
    assert found is worry
    assert any(step.words.startswith(words) and step.command == command for step in steps), steps


def test_what_is_fine_or_gone_for_good_or_mended_asks_for_nothing() -> None:
    lost = drive(place=place(Role.PRIMARY, standing=Standing.LOST), in_doubt=True)
    fine = drive(advice=Advice(level=Level.FINE, reasons=()), filling=Filling(shoots_left=3.0))
    assert judged(gap_report(cover()), [lost, fine], [harm(mended_at=NOW)]) == (Worry.NONE, ())


def test_proven_copies_of_which_the_device_is_not_known_are_copies_all_the_same() -> None:
    unknown = replace(cover(), gaps=ROLES, fewest=0, same_device=True)
    assert not is_nowhere(unknown)
    assert judged(gap_report(unknown))[0] is Worry.SOON
    assert is_nowhere(NOTHING_PROVEN)
    assert is_nowhere(
        replace(cover(primary=CopyState.DUE, secondary=CopyState.DUE, cloud=CopyState.DUE))
    )


def test_a_drill_is_due_or_went_wrong() -> None:
    report = gap_report(cover())
    due = all_steps(report, ROLES, [], [], drill_due="It is time.")
    assert due == (
        Step(words="It is time", command="backupkeeper drill --to DIR", worry=Worry.NONE),
    )
    wrong = all_steps(report, ROLES, [], [], drill_due="It went wrong.", drill_was_wrong=True)
    assert worry_of(report, ROLES, wrong) is Worry.SOON


def test_what_is_missing_is_told_of_places_in_use() -> None:
    gone = replace(PLACES[1], standing=Standing.LOST)
    (step,) = all_steps(
        gap_report(cover()), ROLES, (), (), missing=[(PLACES[0], 1), (PLACES[2], 0), (gone, 9)]
    )
    assert step.words.startswith(f"{PLACES[0].name}: 1 file that was there is missing.")
    assert step.worry is Worry.SOON


def test_what_is_said_of_many_rolls_is_said_once_and_most_urgent_first() -> None:
    lacking = [cover(head(name=f"Roll {n:02}"), cloud=CopyState.ABSENT) for n in range(3)]
    damaged = cover(head(name="Roll 09"), secondary=CopyState.DAMAGED)
    steps = gap_steps(gap_report(*lacking, damaged))
    assert [(step.rolls, step.worry) for step in steps] == [(1, Worry.NOW), (3, Worry.SOON)]


def test_where_all_that_is_bad_is_an_edit_no_repair_is_advised_that_would_leave_it() -> None:
    hurt = gap_report(cover(secondary=CopyState.DAMAGED))
    edit, rot = harm(result=Result.CHANGED), harm()

    def commands(*harms: Harm) -> set[str]:
        return {step.command for step in all_steps(hurt, ROLES, [], harms)}

    assert commands(edit) == {"backupkeeper repair Travel --edited"}
    assert commands(edit, rot) >= {
        "backupkeeper repair Travel",
        "backupkeeper repair Travel --edited",
    }
    assert commands(edit, replace(rot, mended_at=NOW)) == {"backupkeeper repair Travel --edited"}
    assert commands(edit, replace(rot, place="Main")) >= {"backupkeeper repair Main"}
    assert {step.command for step in gap_steps(hurt)} == {"backupkeeper repair Travel"}


def test_every_gap_of_a_lost_world_has_a_step() -> None:
    out = CopyState.OUT_OF_REACH
    gone = cover(primary=out, secondary=out, cloud=out)
    places = tuple(replace(one, standing=Standing.LOST) for one in PLACES)
    report = GapReport(at=NOW, rolls=(gone,), places=places)
    worry, steps = judged(report)
    assert worry is Worry.NOW
    assert [step.command.split()[1] for step in steps] == ["place"] * 3


@pytest.mark.parametrize(
    ("name", "as_typed"),
    [("Main", "Main"), ("Off site", "'Off site'"), ("Joe's", "'Joe'\\''s'"), ("", "''")],
)
def test_names_are_quoted_for_the_shell(name: str, as_typed: str) -> None:
    assert typed(name) == as_typed


# -- properties

STATES = st.sampled_from(list(CopyState))
COVERS = st.builds(
    lambda number, states, fewest, risk: replace(
        cover(head(name=f"Roll {number:02}"), at_risk=risk, **states), fewest=fewest
    ),
    st.integers(0, 5),
    st.fixed_dictionaries({role.value: STATES for role in Role}),
    st.integers(0, 3),
    st.integers(0, 10),
)
REPORTS = st.builds(
    lambda covers, unfinished, places: GapReport(
        at=NOW, rolls=tuple(covers), unfinished=tuple(unfinished), places=tuple(places)
    ),
    st.lists(COVERS, max_size=3),
    st.lists(st.just("a/b"), max_size=1),
    st.lists(
        st.builds(place, st.sampled_from(list(Role)), standing=st.sampled_from(list(Standing))),
        max_size=4,
    ),
)
DRIVES = st.builds(
    drive,
    st.sampled_from([Role.PRIMARY, Role.SECONDARY]),
    in_doubt=st.booleans(),
    advice=st.none() | st.builds(Advice, level=st.sampled_from(list(Level)), reasons=st.just(())),
    filling=st.builds(Filling, shoots_left=st.none() | st.floats(0, 9)),
)
HARMS = st.builds(
    harm, result=st.sampled_from(list(Result)), mended_at=st.sampled_from([None, NOW])
)
WORLDS = st.tuples(REPORTS, st.lists(DRIVES, max_size=2), st.lists(HARMS, max_size=2))


@given(WORLDS)
def test_no_worry_only_where_nothing_at_all_is_wrong(
    world: tuple[GapReport, list[DriveLine], list[Harm]],
) -> None:
    report, drives, harms = world
    worry, steps = judged(report, drives, harms)
    active = {one.role for one in report.places if one.standing is Standing.ACTIVE}
    nowhere = any(one.gaps and is_nowhere(one) for one in report.rolls)
    hurt = any(one.mended_at is None for one in harms)
    bad = any(one.in_doubt or (one.advice and one.advice.level is Level.REPLACE) for one in drives)
    if worry is Worry.NONE:
        assert report.rolls
        assert active == set(Role)
        assert not any([report.with_gaps, report.unfinished, hurt])
        assert not bad
    if nowhere or hurt or bad:
        assert worry is Worry.NOW
    if worry is not Worry.NONE:
        assert steps
    levels = [ORDER.index(step.worry) for step in steps]
    assert levels == sorted(levels, reverse=True)


@given(WORLDS, COVERS, HARMS, DRIVES)
def test_more_trouble_never_makes_it_milder(
    world: tuple[GapReport, list[DriveLine], list[Harm]],
    roll: RollCover,
    hurt: Harm,
    line: DriveLine,
) -> None:
    report, drives, harms = world
    if not report.rolls and not roll.gaps:
        return  # a first roll, all of it proven, is no trouble
    before = ORDER.index(judged(report, drives, harms)[0])
    more = replace(report, rolls=(*report.rolls, roll))
    assert ORDER.index(judged(more, drives, harms)[0]) >= before
    assert ORDER.index(judged(report, [*drives, line], harms)[0]) >= before
    assert ORDER.index(judged(report, drives, [*harms, hurt])[0]) >= before


@given(REPORTS)
def test_every_gap_has_a_step_and_every_step_a_command(report: GapReport) -> None:
    steps = gap_steps(report)
    assert bool(steps) == bool(report.with_gaps)
    assert all(step.command.startswith("backupkeeper ") and step.rolls > 0 for step in steps)


@given(
    st.lists(st.builds(Step, words=st.sampled_from("ab"), worry=st.sampled_from(ORDER)), max_size=9)
)
def test_nothing_is_lost_when_steps_are_put_in_order(steps: list[Step]) -> None:
    found = urgent_first(steps)
    assert {one.words for one in found} == {one.words for one in steps}
    assert len({one.words for one in found}) == len(found)
    assert most(one.worry for one in found) is most(one.worry for one in steps)
