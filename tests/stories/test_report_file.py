"""``report --html``: the numbers of ``gaps`` on the page, and a file that replaces nothing but itself."""

import errno
import os
import re
from base64 import b64decode
from pathlib import Path

import pytest
from lxml import html as lxml_html
from lxml.html import HtmlElement

from backupkeeper.core.model import CopyState, Role
from backupkeeper.ports.files import Handle
from backupkeeper.report.overview_words import state_words
from backupkeeper.report.page import BEGINNING
from backupkeeper.report.words import size
from backupkeeper.system.files import RealFiles
from tests.cards.picture_clips import Shot, shot
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder

EARLIER = f"{BEGINNING}<html lang='en'>An older one.</html>\n"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    """Two cards on the main drive, the first on the second drive too."""
    made = yard_of_today(tmp_path)
    made.drive("Main", Role.PRIMARY)
    made.drive("Travel", Role.SECONDARY)
    assert (
        offloaded(made, made.card("WIDE", {"DCIM/A.MP4": clip(1), "DCIM/B.MP4": clip(2)})).code == 0
    )
    (tmp_path / "Travel").rename(tmp_path / "away")
    odd = os.fsdecode(b"DCIM/<b>\xff\n.MP4")
    assert offloaded(made, made.card("CLOSE", {odd: clip(3)}), source="Close").code == 0
    return made


def read(path: Path) -> HtmlElement:
    return lxml_html.document_fromstring(path.read_bytes())


def flat(found: HtmlElement) -> str:
    return " ".join(" ".join(map(str, found.itertext())).split())


def test_the_numbers_on_the_page_are_those_of_gaps(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    said = typed(yard, "report", "--html", str(page))
    gaps = typed(yard, "gaps", "--json").json
    assert said.code == 1
    tree = read(page)
    rows = {}
    for fold in tree.get_element_by_id("rolls").iterfind("details"):
        shoot = flat(fold.find("summary/strong"))
        for row in fold.iterfind("table/tbody/tr"):
            rows[shoot, flat(row.find("th"))] = [flat(one) for one in row.iterfind("td")]
    assert len(rows) == len(gaps["rolls"]) == 2
    for roll in gaps["rolls"]:
        files, held, _, *roles = rows[roll["shoot"], f"{roll['source']} / {roll['roll']}"]
        assert (files, held) == (f"{roll['files']:,}", size(roll["bytes"]))
        for name, said_of in zip(("primary", "secondary", "cloud"), roles, strict=True):
            told = roll["roles"].get(name)
            wanted = "not asked for" if told is None else state_words(CopyState(told["state"]))
            assert said_of.startswith(wanted)
    short = tree.get_element_by_id("short").xpath(".//tbody/tr")
    assert len(short) == gaps["summary"]["with_gaps"]
    for role in Role:
        asked = [roll for roll in gaps["rolls"] if role.value in roll["roles"]]
        proven = sum(role.value not in roll["gaps"] for roll in asked)
        if asked:
            words = f"{role} {proven} of {len(asked)} roll"
            assert words in flat(tree.get_element_by_id("answer")).lower()
    assert flat(tree.find(".//h1")) == said.out.splitlines()[0]
    assert f"Written to {page} (" in said.out


def test_the_page_holds_the_steps_and_places_of_the_json(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    told = typed(yard, "report", "--json", "--html", str(page)).json
    tree = read(page)
    steps = tree.xpath("//*[@id='todo']//ol/li")
    assert len(steps) == len(told["steps"]) > 0
    for step, one in zip(steps, told["steps"], strict=True):
        assert flat(step).startswith(one["words"].rstrip("."))
        assert one["command"] in flat(step)
    names = [flat(one).split()[0] for one in tree.xpath("//*[@id='drives']//tbody/tr/th")]
    assert names == [one["name"] for one in told["drives"]]
    assert tree.xpath("string(//main/@data-worry)") == told["worry"]


def test_a_name_that_is_markup_stays_a_name(yard: Yard) -> None:
    said = typed(yard, "report", "--html", "-")
    assert said.out.startswith(BEGINNING)
    assert "<b>" not in said.out
    assert said.code == 1


def test_an_earlier_report_is_replaced_in_one_step(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "weekly.html"
    page.write_text(EARLIER)
    before = page.stat().st_ino
    assert typed(yard, "report", "--html", str(page)).code == 1
    assert page.stat().st_ino != before
    assert "An older one" not in page.read_text()
    assert typed(yard, "report", "--html", str(page)).code == 1
    assert [one.name for one in tmp_path.iterdir() if "backupkeeper-" in one.name] == []


def test_by_a_link_the_report_that_it_leads_to_is_replaced(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "weekly.html"
    page.write_text(EARLIER)
    link = tmp_path / "link.html"
    link.symlink_to(page)
    assert typed(yard, "report", "--html", str(link)).code == 1
    assert link.is_symlink()
    assert "An older one" not in page.read_text()


@pytest.mark.parametrize(
    "there",
    [b"", b"<!DOCTYPE html>\n<html>", b"notes", EARLIER[:20].encode(), b"x" + EARLIER.encode()],
)
def test_whatever_else_stands_there_is_left(yard: Yard, tmp_path: Path, there: bytes) -> None:
    page = tmp_path / "mine.html"
    page.write_bytes(there)
    said = typed(yard, "report", "--html", str(page))
    assert said.code == 2
    assert "is not an earlier report of this program; it was left as it is." in said.err
    assert page.read_bytes() == there


def test_a_folder_a_missing_folder_and_no_name_are_refused(yard: Yard, tmp_path: Path) -> None:
    (tmp_path / "folder.html").mkdir()
    said = typed(yard, "report", "--html", str(tmp_path / "folder.html"))
    assert (said.code, "not an earlier report" in said.err) == (2, True)
    said = typed(yard, "report", "--html", str(tmp_path / "none" / "report.html"))
    assert (said.code, "Make the folder first" in said.err) == (2, True)
    said = typed(yard, "report", "--html", str(tmp_path / "config.toml" / "report.html"))
    assert said.code == 2
    said = typed(yard, "report", "--html", "")
    assert (said.code, "needs the name of a file" in said.err) == (2, True)
    said = typed(yard, "report", "--html", "-", "--json")
    assert (said.code, "can't both have standard output" in said.err) == (2, True)


def test_rolls_and_our_own_folders_are_left_alone(yard: Yard, tmp_path: Path) -> None:
    main = tmp_path / "Main"
    for folder, why in (
        (roll_folder(main), "belongs to a roll"),
        (roll_folder(main) / "DCIM", "belongs to a roll"),
        (roll_folder(main) / "ascmhl", "belongs to a roll"),
        (main / ".backupkeeper", "keeps its own"),
        (main / ".backupkeeper" / "catalog", "keeps its own"),
    ):
        said = typed(yard, "report", "--html", str(folder / "report.html"))
        assert (said.code, why in said.err) == (2, True), folder
        assert not (folder / "report.html").exists()
    copied = tmp_path / "elsewhere"
    roll_folder(main).rename(copied)
    said = typed(yard, "report", "--html", str(copied / "DCIM" / "report.html"))
    assert (said.code, "belongs to a roll" in said.err) == (2, True), (
        "by its history, wherever it lies"
    )


def test_beside_the_shoots_of_a_drive_it_may_lie(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "Main" / "report.html"
    assert typed(yard, "report", "--html", str(page)).code == 1
    assert page.read_text().startswith(BEGINNING)
    assert (tmp_path / "Main" / SHOOT).is_dir()


@pytest.mark.parametrize("earlier", [False, True])
def test_a_full_disk_keeps_no_piece_of_it(
    yard: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, earlier: bool
) -> None:
    folder = tmp_path / "here"
    folder.mkdir()
    if earlier:
        (folder / "report.html").write_text(EARLIER)
    write = RealFiles.write_at

    def full(self: RealFiles, handle: Handle, data: memoryview, offset: int) -> int:
        if "/here/" not in os.readlink(f"/proc/self/fd/{handle}"):
            return write(self, handle, data, offset)
        if offset:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(self, handle, data[:4096], offset)

    monkeypatch.setattr(RealFiles, "write_at", full)
    said = typed(yard, "report", "--html", str(folder / "report.html"))
    assert (said.code, "ENOSPC" in said.err) == (3, True)
    assert [one.read_text() for one in folder.iterdir()] == [EARLIER] * earlier


def test_what_can_not_be_read_is_not_replaced(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "pipe.html"
    os.mkfifo(page)
    said = typed(yard, "report", "--html", str(page))
    assert (said.code, "not an earlier report" in said.err) == (2, True)
    said = typed(yard, "report", "--html", str(tmp_path / ("n" * 300)))
    assert said.code == 3
    assert re.search("ENAMETOOLONG|too long", said.err)


def test_the_contact_sheet_shows_what_the_posters_show(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    yard.drive("Main", Role.PRIMARY)
    assert offloaded(yard, yard.card("WIDE", {"DCIM/WIDE0001.MP4": shot(Shot())})).code == 0
    page = tmp_path / "report.html"
    typed(yard, "report", "--html", str(page))
    (image,) = read(page).iter("img")
    source = image.get("src", "")
    assert source.startswith("data:image/jpeg;base64,/9j/")
    with yard.keeper() as keeper:
        (poster,) = keeper.pictures(keeper.overview()).values()
    assert poster.jpeg is not None
    assert b64decode(source.partition(",")[2]) == poster.jpeg
    assert "Contact sheets" in flat(read(page))
