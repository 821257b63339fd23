"""A receipt of a real card: three real places, a real browser, tools that are not ours."""

import json
import os
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.real.browser import DESK, PHONE, Pages, axe_faults, overflow
from tests.real.loopdev import run
from tests.real.main_job_parts import CARD, Fs, MiB, fill, kinds, take_in
from tests.real.store import Server
from tests.report import made_receipts
from tests.report.receipt_parsed import parsed
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import Yard, clip

pytest_plugins = [
    "tests.real.main_job_fixtures",
    "tests.real.store_fixtures",
    "tests.real.browser_fixtures",
]
ALL_ROLES = 'wipe_needs = ["primary", "secondary", "cloud"]'
HOSTILE = {**CARD, "DCIM/<b>two & three</b>": clip(9, 70_000)}


@pytest.fixture
def three(tmp_path: Path, radosgw: Server, credentials: None, fs: Fs) -> tuple[Yard, Path]:
    """A yard whose card stands on two real drives and in a real bucket; the card."""
    yard = yard_of_today(tmp_path, ALL_ROLES)
    take_in(yard, fs("ext4", 160), "primary", "Main")
    take_in(yard, fs("xfs", 300), "secondary", "Travel")
    where = f"s3://{radosgw.new_bucket()}/footage"
    more = ("--role", "cloud", "--name", "Off site", "--endpoint", radosgw.url)
    assert typed(yard, "place", "add", where, *more).code == 0
    card = fill(fs("ext4", 32), HOSTILE)
    assert offloaded(yard, card).code == 0
    assert typed(yard, "upload").code == 0
    return yard, card


@pytest.mark.slow
@pytest.mark.real("ext4", "xfs", "store", "browser", "b3sum", "xxhsum")
def test_a_yes_on_a_page_that_anybody_can_read_and_check(
    three: tuple[Yard, Path], pages: Pages
) -> None:
    yard, card = three
    file = yard.root / "Wide.html"
    said = typed(yard, "may-wipe", str(card), "--receipt", str(file))
    assert said.code == 0, said.all
    told: Any = json.loads((yard.root / "Wide.json").read_bytes())
    assert [(one["name"], one["files_proven"]) for one in told["places"]] == [
        ("Main", len(HOSTILE)),
        ("Travel", len(HOSTILE)),
        ("Off site", len(HOSTILE)),
    ]
    manifests = told["rolls"][0]["manifests"]
    roots = [root for one in manifests for root in one["roots"]]
    assert len(roots) == 3, manifests  # each place's own manifest was read
    assert len({(root["content"], root["structure"]) for root in roots}) == 1
    _checked_by_other_tools(card, told, yard.root / "Wide.json", file)
    for size, scheme in ((DESK, "light"), (PHONE, "dark")):
        page = pages.new(size, scheme="dark" if scheme == "dark" else "light")
        page.goto(file.as_uri())
        assert " ".join(page.locator("h1").inner_text().split()) == "YES This card may be wiped."
        assert axe_faults(page) == []
        assert overflow(page) == 0
        page.get_by_text("DCIM/<b>two & three</b>").first.wait_for()


def _checked_by_other_tools(card: Path, told: Any, data: Path, page: Path) -> None:
    for one in told["files"]:
        path = card / one["path"]
        assert run("b3sum", "--no-names", str(path)) == one["blake3"]
        assert run("xxhsum", "-q", "-H2", str(path)).split()[0] == one["xxh128"]
    assert run("sha256sum", str(data)).split()[0] in page.read_text("utf-8")


@pytest.mark.real("ext4")
@pytest.mark.parametrize("kind", [kinds("ext4"), kinds("exfat")])
def test_nothing_is_written_to_a_card_by_whatever_way_it_is_mounted(
    fs: Fs, yard: Yard, tmp_path: Path, kind: str
) -> None:
    main = fs("ext4", 160)
    take_in(yard, main, "primary", "Main")
    made = fs(kind, 32)
    card = fill(made)
    other = tmp_path / "the card once more"
    other.mkdir()
    subprocess.run(["mount", "--bind", str(card), str(other)], check=True)
    try:
        before = sorted(os.listdir(card))
        for folder in (card, other, other / "DCIM"):
            said = typed(yard, "may-wipe", str(card), "--receipt", f"{folder}/r.html")
            assert said.code == 2, said.all
            assert "lies on the card" in said.err
        assert sorted(os.listdir(card)) == before
    finally:
        subprocess.run(["umount", str(other)], check=True)


@pytest.mark.real("ext4")
def test_a_folder_of_a_card_makes_a_card_of_all_of_its_medium_unless_a_place_is_on_it(
    fs: Fs, tmp_path: Path
) -> None:
    medium = fs("ext4", 32)
    fill(medium)
    media = os.path.dirname(medium.point)
    yard = yard_of_today(tmp_path, f'distinct_devices = false\n[watch]\nmedia = ["{media}"]')
    words = ("may-wipe", f"{medium.point}/DCIM", "--receipt", f"{medium.point}/r.html")
    said = typed(yard, *words)
    assert said.code == 2, said.all
    assert "lies on the card" in said.err
    place = Path(medium.point) / "place"  # as in the demo: cards and drives are folders of one disk
    place.mkdir()
    added = typed(
        yard, "place", "add", str(place), "--role", "primary", "--name", "Main", "--folder"
    )
    assert added.code == 0, added.all
    assert typed(yard, *words).code == 1
    assert (Path(medium.point) / "r.html").exists()
    inside = typed(yard, *words[:-1], f"{medium.point}/DCIM/r.html")
    assert inside.code == 2
    assert "lies on the card" in inside.err


@pytest.mark.real("ext4")
def test_a_full_or_read_only_drive_takes_no_receipt_and_the_verdict_stands(
    fs: Fs, yard: Yard
) -> None:
    take_in(yard, fs("ext4", 160), "primary", "Main")
    take_in(yard, fs("ext4", 160), "secondary", "Travel")
    card = fill(fs("ext4", 32))
    assert offloaded(yard, card).code == 0
    small = fs("ext4", 16)
    for piece in (MiB, 4096):  # to the last block
        with open(f"{small.point}/{piece}", "wb", buffering=0) as full, suppress(OSError):
            while full.write(bytes(piece)) == piece:
                pass
    said = typed(yard, "may-wipe", str(card), "--receipt", f"{small.point}/r.html")
    assert said.code == 3, said.all
    assert "ENOSPC" in said.err
    assert "This card may be wiped" in said.out
    assert set(os.listdir(small.point)) == {str(MiB), "4096", "lost+found"}, "nothing is left over"
    small.remount(options="ro")
    said = typed(yard, "may-wipe", str(card), "--receipt", f"{small.point}/s.html")
    assert said.code == 2, said.all
    assert "read-only" in said.err


@pytest.mark.real("browser")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
@pytest.mark.parametrize("which", ["yes", "on_the_road", "no", "hostile", "large"])
def test_every_receipt_can_be_read_by_anybody(
    tmp_path: Path, pages: Pages, which: str, size: tuple[int, int], scheme: str
) -> None:
    file = tmp_path / "r.html"
    file.write_text(parsed(getattr(made_receipts, which)()).page, encoding="utf-8")
    page = pages.new(size, scheme="dark" if scheme == "dark" else "light")
    page.goto(file.as_uri())
    for folded in page.locator("summary").all():
        folded.click()
    assert axe_faults(page) == []
    assert overflow(page) == 0


@pytest.mark.real("browser")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_no_line_is_cut_off(tmp_path: Path, pages: Pages, paper: str) -> None:
    """At the width of the sheet less its margins, in the style for print."""
    file = tmp_path / "r.html"
    file.write_text(parsed(made_receipts.hostile()).page, encoding="utf-8")
    width = {"A4": 210, "Letter": 216}[paper] - 2 * 16
    page = pages.new((round(width / 25.4 * 96), 1000))
    page.goto(file.as_uri())
    page.emulate_media(media="print")
    assert overflow(page) == 0
    background: Any = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    assert background == "rgb(255, 255, 255)"
    assert page.pdf(format=paper).startswith(b"%PDF")


@pytest.mark.real("browser")
def test_a_no_and_a_yes_differ_without_any_colour(tmp_path: Path, pages: Pages) -> None:
    """Frame and shape as the browser draws them, not as we wrote them."""
    seen = []
    for which in ("yes", "on_the_road", "no"):
        file = tmp_path / f"{which}.html"
        file.write_text(parsed(getattr(made_receipts, which)()).page, encoding="utf-8")
        page = pages.new()
        page.goto(file.as_uri())
        style: Any = page.evaluate(
            "() => { const box = document.querySelector('.answer'); const s = getComputedStyle(box);"
            " return [s.borderTopStyle, s.borderTopWidth, box.querySelector('svg').innerHTML]; }"
        )
        seen.append(tuple(style))
    frames = [(frame, width) for frame, width, _ in seen]
    assert frames == [("solid", "2px"), ("dashed", "3px"), ("double", "12px")]
    assert len({shape for _, _, shape in seen}) == 3
