"""One sentence on how everything stands: the worst first, and never calmer than it is."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import CopyState, Result, Role, Standing
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.overview import DriveLine, Filling, Harm, Overview, ProofAge, Worry
from backupkeeper.core.steps import all_steps, is_nowhere, worry_of
from backupkeeper.core.trends import Advice, Level
from backupkeeper.report.overview_words import (
    ages_words,
    answer,
    filling_words,
    harm_words,
    kind_words,
    month,
    number,
    standing_words,
    state_words,
    subject,
)
from tests.core.test_steps import WORLDS, drive, harm
from tests.report.boatyard import ESCAPING, NOW, PLACES, SUMMER, cover, gap_report, head, place

DAY = timedelta(days=1)
ROLES = tuple(Role)
GONE, NOT_THERE = CopyState.OUT_OF_REACH, CopyState.ABSENT


def overview(
    report: GapReport,
    drives: Sequence[DriveLine] = (),
    harms: Sequence[Harm] = (),
    roles: tuple[Role, ...] = ROLES,
) -> Overview:
    steps = all_steps(report, roles, drives, harms)
    return Overview(
        at=report.at,
        gaps=report,
        worry=worry_of(report, roles, steps),
        steps=steps,
        drives=tuple(drives),
        buckets=(),
        harms=tuple(harms),
    )


WELL = gap_report(cover(), cover(head(name="Roll 02")))
ONE = gap_report(cover())
LACKING = gap_report(
    cover(cloud=NOT_THERE), cover(head(name="Roll 02")), cover(head(name="Roll 03"))
)
NOWHERE = cover(primary=CopyState.WRITTEN, secondary=NOT_THERE, cloud=NOT_THERE)
SOME_NOWHERE = replace(
    cover(primary=CopyState.WRITTEN, secondary=NOT_THERE, cloud=NOT_THERE, some=3), fewest=0
)
LOST = replace(
    gap_report(cover(primary=GONE, secondary=GONE, cloud=GONE)),
    places=tuple(replace(one, standing=Standing.LOST) for one in PLACES),
)
TWO_ROLES = gap_report(
    replace(cover(), roles={role: cover().roles[role] for role in ROLES[:2]}),
    cover(head(name="Roll 02")),
)
REPLACE = drive(advice=Advice(level=Level.REPLACE, reasons=("It fails.",)))
CABLE = drive(advice=Advice(level=Level.CABLE, reasons=("It tears.",)))

CASES: dict[str, tuple[Overview, str, str]] = {
    "on one disk, as the person allows": (
        overview(replace(WELL, may_share=True)),
        "Everything is proven in three places that may share one device.",
        "All 2 rolls in three places that may share one device",
    ),
    "on one disk, and an offload was begun": (
        overview(replace(WELL, may_share=True, unfinished=("Roll 03",))),
        "Everything that was taken in is proven in three places that may share one device, and 1 offload is not finished.",
        "1 offload not finished",
    ),
    "the first day": (
        overview(GapReport(at=NOW, rolls=())),
        "Nothing is taken in yet: neither a card nor a place to keep one.",
        "No card taken in yet",
    ),
    "places and no card yet": (
        overview(gap_report()),
        "No card is taken in yet, so there is nothing to keep so far.",
        "No card taken in yet",
    ),
    "the first offload was cut short": (
        overview(gap_report(unfinished=("a",))),
        "1 offload was begun and not finished, and nothing is proven yet.",
        "1 offload not finished",
    ),
    "all well": (
        overview(WELL, [drive()]),
        "Everything is proven in three places.",
        "All 2 rolls in three places",
    ),
    "one roll": (
        overview(ONE),
        "Everything is proven in three places.",
        "The one roll in three places",
    ),
    "two roles": (
        overview(TWO_ROLES, roles=ROLES[:2]),
        "Everything is proven in two places.",
        "All 2 rolls in two places",
    ),
    "one of three has a gap": (
        overview(LACKING),
        "1 of 3 rolls is not proven in three places.",
        "1 of 3 rolls not proven in three places",
    ),
    "all have a gap": (
        overview(gap_report(cover(cloud=NOT_THERE), cover(head(name="Roll 02"), cloud=NOT_THERE))),
        "None of the 2 rolls is proven in three places.",
        "2 of 2 rolls not proven in three places",
    ),
    "the only one has a gap": (
        overview(gap_report(cover(cloud=NOT_THERE))),
        "The one roll is not proven in three places.",
        "1 of 1 roll not proven in three places",
    ),
    "a gap and an offload": (
        overview(replace(LACKING, unfinished=("a", "b"))),
        "1 of 3 rolls is not proven in three places, and 2 offloads are not finished.",
        "2 offloads not finished, 1 of 3 rolls not proven in three places",
    ),
    "only an offload": (
        overview(replace(WELL, unfinished=("a",))),
        "Everything that was taken in is proven in three places, and 1 offload is not finished.",
        "1 offload not finished",
    ),
    "no copy anywhere": (
        overview(gap_report(NOWHERE, cover(head(name="Roll 02")))),
        "1 roll has no proven copy anywhere: act today.",
        "1 roll at risk: act today",
    ),
    "some files nowhere": (
        overview(gap_report(SOME_NOWHERE, replace(SOME_NOWHERE, roll=head(name="Roll 02")))),
        "2 rolls have files with no proven copy anywhere: act today.",
        "2 rolls at risk: act today",
    ),
    "damage beside good copies": (
        overview(WELL, [drive()], [harm(), harm(mended_at=NOW)]),
        "Everything is proven in three places, but 1 damaged copy is not mended: act today.",
        "1 damaged copy is not mended: act today",
    ),
    "damage that is a gap": (
        overview(gap_report(cover(secondary=CopyState.DAMAGED), cover(head(name="Roll 02")))),
        "1 of 2 rolls is not proven in three places; damage is not mended: act today.",
        "Damage is not mended: act today",
    ),
    "a drive that fails": (
        overview(WELL, [REPLACE]),
        "Everything is proven in three places, but Main should be replaced: act today.",
        "Main should be replaced: act today",
    ),
    "a drive without its marker": (
        overview(WELL, [drive(is_here=False, is_bare=True)]),
        "Everything is proven in three places, but Main is here without its marker: act today.",
        "Main is here without its marker: act today",
    ),
    "a drive in doubt": (
        overview(WELL, [drive(in_doubt=True)]),
        "Everything is proven in three places, but Main is in doubt: act today.",
        "Main is in doubt: act today",
    ),
    "a cable": (
        overview(WELL, [CABLE]),
        "Everything is proven in three places, and one thing needs you soon.",
        "All 2 rolls in three places; 1 thing to do soon",
    ),
    "a cable and a full drive": (
        overview(WELL, [replace(CABLE, filling=Filling(shoots_left=0.1))]),
        "Everything is proven in three places, and two things need you soon.",
        "All 2 rolls in three places; 2 things to do soon",
    ),
    "a drive fails before the first card": (
        overview(gap_report(), [REPLACE]),
        "No card is taken in yet, so there is nothing to keep so far; Main should be replaced: act today.",
        "Main should be replaced: act today",
    ),
    "everything lost": (
        overview(LOST),
        "The one roll is out of reach: every place is lost or retired.",
        "Every place lost or retired: act today",
    ),
    "everything lost, many rolls": (
        overview(replace(LOST, rolls=(*LOST.rolls, *LOST.rolls))),
        "None of the 2 rolls is within reach: every place is lost or retired.",
        "Every place lost or retired: act today",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_the_answer_and_the_subject_read_as_written_here(case: str) -> None:
    one, sentence, few_words = CASES[case]
    assert answer(one) == sentence
    assert subject(one) == few_words


@given(WORLDS)
def test_words_are_never_calmer_than_things_are(
    world: tuple[GapReport, list[DriveLine], list[Harm]],
) -> None:
    one = overview(*world)
    for said in (answer(one), subject(one)):
        lower = said.lower()
        if one.worry is Worry.NOW:
            assert "act today" in lower or "every place is lost" in lower
        if one.gaps.with_gaps or not one.gaps.rolls:
            assert not lower.startswith(("everything is", "all 1 ", "the one roll in"))
        assert said.isprintable()
    if any(map(is_nowhere, one.gaps.with_gaps)):
        assert "act today" in subject(one)


def test_a_hostile_name_reaches_no_terminal() -> None:
    line = replace(REPLACE, place=place(Role.PRIMARY, name=ESCAPING))
    one = overview(WELL, [line])
    assert answer(one).isprintable()
    assert subject(one).isprintable()


# -- single words


def test_words_for_numbers_states_places_and_ages() -> None:
    assert [number(one) for one in (0, 1, 3, 12, 13, 1400)] == ["no", "one", "three", "twelve", "13", "1,400"]  # fmt: skip
    assert len({state_words(state) for state in CopyState}) == len(CopyState)
    assert kind_words(place(Role.PRIMARY, spins=True)) == "primary spinning drive"
    assert kind_words(place(Role.CLOUD)) == "cloud bucket"
    assert month(NOW, SUMMER) == "June 2026"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (drive(), "here"),
        (drive(is_here=False), "away, never seen since it was taken in"),
        (drive(is_here=False, last_seen=NOW - 3 * DAY), "away, last seen 3 days ago"),
        (drive(place=place(Role.PRIMARY, standing=Standing.RETIRED)), "retired"),
    ],
)
def test_where_a_drive_is(line: DriveLine, words: str) -> None:
    assert standing_words(line, NOW) == words


@pytest.mark.parametrize(
    ("filling", "words"),
    [
        (Filling(why="its free space is not known"), "when it is full is not known (its free space is not known)"),
        (Filling(shoots_left=3.4), "full in about 3 usual shoots; not full within ten years at this rate"),
        (Filling(shoots_left=0.4, earliest=NOW + DAY, latest=NOW + 3 * DAY), "the next usual shoot does not fit; between 2026-06-15 and 2026-06-17"),
        (Filling(shoots_left=1.9, earliest=NOW + 70 * DAY, latest=NOW + 300 * DAY), "full in about 1 usual shoot; between August 2026 and April 2027"),
        (Filling(shoots_left=40.0, earliest=NOW + 400 * DAY), "room for more than 20 usual shoots; at the earliest July 2027"),
        (Filling(shoots_left=2.0, earliest=NOW + DAY, latest=NOW + DAY), "full in about 2 usual shoots; about 2026-06-15"),
        (Filling(shoots_left=2.0, why="too few shoots are known yet"), "full in about 2 usual shoots; when it is full is not known (too few shoots are known yet)"),
    ],
)  # fmt: skip
def test_when_a_drive_is_full(filling: Filling, words: str) -> None:
    assert filling_words(filling, NOW, SUMMER) == words


def test_ages_and_harm() -> None:
    def bin_of(begin: int | None, end: int | None) -> ProofAge:
        return ProofAge(role=Role.CLOUD, days_from=begin, days_to=end, files=0, size_bytes=0)

    assert ages_words(bin_of(7, 30)) == "7 to 30 days"
    assert ages_words(bin_of(365, None)) == "365 days and more"
    assert ages_words(bin_of(None, None)) == "no proof that counts"
    assert harm_words(harm(), NOW) == "damaged, found 3 days ago, not mended"
    edited = harm(result=Result.CHANGED, mended_at=NOW - DAY)
    assert harm_words(edited, NOW) == "changed by somebody, found 3 days ago, mended 1 day ago"


MARKS = st.sampled_from([None, NOW + DAY, NOW + 90 * DAY])


@given(st.none() | st.floats(0, 99), MARKS, MARKS, st.sampled_from(["", "too few"]))
def test_filling_is_always_told_in_one_line(
    left: float | None, one: datetime | None, other: datetime | None, why: str
) -> None:
    told = filling_words(
        Filling(shoots_left=left, earliest=one, latest=other, why=why), NOW, SUMMER
    )
    assert told
    assert "\n" not in told
