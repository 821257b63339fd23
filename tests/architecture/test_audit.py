"""pip-audit as ``make lint`` runs it, against advisories of a server of our own.

What the server says has the form of OSV (Open Source Vulnerability format 1.x), which pip-audit reads.
"""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from tests.architecture.audit import audit

pytestmark = pytest.mark.slow


@contextmanager
def advisories(bad: str, status: int = 200) -> Iterator[list[str]]:
    """Words for pip-audit; the server knows one package that is not to be used."""

    class Talk(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked = json.loads(self.rfile.read(int(self.headers["content-length"])))
            name = asked["package"]["name"]
            span = {"type": "ECOSYSTEM", "events": [{"introduced": "0"}, {"fixed": "2.1"}]}
            package = {"name": name, "ecosystem": "PyPI"}
            found = {"id": "YARD-1", "affected": [{"package": package, "ranges": [span]}]}
            body = json.dumps({"vulns": [found]} if name == bad else {}).encode()
            self.send_response(status)
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_words: object) -> None:
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Talk) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            port = server.server_address[1]
            yield ["--vulnerability-service", "osv", "--osv-url", f"http://127.0.0.1:{port}/"]
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture
def named(tmp_path: Path) -> str:
    (tmp_path / "constraints.txt").write_text("click==8.5.1\nrich==2.0\n")
    return str(tmp_path / "constraints.txt")


def test_a_known_vulnerability_fails_and_is_named(named: str) -> None:
    with advisories("rich") as words:
        assert audit(named, words) == (
            1,
            "Known vulnerabilities:\nrich 2.0: YARD-1 (mended in 2.1)",
        )


def test_all_being_well_says_of_how_many(named: str) -> None:
    with advisories("other") as words:
        assert audit(named, words) == (0, "Known vulnerabilities: none in 2 of 2 packages.")


@pytest.mark.parametrize("more", ["nothing listens", "breaks"])
def test_where_the_advisories_can_not_be_had_all_is_listed_in_one_line(
    named: str, more: str
) -> None:
    with advisories("rich", 500) as words:
        if more == "nothing listens":
            words[-1] = "http://127.0.0.1:9/"
        code, said = audit(named, words)
    assert code == 0
    assert said.startswith("Known vulnerabilities: NOT CHECKED (")
    assert said.endswith("click==8.5.1, rich==2.0")
    assert "\n" not in said


def test_it_waits_no_longer_than_it_may(named: str) -> None:
    with advisories("rich") as words:
        code, said = audit(named, words, waits_s=0.01)
    assert (code, "NOT CHECKED (no answer within 0 s)" in said) == (0, True)
