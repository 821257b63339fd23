"""Who gets what of the live page: this machine's browser with the right address, and nobody else."""

import socket
import threading
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import UTC
from time import perf_counter
from typing import Any

import pytest

from backupkeeper.core.errors import BrokenPromiseError, CatalogError, OutOfReachError, UsageError
from backupkeeper.daemon.page_desk import MOST_READERS, STALE_S, Desk
from backupkeeper.daemon.page_door import PageDoor
from backupkeeper.daemon.page_guard import LOST, policy_for
from backupkeeper.daemon.page_lines import MOST_LINES
from backupkeeper.daemon.page_server import PageServer
from tests.daemon.page_stand import PAGE, TOKEN, MadeUp, served
from tests.report.test_status import CARD, IDLE, UPLOAD


def test_who_has_the_address_gets_the_page_with_a_strict_policy() -> None:
    with served() as stand:
        got = stand.send()
        assert (got.status, got.text) == (200, PAGE)
        assert got.headers["content-type"] == "text/html; charset=utf-8"
        policy = got.headers["content-security-policy"]
        # CSP level 3: 'sha256-…' of what stands between the tags, in base64. Worked out with
        # openssl dgst -sha256 -binary | base64
        assert "style-src 'sha256-ngewhhP73WDIbgwseeu52VAAJgKdGUsu1IUQQsAm8m4=';" in policy
        assert policy.startswith("default-src 'none'; script-src 'self'; connect-src 'self'")
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        for name, value in (
            ("cache-control", "no-store"),
            ("referrer-policy", "no-referrer"),
            ("x-content-type-options", "nosniff"),
            ("x-frame-options", "DENY"),
            ("cross-origin-resource-policy", "same-origin"),
        ):
            assert got.headers[name] == value
        assert "server" not in got.headers
        assert "set-cookie" not in got.headers
        assert stand.send(path=f"/{TOKEN}/live.js").text.startswith('"use strict"')


@pytest.mark.parametrize(
    "path",
    ["/", "/wrong/", f"/{TOKEN[:-1]}/", f"/{TOKEN}x/", "/favicon.ico", f"//{TOKEN}/", "/%ff/"],
)
def test_without_the_token_nothing_is_here(path: str) -> None:
    with served() as stand:
        got = stand.send(path=path)
        assert (got.status, got.text) == (404, LOST)
        assert "default-src 'none'" in got.headers["content-security-policy"]
        assert stand.sources.pages == 0


@pytest.mark.parametrize(
    "host",
    [
        "yard.example:1",
        "127.0.0.1",
        "",
        None,
        "127.0.0.1.example:{port}",
        "[::1]:{port}",
        "LOCALHOST",
    ],
)
def test_a_foreign_name_for_this_server_gets_no_answer(host: str | None) -> None:
    """DNS rebinding: a page of somebody else's whose name was made to point to this machine."""
    with served() as stand:
        named = host.replace("{port}", stand.host.rpartition(":")[2]) if host else host
        assert stand.send(host=named).status in {400, 421}  # h11 itself wants a Host
        assert stand.sources.pages == 0
        assert stand.send(host=f"localhost:{stand.host.rpartition(':')[2]}").status == 200


def test_two_hosts_in_one_request_are_no_host() -> None:
    with served() as stand, socket.create_connection(("127.0.0.1", int(stand.host[10:]))) as line:
        line.sendall(
            f"GET /{TOKEN}/ HTTP/1.1\r\nHost: {stand.host}\r\nHost: {stand.host}\r\n\r\n".encode()
        )
        assert line.recv(100).split(b" ")[1] in {b"400", b"421"}


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_page_can_not_even_look(site: str) -> None:
    with served() as stand:
        assert stand.send(sec_fetch_site=site).status == 403
        assert stand.send(path=f"/{TOKEN}/feed", sec_fetch_site=site).status == 403
        for mode, dest in (("navigate", "iframe"), ("no-cors", "document"), ("cors", "empty")):
            led: dict[str, Any] = {
                "sec_fetch_site": site,
                "sec_fetch_mode": mode,
                "sec_fetch_dest": dest,
            }
            assert stand.send(**led).status == 403
        assert stand.send(sec_fetch_site="none").status == 200, "typed into the address line"


@pytest.mark.parametrize(
    "origin", [None, "null", "http://yard.example", "https://{host}", "http://127.0.0.1"]
)
def test_what_another_page_asks_for_is_not_done(origin: str | None) -> None:
    with served() as stand:
        sent = origin.replace("{host}", stand.host) if origin else origin
        assert stand.ask(do="pause", hours=1, origin=sent).status == 403
        assert stand.sources.asked == []


def test_what_the_page_asks_for_is_asked_of_the_daemon() -> None:
    with served() as stand:
        stand.sources.answer = {"paused": True}
        got = stand.ask(do="pause", hours=1)
        assert (got.status, got.text) == (200, '{"paused":true}')
        for wish in (
            {"do": "pause", "hours": 2, "uploads": True},
            {"do": "resume"},
            {"do": "judge", "card": "a\udc80 token"},
            {"do": "stop", "card": "x"},
        ):
            assert stand.ask(**wish).status == 200
        assert stand.sources.asked == [
            ("pause", {"seconds": 3600, "uploads": False}),
            ("pause", {"seconds": 7200, "uploads": True}),
            ("resume", {"uploads": False}),
            ("judge", {"card": "a\udc80 token"}),
            ("judge", {"card": "x", "stop": True}),
        ]
        stand.sources.answer = None
        assert stand.ask(do="resume").status == 503, "the daemon does not answer"


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[]", b"{}", b"\xff", b"[" * 4000, b'{"do":"judge"}', b'{"do":"judge","card":7}',
        b'{"do":"pause"}', b'{"do":"pause","hours":0}', b'{"do":"pause","hours":true}',
        b'{"do":"pause","hours":1e9}', b'{"do":"pause","hours":200}', b'{"do":"give way"}',
        b'{"do":["judge"],"card":"x"}', b'{"do":"status"}',
    ],
)  # fmt: skip
def test_nothing_else_can_be_asked_for(body: bytes) -> None:
    with served() as stand:
        own = f"http://{stand.host}"
        got = stand.send("POST", f"/{TOKEN}/ask", body=body, origin=own)
        assert got.status == 400
        assert stand.sources.asked == []


def test_long_or_endless_bodies_and_other_methods_are_refused() -> None:
    with served() as stand:
        own = f"http://{stand.host}"
        path = f"/{TOKEN}/ask"
        assert stand.send("POST", path, body=b"x" * 5000, origin=own).status == 413
        assert stand.send("POST", path, origin=own).status == 413, "no length told"
        assert stand.send("POST", path, origin=own, content_length="-1").status in {400, 413}
        for method in ("PUT", "DELETE", "OPTIONS", "TRACE"):
            assert stand.send(method, path, origin=own).status == 405
        assert stand.send("GET", path).status == 405
        assert stand.send("HEAD").status == 200


def test_the_feed_brings_every_piece_and_then_what_changes() -> None:
    with served(MadeUp(now=IDLE)) as stand, stand.listening() as feed:
        first = feed.parts()
        assert set(first) == {"live-now", "live-cards", "live-peace", "live-said"}
        assert "Nothing is under way." in first["live-now"]
        stand.sources.now = replace(IDLE, under_way=(UPLOAD,))
        assert set(feed.parts()) == {"live-now"}, "the others are as they were"
        stand.sources.now = replace(IDLE, cards=(CARD,))
        changed: dict[str, str] = {}
        while "live-cards" not in changed:
            changed |= feed.parts()
        assert "Wide" in changed["live-cards"]
        stand.sources.now = None
        assert "The daemon does not answer." in feed.parts()["live-now"]


def test_a_new_report_is_told_to_those_who_look_on() -> None:
    now = [0.0]
    sources = MadeUp(now=IDLE)
    desk = Desk(sources, UTC, lambda: now[0])
    told: list[int] = []
    wanted = desk.page()
    desk.step()
    assert wanted.result(0) == PAGE
    reader = desk.join(lambda: told.append(desk.shown()[1]))
    assert reader is not None
    sources.marks = 1
    desk.step()
    now[0] = 20.0
    desk.step()
    desk.step()
    assert told == [0, 1], "the pieces as they are now; the report not before its time, and once"
    desk.leave(reader)
    sources.marks = 2
    now[0] = 90.0
    desk.step()
    assert told == [0, 1]
    assert sources.pages == 1, "made only where somebody wants it"


def test_what_was_shown_to_the_last_reader_is_not_shown_to_the_next() -> None:
    """A yes of an hour ago must not stand there until the daemon says what is so now."""
    now = [0.0]
    desk = Desk(MadeUp(now=replace(IDLE, cards=(CARD,))), UTC, lambda: now[0])
    first = desk.join(lambda: None)
    assert first is not None
    desk.step()
    assert "Wide" in desk.shown()[0]["live-cards"]
    desk.leave(first)
    now[0] = 3600.0
    assert desk.join(lambda: None) is not None
    assert desk.shown()[0] == {}
    desk.step()
    assert "Wide" in desk.shown()[0]["live-cards"]


def test_pieces_that_nothing_renews_are_called_silent() -> None:
    """The desk's thread may hang on a drive that gives no answer: its last words don't stay."""
    now = [0.0]
    desk = Desk(MadeUp(now=replace(IDLE, cards=(CARD,))), UTC, lambda: now[0])
    assert desk.join(lambda: None) is not None
    desk.step()
    now[0] = STALE_S
    assert "Wide" in desk.shown()[0]["live-cards"]
    now[0] = STALE_S + 0.1
    parts = desk.shown()[0]
    assert parts["live-cards"] == ""
    assert "The daemon does not answer." in parts["live-now"]
    desk.step()
    assert "Wide" in desk.shown()[0]["live-cards"]


def test_a_feed_says_that_it_is_alive(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("backupkeeper.daemon.page_app.HEARTBEAT_S", 0.01)
    with served(MadeUp(now=IDLE)) as stand, stand.listening() as feed:
        while feed.next() != ("alive", "1"):
            pass


def test_an_address_without_its_last_slash_leads_to_the_page() -> None:
    """From there the page's own script would not be found, and nothing on it would move."""
    with served() as stand:
        got = stand.send(path=f"/{TOKEN}")
        assert (got.status, got.headers["location"]) == (307, f"/{TOKEN}/")
        assert stand.send("POST", f"/{TOKEN}", origin=f"http://{stand.host}").status != 307
        assert stand.send(path=f"/{TOKEN}x").status == 404


def test_lines_of_those_who_only_hold_them_keep_nobody_away() -> None:
    """Any user of this machine can open lines. They must cost the daemon few handles, and nobody the page."""
    with ExitStack() as held, served(MadeUp(now=IDLE)) as stand:
        feed = held.enter_context(stand.listening())
        feed.parts()
        port = int(stand.host.rpartition(":")[2])
        lines = []
        for number in range(5 * MOST_LINES):
            line = held.enter_context(socket.create_connection(("127.0.0.1", port), timeout=20))
            if number % 2:
                line.sendall(b"GET / HT")
            lines.append(line)
        assert stand.send().status == 200
        stand.sources.now = replace(IDLE, under_way=(UPLOAD,))
        assert "live-now" in feed.parts(), "who looks on still does"
        gone = 0
        for line in lines[:-MOST_LINES]:
            with suppress(ConnectionError):
                assert line.recv(1) == b""
            gone += 1
        assert gone == 4 * MOST_LINES


def test_only_so_many_may_look_on() -> None:
    desk = Desk(MadeUp(now=IDLE), UTC, perf_counter)
    assert all(desk.join(lambda: None) is not None for _ in range(MOST_READERS))
    assert desk.join(lambda: None) is None


def test_too_many_feeds_are_refused_and_room_is_made_when_one_leaves() -> None:
    with served(MadeUp(now=IDLE)) as stand:
        for _ in range(MOST_READERS):
            assert stand.desk.join(lambda: None) is not None
        assert stand.send(path=f"/{TOKEN}/feed").status == 503


def test_a_report_that_can_not_be_made_is_said_and_tried_again() -> None:
    with served(MadeUp(failure=CatalogError("The catalog is broken."))) as stand:
        got = stand.send()
        assert (got.status, "The catalog is broken." in got.text) == (503, True)
        stand.sources.failure = None
        assert stand.send().status == 200


def test_a_bug_in_the_report_is_told_and_does_not_end_the_desk() -> None:
    sources, said = MadeUp(failure=KeyError("cloud")), list[str]()
    desk = Desk(sources, UTC, perf_counter, said.append)
    wanted = desk.page()
    desk.step()
    with pytest.raises(BrokenPromiseError, match="KeyError"):
        wanted.result(0)
    assert said == ["The page could not be made. KeyError: 'cloud'"]
    sources.failure = None
    again = desk.page()
    desk.step()
    assert again.result(0) == PAGE


def test_it_ends_at_once_whoever_looks_on_and_closes_its_catalog() -> None:
    with ExitStack() as looking_on:
        with served(MadeUp(now=IDLE)) as stand:
            stand.send()
            feed = looking_on.enter_context(stand.listening())
            feed.parts()
        assert feed.next() == ("", ""), "the server hung up"
    assert stand.sources.is_closed
    assert stand.sources.threads == {"page desk"}
    assert not [one for one in threading.enumerate() if one.name.startswith("page")]
    assert stand.desk.page().cancelled()
    assert stand.desk.join(lambda: None) is None


@pytest.mark.parametrize(
    "address", ["0.0.0.0", "192.0.2.1", "::", "example.org", "", "127.0.0.1.example"]
)
def test_it_is_served_to_this_machine_alone(address: str) -> None:
    desk = Desk(MadeUp(), UTC, perf_counter)
    with pytest.raises(UsageError, match="for this machine alone"):
        PageServer(desk, address=address, port=0, token=TOKEN, door=PageDoor(""))


def test_a_port_that_is_taken_is_told_with_what_to_do() -> None:
    with served() as stand:
        port = int(stand.host.rpartition(":")[2])
        with pytest.raises(OutOfReachError, match=f"port {port}") as caught:
            PageServer(stand.desk, address="127.0.0.1", port=port, token=TOKEN, door=PageDoor(""))
        assert "[page] port" in str(caught.value.advice)


def test_it_can_be_served_at_the_other_loopback_address() -> None:
    with served(address="::1") as stand:
        assert stand.server.url.startswith("http://[::1]:")
        port = stand.host.rpartition(":")[2]
        with socket.create_connection(("::1", int(port)), timeout=20) as line:
            line.sendall(f"GET /{TOKEN}/ HTTP/1.1\r\nHost: [::1]:{port}\r\n\r\n".encode())
            assert line.recv(15) == b"HTTP/1.1 200 OK"


def test_a_page_without_styles_may_have_none() -> None:
    assert "style-src 'none'" in policy_for("<p>")
