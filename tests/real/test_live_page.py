"""The live page of a real daemon in a real browser: a card comes, is asked about, and gets its answer."""

import json
import re
import signal
import urllib.request
from pathlib import Path
from urllib.error import HTTPError

import pytest
from playwright.sync_api import Page, expect

from tests.real.browser import DESK, PHONE, Pages, faults_of_report, overflow
from tests.real.daemon_stand import Daemon, DaemonStand
from tests.stories.yard import clip

pytest_plugins = ["tests.real.browser_fixtures"]
pytestmark = [pytest.mark.real("ext4", "xfs", "browser"), pytest.mark.slow]
SERVED = "[page]\nenabled = true\n"
BY_HAND = '[[sources]]\nname = "Close"\nfolders = ["PRIVATE"]\n'
CLIPS = {"PRIVATE/<b>CLIP1.MP4": clip(1), "PRIVATE/CLIP2.MP4": clip(2)}
LONG_MS = 60_000
YES = "This card may be wiped, as far as was asked for."
"""Said with what the bucket lacks, which these stands don't ask for."""


def address(stand: DaemonStand) -> str:
    told = json.loads(stand.typed("page", "--json"))["address"]
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/[\w-]{43}/", told), "256 bits, in base64"
    return str(told)


def opened(stand: DaemonStand, daemon: Daemon, page: Page) -> None:
    daemon.wait_for("Running as process")
    page.goto(address(stand))
    expect(page.locator("#live-now")).to_contain_text("As of", timeout=LONG_MS)


def test_a_card_is_asked_about_offloaded_and_may_be_wiped(tmp_path: Path, pages: Pages) -> None:
    with DaemonStand(tmp_path, more=SERVED + BY_HAND) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", CLIPS)
        with stand.running() as daemon:
            page = pages.new(PHONE)
            opened(stand, daemon, page)
            cards = page.locator("#live-cards")
            expect(cards).to_contain_text("No card is in a reader.")
            card.mount(options="ro")
            expect(cards).to_contain_text("Close", timeout=LONG_MS)
            page.get_by_role("button", name="May I wipe this card?").click()
            expect(cards).to_contain_text("This card must not be wiped.", timeout=LONG_MS)
            expect(cards).to_contain_text("2 files were never offloaded. (PRIVATE/<b>CLIP1.MP4")
            assert overflow(page) == 0
            assert faults_of_report(page) == []
            stand.typed("offload", card.point, "--shoot", "260612 Boatyard", "--source", "Close")
            expect(cards).to_contain_text(YES, timeout=LONG_MS)
            expect(page.locator("#report")).to_contain_text("Close", timeout=LONG_MS)
            page.set_viewport_size({"width": DESK[0], "height": DESK[1]})
            page.emulate_media(color_scheme="dark")
            assert faults_of_report(page) == []
            daemon.process.send_signal(signal.SIGSTOP)
            expect(cards).to_be_empty(timeout=LONG_MS)
            expect(page.locator("#live-word")).to_contain_text("Not in touch")
            daemon.process.send_signal(signal.SIGCONT)
            expect(cards).to_contain_text(YES, timeout=LONG_MS)
            card.unmount()
            expect(cards).to_contain_text("No card is in a reader.", timeout=LONG_MS)


def test_peace_is_had_and_ended_by_keyboard_alone(tmp_path: Path, pages: Pages) -> None:
    with DaemonStand(tmp_path, more=SERVED) as stand, stand.running() as daemon:
        page = pages.new()
        opened(stand, daemon, page)
        page.get_by_role("button", name="Pause for an hour").focus()
        page.keyboard.press("Enter")
        expect(page.locator("#live-peace")).to_contain_text("Paused until", timeout=LONG_MS)
        assert json.loads(stand.typed("status", "--json", code=None))["paused_until"] is not None
        page.get_by_role("button", name="Go on").press("Space")
        expect(page.locator("#live-peace")).to_contain_text("Pause for an hour", timeout=LONG_MS)
        page.get_by_role("button", name="Pause only uploads for an hour").press("Enter")
        expect(page.locator("#live-peace")).to_contain_text("Go on with uploads", timeout=LONG_MS)


def test_each_run_has_an_address_of_its_own_and_the_old_page_says_that_it_is_old(
    tmp_path: Path, pages: Pages
) -> None:
    with DaemonStand(tmp_path, more=SERVED) as stand:
        with stand.running() as daemon:
            page = pages.new()
            opened(stand, daemon, page)
            first = address(stand)
        expect(page.locator("#live-word")).to_contain_text("may be old", timeout=LONG_MS)
        expect(page.locator("#live-cards")).to_be_empty()
        page.goto("about:blank")
        pages.complaints.clear()  # the browser's own words on a line that broke
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            second = address(stand)
            assert first.split("/")[3] != second.split("/")[3]
            port = second.split("/")[2]
            with pytest.raises(HTTPError, match="404"):
                urllib.request.urlopen(f"http://{port}/{first.split('/')[3]}/", timeout=20)
            log = Path(tmp_path / "log.jsonl").read_text()
            assert first.split("/")[3] not in log
            assert second.split("/")[3] not in log
        done = stand.typed("page", code=3)
        assert done == ""


def test_the_file_that_leads_there_brings_a_browser_to_the_page(
    tmp_path: Path, pages: Pages
) -> None:
    """``page --open`` hands it over; a browser says that it comes from elsewhere (Fetch Metadata)."""
    with DaemonStand(tmp_path, more=SERVED) as stand, stand.running() as daemon:
        daemon.wait_for("Running as process")
        page = pages.new()
        page.goto(f"file://{tmp_path}/catalog.sqlite.locks/page.html")
        expect(page.locator("#live-now")).to_contain_text("As of", timeout=LONG_MS)
        assert page.url == address(stand)
        page.reload()
        expect(page.locator("#live-now")).to_contain_text("As of", timeout=LONG_MS)
        page.get_by_role("button", name="Pause for an hour").click()
        expect(page.locator("#live-peace")).to_contain_text("Paused until", timeout=LONG_MS)


def test_off_is_off_and_a_port_that_is_taken_harms_nothing_else(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        assert stand.typed("page", code=2) == ""
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            stand.configure(SERVED)
            daemon.process.send_signal(1)
            daemon.wait_for("The configuration was read anew.")
            port = address(stand).split("/")[2].rpartition(":")[2]
            stand.configure(SERVED + f"port = {port}\n")
            daemon.process.send_signal(1)
            daemon.until(
                lambda: sum("read anew" in one for one in daemon.said()) == 2, "never read again"
            )
            assert f":{port}/" in address(stand), "the port it had itself is free again"
