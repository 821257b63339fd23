"""A receipt beside the verdict: written where it may be, and never anywhere else."""

import json
import os
import sqlite3
from pathlib import Path
from typing import Any

import blake3
import pytest
import xxhash
from lxml import etree, html

from backupkeeper.core.model import Role
from backupkeeper.ports.progress import Quiet
from backupkeeper.transfer.durable import is_temp_name, temp_name
from tests.stories.typed import Said, offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
}
MHL = {"m": "urn:ASC:MHL:v2.0"}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


@pytest.fixture
def card(yard: Yard) -> Path:
    """A card that is on both drives."""
    yard.drives()
    card = yard.card("card", CARD)
    assert offloaded(yard, card).code == 0
    return card


def asked(yard: Yard, card: Path, file: object, *more: str) -> Said:
    return typed(yard, "may-wipe", str(card), "--receipt", str(file), *more)


def words(page: Path) -> str:
    tree: Any = html.document_fromstring(page.read_bytes())
    return " ".join(tree.text_content().split())


def left(folder: Path) -> list[str]:
    """Temporary files."""
    return [name for name in os.listdir(folder) if is_temp_name(name)]


def test_a_yes_comes_with_a_page_and_the_same_as_json(yard: Yard, card: Path) -> None:
    file = yard.root / "Wide Roll 01.html"
    said = asked(yard, card, file)
    assert said.code == 0, said.all
    assert f"    {file}\n" in said.out
    assert f"    {yard.root}/Wide Roll 01.json\n" in said.out
    told = json.loads((yard.root / "Wide Roll 01.json").read_bytes())
    assert told["verdict"] == "yes"
    assert {one["path"]: (one["size"], one["blake3"], one["xxh128"]) for one in told["files"]} == {
        path: (len(data), blake3.blake3(data).hexdigest(), xxhash.xxh3_128_hexdigest(data))
        for path, data in CARD.items()
    }
    for one in told["files"]:
        assert [copy["place"] for copy in one["copies"]] == ["Main", "Travel"]
        for copy in one["copies"]:
            assert (yard.root / copy["place"] / copy["path"]).read_bytes() == CARD[one["path"]]
            assert (copy["state"], copy["proof"]) == ("proven", "readback")
    assert [(one["name"], one["files_proven"], one["looked_at"]) for one in told["places"]] == [
        ("Main", 3, True),
        ("Travel", 3, True),
    ]
    assert "YES This card may be wiped as far as primary and secondary go" in words(file)
    assert left(yard.root) == []
    assert tree(card) == CARD


def manifest(told: Any, yard: Yard, place: str) -> tuple[dict[str, Any], Any]:
    """What the receipt states of the one roll's manifests at a place, and the newest one's XML."""
    (roll,) = told["rolls"]
    (stated,) = (one for one in roll["manifests"] if one["place"] == place)
    path = yard.root / place / roll["folder"] / "ascmhl" / stated["newest"]
    return stated, etree.fromstring(path.read_bytes())


def test_roots_and_chain_are_those_that_lie_beside_the_roll(yard: Yard, card: Path) -> None:
    assert typed(yard, "verify", "Main").code == 0  # a second generation there
    assert asked(yard, card, yard.root / "r.json").code == 0
    assert not (yard.root / "r.html").exists()
    told = json.loads((yard.root / "r.json").read_bytes())
    (roll,) = told["rolls"]
    assert (roll["folder"], roll["files"], roll["files_of_card"]) == (
        f"{SHOOT}/Originals/Wide/Roll 01",
        3,
        3,
    )
    for place, generations in (("Main", 2), ("Travel", 1)):
        stated, xml = manifest(told, yard, place)
        assert stated["generations"] == generations
        assert stated["newest"].startswith(f"000{generations}_")
        assert stated["rooted"] == stated["newest"]
        chain: Any = etree.parse(
            str(roll_folder(yard.root / place) / "ascmhl" / "ascmhl_chain.xml")
        )
        assert stated["c4"] == chain.xpath("//*[local-name()='c4']/text()")[-1]
        (root,) = stated["roots"]
        assert root["format"] == "xxh128"
        for part in ("content", "structure"):
            (written,) = xml.xpath(f"//m:roothash/m:{part}/m:xxh128/text()", namespaces=MHL)
            assert root[part] == written


def test_what_cannot_be_believed_or_read_is_told_and_not_stated(yard: Yard, card: Path) -> None:
    chain = roll_folder(yard.root / "Main") / "ascmhl" / "ascmhl_chain.xml"
    chain.write_bytes(chain.read_bytes().replace(b"<c4>c4", b"<c4>c41", 1))
    (yard.root / "Travel").rename(yard.root / "in the other bag")
    said = asked(yard, card, yard.root / "r.html")
    assert said.code == 0  # manifests decide nothing, and the last proofs count
    told = json.loads((yard.root / "r.json").read_bytes())
    main, travel = told["rolls"][0]["manifests"]
    assert (main["newest"], main["roots"]) == (None, [])
    assert main["why_not"].startswith("not believed: ")
    assert (travel["newest"], travel["roots"]) == (None, [])
    assert travel["why_not"].startswith("not read: Travel is not here")
    assert [one["looked_at"] for one in told["places"]] == [True, False]
    page = words(yard.root / "r.html")
    assert "Main: nothing is stated of its manifests: not believed" in page
    assert "not looked at with this verdict" in page


def test_a_roll_without_manifests_and_one_that_leads_elsewhere(yard: Yard, card: Path) -> None:
    there = roll_folder(yard.root / "Main") / "ascmhl"
    there.rename(yard.root / "kept")
    elsewhere = roll_folder(yard.root / "Travel") / "ascmhl"
    elsewhere.rename(yard.root / "kept too")
    elsewhere.symlink_to(yard.root / "kept too")
    assert asked(yard, card, yard.root / "r.json").code == 0
    told = json.loads((yard.root / "r.json").read_bytes())
    main, travel = (one["why_not"] for one in told["rolls"][0]["manifests"])
    assert main == "there is none"
    assert "leads off the drive" in travel


def test_a_manifest_that_says_other_hashes_is_not_believed(yard: Yard, card: Path) -> None:
    """As whole and well-formed as can be, with its chain: of another roll."""
    other = yard.card("other", {"DCIM/100BOATY/BOAT0001.MP4": clip(7)})
    assert offloaded(yard, other).code == 0
    mine = roll_folder(yard.root / "Main") / "ascmhl"
    mine.rename(yard.root / "kept")
    theirs = roll_folder(yard.root / "Main", roll="Roll 02") / "ascmhl"
    theirs.rename(mine)
    assert asked(yard, card, yard.root / "r.json").code == 0
    told = json.loads((yard.root / "r.json").read_bytes())
    assert "don't say of every file" in told["rolls"][0]["manifests"][0]["why_not"]


def test_a_no_has_a_receipt_too_and_it_says_so(yard: Yard, card: Path) -> None:
    (card / "DCIM/100BOATY/BOAT0003.MP4").write_bytes(clip(3))
    (card / "link").symlink_to("DCIM")
    file = yard.root / "no.html"
    said = asked(yard, card, file, "--json")
    assert said.code == 1
    assert said.json["receipt"] == {
        "page": str(file),
        "json": str(yard.root / "no.json"),
        "trouble": None,
    }
    told = json.loads((yard.root / "no.json").read_bytes())
    assert told["verdict"] == "no"
    assert {one["code"] for one in told["reasons"]} == {"never-offloaded", "not-a-file"}
    assert [one["copies"] for one in told["files"] if one["path"].endswith("3.MP4")] == [[]]
    page = words(file)
    assert "NO This card must not be wiped." in page
    assert "DCIM/100BOATY/BOAT0003.MP4" in page
    assert "YES" not in page


HOSTILE = {
    b"<script>alert(1)<script>.MP4": b"one",
    b"two\nlines\x1b[2J": b"two",
    b"\xe2\x80\xaegnp.YES": b"three",
    b"\xff\xfe.MP4": b"four",
    b"w" * 255: b"five",
    "\U0001f6a4 & \u05d0\u05d1.wav".encode(): b"six",
}


def test_names_of_any_bytes_come_through(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", {})
    for raw, data in HOSTILE.items():
        (card / os.fsdecode(raw)).write_bytes(data)
    assert offloaded(yard, card).code == 0
    said = asked(yard, card, yard.root / "r.html")
    assert said.code == 0, said.all
    told = json.loads((yard.root / "r.json").read_bytes())
    assert {os.fsencode(one["path"]) for one in told["files"]} == set(HOSTILE)
    page: Any = html.document_fromstring((yard.root / "r.html").read_text("utf-8"))
    assert not page.xpath("//script")
    shown = {cell.text_content() for cell in page.xpath("//tbody//th")}
    assert shown >= {
        "<script>alert(1)<script>.MP4",
        r"two\nlines\x1b[2J",
        r"\u202egnp.YES",
        r"\xff\xfe.MP4",
        "w" * 255,
        "\U0001f6a4 & \u05d0\u05d1.wav",
    }


# ---- where it may not be written


def refused(said: Said, why: str) -> None:
    assert said.code == 2, said.all
    assert why in " ".join(said.err.split())
    assert "Reading the card" not in said.err  # known before hours of reading
    assert said.out == ""


@pytest.mark.parametrize("name", ["r.html", "r.json"])
def test_nothing_is_written_over(yard: Yard, card: Path, name: str) -> None:
    (yard.root / name).write_text("mine")
    refused(
        asked(yard, card, yard.root / "r.html"), "is there already, and nothing is written over"
    )
    assert (yard.root / name).read_text() == "mine"
    assert {"r.html", "r.json"} & set(os.listdir(yard.root)) == {name}
    (yard.root / "lead.html").symlink_to(yard.root / "nowhere.html")
    refused(asked(yard, card, yard.root / "lead.html"), "is there already")
    assert not (yard.root / "nowhere.html").exists()


def test_never_on_the_card(yard: Yard, card: Path) -> None:
    before = tree(card)
    (yard.root / "way in").symlink_to(card / "DCIM")
    for file in (card / "r.html", card / "DCIM/r.json", yard.root / "way in" / "r.html"):
        refused(asked(yard, card, file), "lies on the card: nothing is ever written there")
    assert tree(card) == before
    assert left(card) == []


def test_never_into_a_roll_but_into_the_shoot(yard: Yard, card: Path) -> None:
    main = yard.root / "Main"
    before = tree(main)
    for folder in (roll_folder(main), roll_folder(main) / "ascmhl", main / ".backupkeeper"):
        refused(asked(yard, card, folder / "r.html"), "rolls are never altered")
    assert tree(main) == before
    assert asked(yard, card, main / SHOOT / "Wide Roll 01.html").code == 0
    assert typed(yard, "verify", "Main").code == 0


@pytest.mark.parametrize(
    ("file", "why"),
    [
        ("nowhere/r.html", "There is no folder"),
        ("config.toml/r.html", "is a file"),
        ("r.txt", "can't be a receipt's name"),
        (".html", "can't be a receipt's name"),
        ("", "can't be a receipt's name"),
        ("w" * 300 + ".html", "can't be written"),
    ],
)
def test_a_name_that_cannot_be_used_is_told_at_once(
    yard: Yard, card: Path, file: str, why: str
) -> None:
    refused(asked(yard, card, f"{yard.root}/{file}" if file else ""), why)


def test_what_an_interruption_left_is_gone_on_with(yard: Yard, card: Path) -> None:
    part = Path(temp_name(str(yard.root / "r.json")))
    part.write_bytes(b"{half of")
    assert asked(yard, card, yard.root / "r.html").code == 0
    assert json.loads((yard.root / "r.json").read_bytes())["verdict"] == "yes"
    assert left(yard.root) == []


def test_without_a_card_that_is_told(yard: Yard) -> None:
    yard.drive("Main", Role.PRIMARY)
    said = asked(yard, yard.root / "no card", yard.root / "r.html")
    assert said.code == 2
    assert "There is no card at" in said.err


def test_what_appeared_meanwhile_stays_and_the_answer_is_told_with_code_3(
    yard: Yard, card: Path
) -> None:
    """Somebody makes a file of that name while the card is read."""
    page = yard.root / "r.html"

    class Meanwhile(Quiet):
        def end(self) -> None:
            page.write_text("mine") if not page.exists() else None

    with yard.keeper() as keeper:
        came = keeper.may_wipe_with_receipt(str(card), str(page), progress=Meanwhile())
    assert came.verdict.may_wipe
    assert (came.page, came.data) == (None, str(yard.root / "r.json"))
    assert "Another file stands at" in came.trouble
    assert page.read_text() == "mine"
    assert left(yard.root) == []


def test_a_folder_that_became_another_meanwhile_gets_nothing(yard: Yard, card: Path) -> None:
    folder = yard.root / "out"
    folder.mkdir()

    class Meanwhile(Quiet):
        def end(self) -> None:
            if folder.exists():
                folder.rename(yard.root / "was out")

    with yard.keeper() as keeper:
        came = keeper.may_wipe_with_receipt(str(card), f"{folder}/r.html", progress=Meanwhile())
        assert came.verdict.may_wipe
        assert (came.page, came.data) == (None, None)
        assert "not what was identified" in came.trouble
    assert os.listdir(yard.root / "was out") == []


def test_a_catalog_that_breaks_after_the_verdict_costs_the_receipt_only(
    yard: Yard, card: Path
) -> None:
    class Breaking(Quiet):
        def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
            if what == "Reading the manifests":
                with sqlite3.connect(yard.root / "catalog.sqlite") as catalog:
                    catalog.execute("PRAGMA foreign_keys = off")
                    catalog.execute("DROP TABLE digests")
                catalog.close()

    with yard.keeper() as keeper:
        came = keeper.may_wipe_with_receipt(str(card), f"{yard.root}/r.html", progress=Breaking())
    assert came.verdict.may_wipe
    assert (came.page, came.data) == (None, None)
    assert came.trouble.startswith("The receipt was not written. ")
    assert not (yard.root / "r.json").exists()
