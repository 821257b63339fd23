"""The page's parts: what is on the way, damage, drills, pictures of numbers, contact sheets, its look."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from lxml import html as lxml_html
from lxml.html import HtmlElement

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.drilling import DrillResult
from backupkeeper.core.line import METERED, WAITS_FOR_HOURS
from backupkeeper.core.model import Blake3, Result, Role
from backupkeeper.core.overview import Clip, Level, Overview, ProofAge
from backupkeeper.core.posters import Poster
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.core.status import CardStatus, LineStatus, Status
from backupkeeper.report.charts import copies_over_time, proof_ages
from backupkeeper.report.html import STYLE, Markup
from backupkeeper.report.page import page
from backupkeeper.report.page_news import damage, drills, on_the_way
from backupkeeper.report.page_pictures import MOST_CLIPS, clock, contact_sheets
from backupkeeper.report.page_style import PAGE_STYLE
from backupkeeper.report.page_words import zone_name
from tests.report.boatyard import NOW, SUMMER
from tests.report.overview_parts import DAY, DRILLS, IDLE, bucket, harm, jpeg, overview, posters_of
from tests.report.overviews import ALL, all_well, uploading
from tests.report.test_page import flat


def tree(made: Markup | None) -> HtmlElement:
    assert made is not None
    return lxml_html.fragment_fromstring(made.source)


def said(made: Markup | None) -> str:
    return flat(tree(made))


# -- on the way


def way(status: Status | None, **changes: object) -> str:
    return said(on_the_way(overview((), status=status, **changes), SUMMER))


def test_uploads_say_how_far_they_are_and_when_all_is_there() -> None:
    told = said(on_the_way(uploading(), SUMMER))
    assert "Off site: 412 GB to go, done between Tuesday 09:00 and Wednesday 17:00." in told
    assert "9.20 GB of 51.0 GB 11 of 76 files 5 h 01 min at 2.31 MB/s" in told
    assert "Uploads take at most 2.50 MB/s (20 Mbit/s) (until 2026-06-14 23:12 )." in told
    assert "0 bytes of 44.0 GB 0 of 61 files waits: something more urgent uses its drive" in told
    assert "61.0 GB to go, 7 h 20 min at the rate measured before: after the one under way" in told
    assert "Failed, and tried again mirror to Travel failed 20 minutes ago" in told


def test_what_was_not_measured_is_not_told() -> None:
    deed = replace(
        uploading().status.under_way[0],  # type: ignore[union-attr]  # it has one
        bytes_a_second=None,
        files_total=0,
    )
    assert "51.0 GB not known yet" in way(replace(IDLE, under_way=(deed,)))
    assert "51.0 GB is ending" in way(replace(IDLE, under_way=(replace(deed, stopping=True),)))


def test_a_bucket_that_has_all_and_a_daemon_at_rest_say_so() -> None:
    assert way(IDLE).endswith("Nothing is under way, and nothing waits.")
    assert "No daemon was running: nothing is done by itself." in way(None)
    arrival = Arrival(place="Off site", to_go=5, why="not known yet")
    assert "Nothing is under way" not in way(IDLE, buckets=(bucket(arrival=arrival),))


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        (
            LineStatus(no_upload=WAITS_FOR_HOURS, changes_at=NOW + DAY),
            "wait for their hours (until",
        ),
        (LineStatus(no_upload=METERED), METERED),
        (LineStatus(down=("The line to Off site is down.",)), "The line to Off site is down."),
        (LineStatus(), "On the way Nothing is under way"),
    ],
)
def test_the_line_says_why_nothing_is_sent(line: LineStatus, wanted: str) -> None:
    assert wanted in way(replace(IDLE, line=line))


def test_a_pause_says_how_to_go_on() -> None:
    told = way(replace(IDLE, paused_until=NOW + DAY))
    assert "Paused until 2026-06-15 09:12. To go on: backupkeeper resume" in told


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({"may_wipe": True, "judged_at": NOW}, "it could be wiped, said 2026-06-14 09:12"),
        ({"may_wipe": False, "judged_at": NOW}, "do not wipe it, said 2026-06-14 09:12"),
        ({"taken": True}, "offloaded, not fit to be wiped yet"),
        ({"note": "It waits."}, "not offloaded It waits."),
    ],
)
def test_a_card_says_the_last_verdict_and_when(changes: dict[str, object], wanted: str) -> None:
    values: dict[str, object] = {
        "point": "/media/me/WIDE",
        "label": "WIDE_A",
        "source": None,
        "files": 40,
        "size_bytes": 3_200_000_000,
        "taken": False,
        "may_wipe": None,
        "judged_at": None,
    }
    card = CardStatus(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table
    told = way(replace(IDLE, cards=(card,)))
    assert "Cards in a reader WIDE_A: 40 files, 3.20 GB;" in told
    assert wanted in told


def test_of_many_that_wait_the_first_are_told() -> None:
    wait = uploading().status.waiting[0]  # type: ignore[union-attr]  # it has one
    told = way(replace(IDLE, waiting=(wait,) * 100))
    assert told.count("after the one under way") == 12
    assert told.endswith("and 88 more")


# -- damage and drills


@pytest.mark.parametrize("result", Result)
def test_each_kind_of_harm_has_its_words(result: Result) -> None:
    told = said(damage(overview(harms=(harm(mended=False, result=result),)), SUMMER))
    assert "not mended" in told
    assert "4.10 kB of 1.27 GB" in told
    assert "at Travel" in told


def test_a_repair_says_when() -> None:
    told = said(damage(overview(harms=(harm(mended=True, hurt_bytes=None),)), SUMMER))
    assert "mended 2026-06-02 09:16" in told
    assert "(rot) 1.27 GB" in told


def test_of_much_damage_the_newest_is_open_and_the_rest_folded() -> None:
    made = tree(damage(overview(harms=(harm(mended=True),) * 45), SUMMER))
    assert len(made.xpath("./table/tbody/tr")) == 40
    assert flat(made.find("details/summary")) == "5 more found in the last year"


@pytest.mark.parametrize(
    ("result", "wanted"),
    [
        (DrillResult.RIGHT, "came back whole"),
        (DrillResult.WRONG, "did not come back right"),
        (DrillResult.UNFINISHED, "could not be ended: shows nothing"),
    ],
)
def test_each_drill_says_what_came_of_it(result: DrillResult, wanted: str) -> None:
    told = said(drills(overview(drills=(replace(DRILLS[0], result=result),)), SUMMER))
    assert f"260402 Boatyard Off site 182 GB 214 files {wanted}" in told


def test_a_drill_that_is_due_is_told() -> None:
    told = said(drills(overview(drill_due="It is time for one."), SUMMER))
    assert told == "Restore drills due: It is time for one."


# -- pictures of numbers


def levels() -> list[Level]:
    return [
        Level(
            at=NOW - number * 30 * DAY,
            taken_bytes=(40 - number) * 10**11,
            proven_bytes={Role.PRIMARY: (40 - number) * 10**11, Role.CLOUD: (40 - number) * 10**10},
        )
        for number in range(39, -1, -1)
    ]


def test_copies_over_time_say_in_words_and_numbers_what_they_draw() -> None:
    made = tree(copies_over_time(levels(), SUMMER))
    assert [one.text for one in made.iter("title")] == [
        f"{role}: copies over time" for role in (Role.PRIMARY, Role.CLOUD)
    ], "only roles that are asked for"
    cloud = made.findall(".//desc")[1].text
    assert cloud is not None
    assert "grew to 4.00 TB; proven in role cloud are 400 GB of it." in cloud
    rows = made.xpath(".//table/tbody/tr")
    assert len(rows) == 40
    assert flat(rows[-1]) == "2026-06-14 4.00 TB 4.00 TB 0 bytes 400 GB"


def test_the_highest_value_reaches_the_top_and_none_leaves_the_picture() -> None:
    made = tree(copies_over_time(levels(), SUMMER))
    heights = [
        float(y) for one in made.xpath(".//@points") for y in re.findall(r",([\d.]+)", str(one))
    ]
    assert min(heights) == 34.0
    assert max(heights) <= 144.0


def test_one_moment_or_nothing_taken_draws_nothing() -> None:
    assert copies_over_time(levels()[:1], SUMMER) is None
    nothing = [replace(one, taken_bytes=0, proven_bytes={}) for one in levels()]
    assert copies_over_time(nothing, SUMMER) is None
    assert proof_ages(()) is None
    assert (
        proof_ages([ProofAge(role=Role.CLOUD, days_from=0, days_to=7, files=0, size_bytes=0)])
        is None
    )


def test_two_moments_at_once_are_drawn_too() -> None:
    first, *_ = levels()
    assert tree(copies_over_time([first, first], SUMMER)).findall(".//desc")


def test_ages_are_bars_and_what_has_no_proof_is_an_empty_one() -> None:
    made = tree(
        proof_ages(
            [
                ProofAge(role=Role.CLOUD, days_from=0, days_to=7, files=400, size_bytes=10**12),
                ProofAge(role=Role.CLOUD, days_from=7, days_to=None, files=1, size_bytes=10**9),
                ProofAge(
                    role=Role.CLOUD, days_from=None, days_to=None, files=100, size_bytes=10**11
                ),
            ]
        )
    )
    bars = [(one.get("class"), float(one.get("width", ""))) for one in made.iter("rect")]
    assert bars[0][0] == "bar"
    assert bars[2] == ("bar hollow", bars[0][1] / 4)
    assert bars[1][1] == 1.5, "a bar of anything is seen"
    assert "no proof that counts: 100 files" in made.findtext(".//desc", "")
    assert [flat(one) for one in made.xpath(".//table/tbody/tr")][2] == (
        "cloud no proof that counts 100 100 GB"
    )


# -- contact sheets


def sheets(
    shown: Overview, posters: dict[Blake3, Poster], *, most_bytes: int = 10**6
) -> HtmlElement:
    return tree(contact_sheets(shown, posters, SUMMER, most_bytes=most_bytes))


def one_roll(*clips: Clip) -> Overview:
    base = all_well()
    return replace(base, clips={base.gaps.rolls[0].roll.id: clips})


def clip(number: int = 1) -> Clip:
    return Clip(
        path=f"DCIM/WIDE{number:04}.MP4", content=Blake3(f"{number:064x}"), size_bytes=1_270_000_000
    )


def poster(number: int = 1, **changes: object) -> Poster:
    values: dict[str, object] = {"content": f"{number:064x}", "jpeg": jpeg(1), "seconds": 62.4}
    return Poster(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def test_a_clip_stands_there_with_its_picture_and_length() -> None:
    made = sheets(
        one_roll(clip()),
        {clip().content: poster(width=1920, height=1080, frames_per_second=23.976, coding="H.264")},
    )
    assert "WIDE0001.MP4 1:02, 1.27 GB H.264, 1920 × 1080, 23.976 fps" in flat(made)  # noqa: RUF001 - the sign for by is meant
    (image,) = made.iter("img")
    assert (image.get("width"), image.get("height")) == ("240", "135")
    assert image.get("alt") == "Picture from WIDE0001.MP4"


def test_sound_stands_there_with_how_it_was_recorded() -> None:
    sound = poster(jpeg=None, coding="PCM 24 bit", sound="2 channels, 48 kHz", note="sound only")
    made = sheets(one_roll(clip()), {clip().content: sound})
    assert "sound only WIDE0001.MP4 1:02, 1.27 GB PCM 24 bit, 2 channels, 48 kHz" in flat(made)


def test_a_clip_without_a_picture_says_why() -> None:
    made = sheets(
        one_roll(clip()), {clip().content: poster(jpeg=None, seconds=None, note="cut off")}
    )
    told = flat(made)
    assert "cut off WIDE0001.MP4 length not known, 1.27 GB" in told
    assert "backupkeeper posters" not in told, "there is nothing more to be made"
    bare = flat(sheets(one_roll(clip()), {}))
    assert "no picture yet WIDE0001.MP4" in bare
    assert "1 of 1 clip has no picture yet. backupkeeper posters makes what is missing" in bare


def test_pictures_stay_within_their_bytes_and_what_is_left_out_is_told() -> None:
    shown = all_well()
    posters = dict(posters_of(shown))
    whole = contact_sheets(shown, posters, SUMMER, most_bytes=10**6)
    assert whole is not None
    less = contact_sheets(shown, posters, SUMMER, most_bytes=len(whole.source) - 2_000)
    assert less is not None
    assert len(less.source) < len(whole.source)
    assert "Sheets of 1 older roll are left out to keep this file small." in said(less)
    none = contact_sheets(shown, posters, SUMMER, most_bytes=0)
    assert "Sheets of 3 older rolls are left out" in said(none)


def test_of_a_roll_with_many_clips_the_first_are_shown() -> None:
    made = sheets(one_roll(*(clip(number) for number in range(MOST_CLIPS + 9))), {})
    assert len(made.xpath(".//li")) == MOST_CLIPS
    assert flat(made).endswith("and 9 more clips")


def test_without_clips_there_is_no_sheet() -> None:
    assert contact_sheets(overview(), {}, SUMMER, most_bytes=10**6) is None


@pytest.mark.parametrize(
    ("seconds", "wanted"),
    [(0, "0:00"), (12.4, "0:12"), (185, "3:05"), (3_727, "1:02:07"), (-4, "0:00"), (59.7, "1:00")],
)
def test_lengths_read_like_a_player(seconds: float, wanted: str) -> None:
    assert clock(seconds) == wanted


# -- the rest


def test_quiet_notes_and_old_snapshots_are_told_at_the_end() -> None:
    base = all_well()
    old = SnapshotNote(place="Travel", at=NOW - 9 * DAY, is_current=False, is_old=True)
    shown = replace(base, notes=("A quiet word.",), gaps=replace(base.gaps, snapshots=(old,)))
    text = page(shown, posters={}, zone=SUMMER)
    whole: HtmlElement = lxml_html.document_fromstring(text.encode())
    told = flat(whole.get_element_by_id("words"))
    assert "Worth knowing A quiet word." in told
    assert "Without a current snapshot of the catalog: Travel: 9 days ago 2026-06-05" in told


@pytest.mark.parametrize(
    ("zone", "wanted"),
    [
        (UTC, "UTC"),
        (timezone(timedelta(hours=-3, minutes=-30)), "UTC-03:30"),
        (timezone(timedelta(hours=2), "CEST"), "CEST (UTC+02:00)"),
    ],
)
def test_a_zone_is_named_by_its_offset_too(zone: timezone, wanted: str) -> None:
    assert zone_name(datetime(2026, 6, 14, tzinfo=UTC), zone) == wanted


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return sum(share * one for share, one in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_every_ink_can_be_read_on_the_ground_in_drawings_too(scheme: int) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1. The browser's rule book can't decide this for text in drawings."""
    colours = re.findall(r":root \{(.+?)\}", PAGE_STYLE, re.DOTALL)[scheme]
    found = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", colours))
    for ink in ("ink", "quiet", "pencil"):
        light, dark = sorted((luminance(found[ink]), luminance(found["ground"])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_paper_phone_and_the_dark_are_thought_of() -> None:
    for wanted in (
        "@media print",
        "max-width: 40rem",
        "prefers-color-scheme: dark",
        "prefers-reduced-motion",
    ):
        assert wanted in PAGE_STYLE + STYLE
    assert len(ALL) == 9
