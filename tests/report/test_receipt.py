"""A receipt's page and JSON: never more than the verdict, the same numbers, harmless names."""

import hashlib
import re
import unicodedata
from dataclasses import replace
from datetime import UTC, timedelta, timezone
from itertools import pairwise

import pytest
from hypothesis import given, settings, strategies as st
from lxml import html

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Reason, ReasonCode
from backupkeeper.core.receipt import ManifestStand, Receipt, Receipted, RootHash
from backupkeeper.report.lines import Look
from backupkeeper.report.receipt_copies import FEW
from backupkeeper.report.receipt_json import receipt_text, sum_of
from backupkeeper.report.receipt_words import exact_time, written_json, written_lines
from backupkeeper.report.words import shown, told
from tests.report import day, made_receipts
from tests.report.boatyard import MAIN, NOW, SUMMER, flat
from tests.report.made_receipts import HOSTILE, TWO, receipt, stated
from tests.report.receipt_parsed import contradictions, parsed, text_of

ALL = [
    made_receipts.yes(),
    made_receipts.on_the_road(),
    made_receipts.no(),
    made_receipts.large(),
    receipt(()),
]
RUNS_OR_FETCHES = {"script", "img", "iframe", "object", "embed", "link", "form", "input", "base"}


@pytest.mark.parametrize("made", ALL)
def test_page_and_json_say_the_same(made: Receipt) -> None:
    assert list(contradictions(parsed(made))) == []


def test_the_comparison_sees_a_difference() -> None:
    """The test above can fail."""
    right = parsed(made_receipts.yes())
    wrong = replace(right, page=right.page.replace("1,200,000,001", "1,200,000,007"))
    assert list(contradictions(wrong)) == ["bytes of DCIM/100BOATY/BOAT0001.MP4"]
    other = replace(right, data=right.data.replace(b'"state": "proven"', b'"state": "absent"', 1))
    assert len(list(contradictions(other))) == 2


def test_a_yes_says_so_and_what_it_is_about() -> None:
    one = parsed(made_receipts.yes())
    assert one.words("//h1") == "YES This card may be wiped."
    (answer,) = one.tree.xpath("//section[contains(@class, 'answer')]")
    assert "yes" in answer.get("class").split()
    said = one.words()
    for wanted in (
        "proven on a primary drive, on a secondary drive and in the cloud, each on a physical device",
        "2026-06-14 09:12:00 (UTC+02:00)",
        "If anything was recorded since, ask again.",
        "Format the card in the camera, not in the computer.",
        "Keep one copy in another place than the others.",
        "That is no signature",
        "of these, fetched back",
        "not from the computer's memory",
        "it was seen to refuse wrong bytes",
        "WIDE A, at /media/me/WIDE",
    ):
        assert wanted in said
    assert "Why not" not in said
    assert one.tree.findtext(".//title") == "YES: receipt for the card WIDE A"


def test_a_no_never_looks_like_a_yes() -> None:
    one = parsed(made_receipts.no())
    assert one.words("//h1") == "NO This card must not be wiped."
    (answer,) = one.tree.xpath("//section[contains(@class, 'answer')]")
    assert {"yes", "partly"}.isdisjoint(answer.get("class").split())
    assert "12px double" in one.page  # its frame differs by shape, on paper too
    said = one.words()
    assert "YES" not in said
    assert "may be wiped" not in said.replace("may this card be wiped?", "")
    assert "Keep the card" in said
    assert "Format the card" not in said
    assert one.tree.findtext(".//title", "").startswith("NO: ")
    for reason in made_receipts.no().verdict.reasons:
        for path in reason.paths:
            assert path in text_of(one.tree.xpath("//ol[@class='reasons']")[0])


def test_a_yes_of_a_lowered_policy_says_in_the_same_breath_what_is_missing() -> None:
    one = parsed(made_receipts.on_the_road())
    assert one.words("//h1") == (
        "YES This card may be wiped as far as primary and secondary go, but the cloud lacks 1 of 2 "
        "files."
    )
    assert "No more was asked for." in one.words()
    assert "Off site could not be looked at now" in one.words()
    lacking = receipt(TWO, asked=(Role.CLOUD,), still_missing={Role.PRIMARY: 2, Role.SECONDARY: 1})
    assert "but a primary drive lacks 2 of 2 files and a secondary drive lacks 1 of" in (
        parsed(lacking).words("//h1")
    )


def test_a_shared_device_is_told_though_all_is_proven() -> None:
    shared = Reason(
        code=ReasonCode.SAME_DEVICE, role=Role.SECONDARY, paths=tuple(one.path for one in TWO)
    )
    said = parsed(receipt(TWO, shared)).words("//ul[@class='roles']")
    assert "2 of 2 files proven, but not on a physical device of its own" in said
    lowered = replace(made_receipts.yes(), distinct_devices=False)
    words = parsed(lowered).words()
    assert "one fall could break them together" in words
    assert "each on a physical device" not in words


def test_what_stands_encrypted_is_never_said_to_be_the_bytes_of_the_card() -> None:
    made = made_receipts.yes()
    off_site = made.places[2]
    span = replace(off_site.proofs[0], evidence=("refused when wrong: MD5; encrypted, and seen",))
    encrypted = replace(made, places=(*made.places[:2], replace(off_site, proofs=(span,))))
    one = parsed(encrypted)
    assert "what is compared since then are its encrypted bytes" in one.facts("encrypted")[0]
    assert "card" not in one.facts("fetched back")[0]
    assert parsed(made).facts("encrypted") == []


def test_nothing_asked_for_and_nothing_there_is_told() -> None:
    empty = receipt((), Reason(code=ReasonCode.NOTHING_TO_JUDGE, role=None, paths=()), asked=())
    said = parsed(replace(empty, places=(), label=None)).words()
    assert "nothing, so nothing can be shown" in said
    assert "There is no place yet." in said
    assert "No file." in said
    assert "0 of 0 files proven" in said


# ---- hostile names


def hostile_pages() -> list[Receipt]:
    return [made_receipts.hostile(), receipt(tuple(stated(one, 1) for one in HOSTILE))]


@pytest.mark.parametrize("made", hostile_pages())
def test_no_name_is_markup_or_steers_the_page(made: Receipt) -> None:
    one = parsed(made)
    tags = {element.tag for element in one.tree.iter() if isinstance(element.tag, str)}
    assert not tags & RUNS_OR_FETCHES
    assert len(one.tree.xpath("//h1")) == 1
    (name,) = one.tree.xpath("//table[starts-with(caption, '11 files')]")
    cells = [cell.text_content() for cell in name.xpath("tbody/tr/th")]
    assert cells == [shown(path) for path in HOSTILE]
    hidden = {
        letter
        for letter in one.page.replace("\n", "")
        if unicodedata.category(letter) in {"Cc", "Cf", "Cs", "Zl", "Zp"}
    }
    assert hidden == set()


def test_every_text_from_outside_is_isolated() -> None:
    one = parsed(made_receipts.hostile())
    page = one.tree
    for bdi in page.xpath("//bdi"):
        bdi.drop_tree()
    rest = page.text_content()
    for path in HOSTILE:
        assert told(path) not in rest.replace(one.tree.findtext(".//title", ""), ""), path


name_of_anything = st.one_of(
    st.text(st.characters(exclude_categories=[]), min_size=1, max_size=12),
    st.binary(min_size=1, max_size=12).map(lambda raw: raw.decode("utf-8", "surrogateescape")),
)


@given(name_of_anything)
@settings(max_examples=60)
def test_any_name_at_all_comes_through_page_and_json(path: str) -> None:
    one = parsed(receipt((stated(path, 1),), label=path))
    assert one.json["files"][0]["path"] == path
    (cell,) = one.tree.xpath("//table[starts-with(caption, '1 file')]/tbody/tr/th")
    assert cell.text_content() == shown(path)
    assert one.page.encode("utf-8")
    assert one.data.isascii()


# ---- the page for itself


@pytest.mark.parametrize("made", [*ALL, made_receipts.hostile()])
def test_a_page_needs_nothing_but_itself_and_explains_its_tables(made: Receipt) -> None:
    one = parsed(made)
    tree = one.tree
    assert tree.get("lang") == "en"
    assert not tree.xpath("//@src | //@srcset | //@action | //link | //script")
    assert not re.search(r"url\(|@import", tree.findtext(".//style", ""))
    assert tree.xpath("//meta[@name='viewport']")
    for table in tree.xpath("//table"):
        assert table.findtext("caption")
        assert {cell.get("scope") for cell in table.xpath("thead//th")} == {"col"}
        assert {cell.get("scope") for cell in table.xpath("tbody//th")} == {"row"}
    levels = [int(head.tag[1]) for head in tree.xpath("//h1|//h2|//h3|//h4")]
    assert levels[0] == 1
    assert all(now - before <= 1 for before, now in pairwise(levels))
    for drawn in tree.xpath("//*[local-name()='svg']"):
        assert drawn.get("aria-hidden") == "true"
        assert text_of(drawn.getparent())  # the word stands beside it


def test_many_files_are_folded_and_few_are_not() -> None:
    few, many = made_receipts.large(FEW), made_receipts.large(FEW + 1)
    assert not parsed(few).tree.xpath("//details")
    (folded,) = parsed(many).tree.xpath("//details")
    assert text_of(folded.find("summary")) == f"{FEW + 1} files with their hashes"
    assert folded.get("open") is None
    paths = tuple(f"DCIM/{number}.MP4" for number in range(FEW + 1))
    never = Reason(code=ReasonCode.NEVER_OFFLOADED, role=None, paths=paths)
    (summary,) = parsed(receipt(TWO, never)).tree.xpath("//ol//summary")
    assert text_of(summary) == f"All {FEW + 1} paths"


def test_roots_are_told_once_where_places_agree_and_apart_where_not() -> None:
    made = made_receipts.yes()
    one = parsed(made)
    assert one.facts("Root, content") == [
        f"{'ab' * 16} xxh128, at Main, Travel and Off site",
    ]
    roll = made.rolls[0]
    other = RootHash(format="xxh128", content="ab" * 16, structure="ee" * 16)
    manifests = (
        replace(roll.manifests[0], roots=(other,), rooted="0001_Roll 01.mhl"),
        replace(roll.manifests[1], roots=(), rooted="", generations=1),
        ManifestStand(place=MAIN, why_not="there is none"),
    )
    differing = parsed(replace(made, rolls=(replace(roll, manifests=manifests),)))
    assert differing.facts("Root, structure") == [f"{'ee' * 16} xxh128, at Main"]
    rows = differing.table("Manifests of this roll")
    assert "of a part of the roll; root hashes from 0001_Roll 01.mhl" in rows[0]["Newest manifest"]
    assert "the only one; of a part of the roll" in rows[1]["Newest manifest"]
    assert "Main: nothing is stated of its manifests: there is none" in (
        text_of(html.fromstring(differing.page))
    )
    none = tuple(ManifestStand(place=one.place, why_not="not read: gone") for one in manifests)
    assert not parsed(replace(made, rolls=(replace(roll, manifests=none),))).tree.xpath(
        "//table[starts-with(caption, 'Manifests')]"
    )


def test_the_same_receipt_gives_the_same_bytes_and_their_sum() -> None:
    first, again = (receipt_text(made_receipts.yes(), SUMMER) for _ in range(2))
    assert first == again
    assert sum_of(first) == hashlib.sha256(first).hexdigest()
    assert first.endswith(b"}\n")


def test_json_has_what_the_readme_promises() -> None:
    told_of = parsed(made_receipts.no()).json
    assert (told_of["version"], told_of["kind"], told_of["verdict"]) == (1, "receipt", "no")
    assert told_of["at"] == "2026-06-14T07:12:00Z"
    assert told_of["at_local"] == "2026-06-14T09:12:00+02:00"
    assert (told_of["files_on_card"], told_of["files_read"]) == (4, 3)
    assert told_of["files"][3]["blake3"] is None
    assert told_of["files"][0]["copies"][2]["evidence"].startswith("refused when wrong")
    assert [role["fulfilled"] for role in told_of["roles"]] == [False, False, False]
    assert [role["fulfilled"] for role in parsed(made_receipts.yes()).json["roles"]] == [True] * 3


@pytest.mark.parametrize(
    ("zone", "expected"),
    [
        (UTC, "2026-06-14 07:12:00 (UTC+00:00)"),
        (SUMMER, "2026-06-14 09:12:00 (UTC+02:00)"),
        (timezone(timedelta(hours=-5), "EST"), "2026-06-14 02:12:00 EST (UTC-05:00)"),
    ],
)
def test_times_are_told_with_their_zone(zone: timezone, expected: str) -> None:
    assert exact_time(NOW, zone) == expected


# ---- what the command says of it


@pytest.mark.parametrize("width", [30, 80])
def test_where_it_stands_is_told_on_lines_that_can_be_copied(width: int) -> None:
    long = "/home/me/" + "w" * 200
    made = Receipted(verdict=day.yes(), page=f"{long}/\x1b.html", data=f"{long}/\x1b.json")
    lines = [line.text for line in written_lines(made, Look(width=width))]
    assert f"    {long}/\\x1b.html" in lines
    assert f"    {long}/\\x1b.json" in lines
    assert written_json(made) == {"page": made.page, "json": made.data, "trouble": None}


def test_json_alone_and_what_went_wrong_are_told() -> None:
    alone = Receipted(verdict=day.yes(), page=None, data="/home/me/x.json")
    assert "As JSON:" in flat(written_lines(alone, Look()))
    failed = Receipted(verdict=day.yes(), page=None, data=None, trouble="full")
    assert "not written as it should be" in flat(written_lines(failed, Look()))
    assert written_json(failed) == {"page": None, "json": None, "trouble": "full"}
