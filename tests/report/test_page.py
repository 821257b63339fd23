"""The page: the answer on top, every number as the report has it, and words for every state."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from itertools import pairwise

import pytest
from lxml import etree, html as lxml_html
from lxml.html import HtmlElement

from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.overview import Overview, Step, Worry
from backupkeeper.report.html import STYLE
from backupkeeper.report.overview_words import answer, state_words
from backupkeeper.report.page import BEGINNING, LARGEST, page, sections
from backupkeeper.report.page_style import PAGE_STYLE
from backupkeeper.report.words import size
from tests.report.boatyard import NOW, SUMMER
from tests.report.overview_parts import (
    HOSTILE,
    cover,
    overview,
    posters_of,
    roll,
    years_of_rolls,
)
from tests.report.overviews import ALL, all_well, first_day, many, nothing_yet, two_gaps


def read(shown: Overview, *, live: bool = False) -> HtmlElement:
    text = page(shown, posters=posters_of(shown), zone=SUMMER, live=live)
    return lxml_html.document_fromstring(text.encode())


def flat(found: HtmlElement) -> str:
    words = " ".join(" ".join(map(str, found.itertext())).split())
    return re.sub(r" ([.,;:])", r"\1", words)


def part(shown: Overview, name: str) -> str:
    return flat(read(shown).get_element_by_id(name))


def attributes(tree: HtmlElement) -> Iterator[tuple[str, str, str]]:
    for one in tree.iter(etree.Element):
        for key, value in one.attrib.items():
            yield str(one.tag), str(key), str(value)


# -- every page


@pytest.fixture(params=[*ALL])
def shown(request: pytest.FixtureRequest) -> Overview:
    return ALL[str(request.param)]()


def test_title_and_only_heading_of_its_kind_are_the_answer(shown: Overview) -> None:
    tree = read(shown)
    (head,) = tree.iter("h1")
    assert flat(head) == answer(shown)
    assert tree.findtext(".//title", "").startswith(f"{answer(shown)} Report of 2026-06-14")
    assert tree.get("lang") == "en"


def test_headings_are_in_order_and_there_is_one_main_part(shown: Overview) -> None:
    tree = read(shown)
    levels = [int(str(one.tag)[1]) for one in tree.iter("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert len(list(tree.iter("main"))) == 1


def test_every_table_says_what_it_is_and_every_head_of_what(shown: Overview) -> None:
    tree = read(shown)
    for table in tree.iter("table"):
        assert flat(table.find("caption")), "a caption"
        columns = len(list(table.iterfind("thead/tr/th")))
        for row in table.iterfind("tbody/tr"):
            assert sum(int(one.get("colspan", "1")) for one in row) == columns
    assert {one.get("scope") for one in tree.iter("th")} <= {"col", "row", "colgroup"}


def test_ids_are_there_once_and_every_link_leads_to_one(shown: Overview) -> None:
    tree = read(shown)
    ids = [value for _, key, value in attributes(tree) if key == "id"]
    assert len(ids) == len(set(ids))
    links = [value for _, key, value in attributes(tree) if key == "href"]
    assert links
    assert {one.removeprefix("#") for one in links} <= set(ids)
    assert links[0] == "#answer", "the first thing that the keyboard reaches"


def test_it_runs_nothing_and_asks_for_nothing(shown: Overview) -> None:
    tree = read(shown)
    tags = {str(one.tag) for one in tree.iter(etree.Element)}
    assert not tags & {"script", "link", "iframe", "object", "embed", "form", "base", "video", "b"}
    found = list(attributes(tree))
    assert not [key for _, key, _ in found if key.startswith("on") or key == "style"]
    assert all(
        value.startswith("data:image/jpeg;base64,") for _, key, value in found if key == "src"
    )
    asked = re.findall(r"url\(.(.{5})", STYLE + PAGE_STYLE)
    assert set(asked) <= {"data:"}
    assert "@import" not in STYLE + PAGE_STYLE
    (policy,) = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert "default-src 'none'" in policy
    assert "script-src" not in policy


def test_every_drawing_is_told_in_words(shown: Overview) -> None:
    for one in read(shown).iter("svg"):
        if one.get("aria-hidden") == "true":
            assert flat(one.getparent()), "a shape stands before its word"
        else:
            assert one.get("role") == "img"
            assert one.findtext("title")
            assert len(one.findtext("desc", "")) > 20
    for image in read(shown).iter("img"):
        assert image.get("alt", "").startswith("Picture from ")


def test_the_same_overview_gives_the_same_bytes(shown: Overview) -> None:
    posters = posters_of(shown)
    first, second = (page(shown, posters=posters, zone=SUMMER) for _ in range(2))
    assert first == second
    assert first.startswith(BEGINNING)
    assert first.endswith("</html>\n")


def test_a_served_page_takes_one_script_and_nothing_else(shown: Overview) -> None:
    tree = read(shown, live=True)
    (script,) = tree.iter("script")
    assert script.get("src") == "live.js"
    assert not flat(script)
    (policy,) = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert "script-src 'self'" in policy


def test_the_parts_can_be_had_by_themselves(shown: Overview) -> None:
    parts = dict(sections(shown, SUMMER))
    whole = page(shown, posters={}, zone=SUMMER)
    for name, made in parts.items():
        assert f'id="{name}"' in made.source
        assert made.source in whole


# -- rolls


def rows_of(shown: Overview) -> dict[tuple[str, str], list[str]]:
    """(shoot, "source / roll") -> the texts of its cells, as they stand below 'Shoots and rolls'."""
    found: dict[tuple[str, str], list[str]] = {}
    section = read(shown).get_element_by_id("rolls")
    for fold in section.iterfind("details"):
        shoot = flat(fold.find("summary/strong"))
        for row in fold.iterfind("table/tbody/tr"):
            if row.get("class") == "of":
                shoot = flat(row.find("th/strong"))
                continue
            key = shoot, flat(row.find("th"))
            assert key not in found, "each roll stands there once"
            found[key] = [flat(one) for one in row.iterfind("td")]
    return found


@pytest.mark.parametrize("case", ["first-day", "all-well", "two-gaps", "damage", "all-lost"])
def test_every_roll_stands_there_once_with_its_numbers(case: str) -> None:
    shown = ALL[case]()
    rows = rows_of(shown)
    assert len(rows) == len(shown.gaps.rolls)
    for one in shown.gaps.rolls:
        files, held, taken, *roles = rows[one.roll.shoot, f"{one.roll.source} / {one.roll.name}"]
        assert files == f"{one.roll.file_count:,}"
        assert held == size(one.roll.size_bytes)
        assert taken == f"{one.roll.sealed_at.astimezone(SUMMER):%Y-%m-%d}"
        for role, said in zip(Role, roles, strict=True):
            assert said.startswith(state_words(one.roles[role].state))


@pytest.mark.parametrize("state", CopyState)
def test_each_state_has_its_word_and_its_shape(state: CopyState) -> None:
    shown = overview([cover(roll("260612 Boatyard", "Wide", "Roll 01", NOW), cloud=state)])
    (row,) = rows_of(shown).values()
    assert row[-1].startswith(state_words(state))
    cell = read(shown).get_element_by_id("rolls").xpath(".//tbody/tr/td")[-1]
    kinds = cell.get("class", "").split()
    assert kinds[0] in {"full", "part", "empty", "cross", "dash"}
    assert ("gap" in kinds) == (state is not CopyState.PROVEN)
    assert f"td.{kinds[0]}::before" in PAGE_STYLE
    assert state_words(state) in part(shown, "words")


def test_a_proven_copy_on_a_shared_device_does_not_look_full() -> None:
    shown = overview([cover(roll("260612 Boatyard", "Wide", "Roll 01", NOW), same_device=True)])
    (row,) = rows_of(shown).values()
    assert row[4] == "proven, shared device"
    assert "0 of 1 roll proven" in part(shown, "answer")


def test_a_role_that_is_not_asked_for_is_no_gap_and_says_so() -> None:
    one = cover(roll("260612 Boatyard", "Wide", "Roll 01", NOW))
    less = {role: one.roles[role] for role in (Role.PRIMARY, Role.SECONDARY)}
    shown = overview([replace(one, roles=less)])
    (row,) = rows_of(shown).values()
    assert row[-1] == "not asked for"
    assert "cloud not asked for" in part(shown, "answer")
    cell = read(shown).get_element_by_id("rolls").xpath(".//tbody/tr/td")[-1]
    assert cell.get("class") == "dash"


def test_part_of_a_roll_says_how_many_files() -> None:
    head = roll("260612 Boatyard", "Wide", "Roll 01", NOW)
    shown = overview([cover(head, secondary=CopyState.DUE, some=12)])
    (row,) = rows_of(shown).values()
    assert row[4] == "proof too old, 12 of 96 files, from 2026-03-05"


def test_what_falls_short_stands_above_worst_first() -> None:
    shown = two_gaps()
    section = read(shown).get_element_by_id("short")
    names = [flat(one) for one in section.xpath(".//tbody/tr/th")]
    assert [one.split()[-4:] for one in names] == [
        [one.roll.source, "/", *one.roll.name.split()] for one in shown.gaps.with_gaps
    ] or len(names) == 2
    ids = section.xpath(".//tbody/tr/@data-roll")
    assert ids == [one.roll.id for one in shown.gaps.with_gaps]


def test_only_new_shoots_are_open_and_old_ones_are_folded_by_year() -> None:
    section = read(all_well()).get_element_by_id("rolls")
    folds = section.findall("details")
    assert [one.get("open") is not None for one in folds[:4]] == [True, True, True, False]
    years = [flat(one.find("summary/strong")) for one in folds[12:]]
    assert years == ["2025", "2024", "2023", "2022"]
    assert all(one.get("open") is None for one in folds[3:])


def test_many_that_fall_short_are_folded_behind_the_worst() -> None:
    section = read(many()).get_element_by_id("short")
    assert len(section.xpath("./table/tbody/tr")) == 25
    assert flat(section.find("details/summary")) == "275 more rolls with a gap"


def test_unfinished_offloads_are_named() -> None:
    base = first_day()
    shown = replace(
        base, gaps=replace(base.gaps, unfinished=("260614 Boatyard/Originals/Drone/Roll 02",))
    )
    section = read(shown).get_element_by_id("short")
    assert "1 offload was begun and not finished" in flat(section)
    assert section.xpath("string(.//ul/li)") == "260614 Boatyard/Originals/Drone/Roll 02"


# -- how large


def test_ten_thousand_rolls_stay_small() -> None:
    shown = many()
    text = page(shown, posters=posters_of(shown), zone=SUMMER).encode()
    print(f"{len(shown.gaps.rolls):,} rolls: {len(text):,} bytes")  # noqa: T201 - a figure to report
    assert len(text) < LARGEST
    assert len(rows_of(shown)) == 10_000
    assert "older rolls are left out to keep this file small" in part(shown, "pictures")


@pytest.mark.parametrize("some", [None, 3], ids=["whole rolls", "some files of each"])
def test_ten_thousand_rolls_that_all_fall_short_stay_small(some: int | None) -> None:
    bad = CopyState.DUE
    covers = [
        cover(one.roll, some=some, primary=bad, secondary=bad, cloud=bad)
        for one in many().gaps.rolls
    ]
    shown = overview(covers)
    text = page(shown, posters={}, zone=SUMMER)
    assert len(text.encode()) < LARGEST
    assert "9,500 more rolls with a gap: they stand below, with their shoots." in text
    assert len(rows_of(shown)) == 10_000


def test_thousands_of_small_shoots_stay_small_too() -> None:
    shown = overview(years_of_rolls(5_000, 2, every_days=0.7))
    assert len(page(shown, posters={}, zone=SUMMER).encode()) < LARGEST


# -- what to do, and the answer


def test_steps_come_in_their_order_with_what_to_type() -> None:
    section = read(two_gaps()).get_element_by_id("todo")
    said = [flat(one) for one in section.xpath(".//ol/li")]
    assert said == [
        "Plug Travel in and prove what is on it (1 roll) soon backupkeeper verify Travel",
        "Bring to the bucket what it lacks (2 rolls) soon backupkeeper upload",
    ]


def test_where_nothing_is_to_be_done_it_says_so_and_when_the_next_is_due() -> None:
    said = part(all_well(), "todo")
    assert said.startswith("What to do Nothing. The next report is due on 2026-06-21 09:12.")


@pytest.mark.parametrize(
    ("worry", "word"),
    [
        (Worry.NONE, "No need to worry"),
        (Worry.SOON, "Something to do soon"),
        (Worry.NOW, "Something is in danger"),
    ],
)
def test_whether_to_worry_stands_first(worry: Worry, word: str) -> None:
    shown = replace(all_well(), worry=worry, steps=(Step(words="Look", worry=worry),))
    assert part(shown, "answer").startswith(word)
    assert f'data-worry="{worry}"' in page(shown, posters={}, zone=SUMMER)


def test_before_the_first_card_it_says_what_will_stand_here() -> None:
    shown = nothing_yet()
    said = flat(read(shown).find("body"))
    for sentence in (
        "When the first card is offloaded, its roll stands here",
        "No roll was taken in yet.",
        "No drive was taken in yet.",
        "No bucket was taken in yet.",
        "No daemon was running: nothing is done by itself.",
        "No damage was found in the last year.",
        "No shoot was ever brought back for trial. backupkeeper drill",
    ):
        assert sentence in said
    names = [name for name, _ in sections(shown, SUMMER)]
    assert "over-time" not in names


def test_the_zone_is_named_and_times_are_local() -> None:
    text = page(all_well(), posters={}, zone=SUMMER)
    assert "All dates and times are local: UTC+02:00 on that day." in text
    assert '<time datetime="2026-06-14T07:12:00Z">2026-06-14 09:12</time>' in text
    in_utc = page(all_well(), posters={}, zone=UTC)
    assert "All dates and times are local: UTC on that day." in in_utc


# -- hostile names


def test_no_name_becomes_markup_or_turns_anything() -> None:
    shown = ALL["hostile"]()
    text = page(shown, posters=posters_of(shown), zone=SUMMER)
    text.encode()  # no half of a surrogate pair
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u200b-\u200f\x00-\x08\x0b-\x1f\x7f]", text)
    assert "<script" not in text
    tree = read(shown)
    said = flat(tree)
    assert "<script>alert(1)</script>" in said
    assert r"line\nbreak\r\ttab\x00\x1b[31m" in said
    assert r"\xff\x80.MP4" in said
    assert r"\u202egnp.evil\u2066" in said
    assert len(list(tree.iter("bdi"))) > len(HOSTILE)


def test_hostile_pages_have_the_elements_of_any_other() -> None:
    usual = {
        str(one.tag)
        for case in ("uploading", "damage")
        for one in read(ALL[case]()).iter(etree.Element)
    }
    hostile = {str(one.tag) for one in read(ALL["hostile"]()).iter(etree.Element)}
    assert hostile <= usual | {"bdi", "wbr", "ul", "li"}
