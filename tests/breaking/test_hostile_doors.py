"""What somebody on this machine sends to the daemon: its socket, and its live page's address.

A real daemon, a real server. Whatever comes, well-formed or not, whole, broken off or left hanging: the daemon
lives, answers the next one, and grows by no more than a little.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import strategies as st

from backupkeeper.core.model import Role
from backupkeeper.daemon.control import ask
from tests.breaking.hostile import tried
from tests.breaking.mutating import mutated
from tests.daemon.page_stand import TOKEN, served
from tests.stories.yard import Yard

PATIENCE_S: Final = 60.0
MOST_GROWTH: Final = 64 << 20
ASKED: Final = tuple(
    json.dumps({"version": 1, "what": what, **values}).encode() + b"\n"
    for what, values in (
        ("status", {}),
        ("look", {}),
        ("page", {}),
        ("pause", {"seconds": 3600, "uploads": True}),
        ("pause", {"seconds": 1.5}),
        ("resume", {"uploads": False}),
        ("give way", {"places": ["Main", "Travel"]}),
        ("judge", {"card": "1 2", "stop": True}),
        ("judge", {"card": "1 2"}),
    )
)
JSON: Final = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
WELL_FORMED: Final = st.builds(
    lambda what, values: json.dumps({**values, "version": 1, "what": what}).encode() + b"\n",
    st.sampled_from(["status", "look", "page", "pause", "resume", "give way", "judge", "x"]) | JSON,
    st.dictionaries(
        st.sampled_from(["seconds", "uploads", "places", "card", "stop", "what"]), JSON
    ),
)
PAGE_ASKED: Final = tuple(
    b"%s HTTP/1.1\r\nHost: HOST\r\nOrigin: http://HOST\r\nSec-Fetch-Site: same-origin\r\n"
    b"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n%s" % (line, len(body), body)
    for line, body in (
        (b"GET /" + TOKEN.encode() + b"/", b""),
        (b"HEAD /" + TOKEN.encode(), b""),
        (b"GET /" + TOKEN.encode() + b"/live.js", b""),
        (b"POST /" + TOKEN.encode() + b"/ask", b'{"do": "pause", "hours": 3, "uploads": true}'),
        (b"POST /" + TOKEN.encode() + b"/ask", b'{"do": "judge", "card": "1 2"}'),
        (b"POST /" + TOKEN.encode() + b"/ask", b'{"do": "resume"}'),
    )
)


def resident(process: int) -> int:
    """Bytes of memory that a process has."""
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


@contextmanager
def daemon(yard: Yard) -> Iterator[tuple[int, str]]:
    """A real one on a catalog; its process and the folder of its socket."""
    folder = f"{yard.root}/catalog.sqlite.locks"
    command = [
        sys.executable,
        "-m",
        "backupkeeper",
        "--config",
        str(yard.root / "config.toml"),
        "run",
    ]
    with (yard.root / "said").open("wb") as said:
        process = subprocess.Popen(command, stdout=said, stderr=said)
        try:
            end = time.monotonic() + PATIENCE_S
            while not (ask(folder, "status") or {}).get("status"):
                assert process.poll() is None, (yard.root / "said").read_text()
                assert time.monotonic() < end
                time.sleep(0.05)
            yield process.pid, folder
            process.send_signal(signal.SIGTERM)
            assert process.wait(PATIENCE_S) == 0, (yard.root / "said").read_text()
        finally:
            process.kill()
            process.wait()
    assert "Traceback" not in (yard.root / "said").read_text()


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_nothing_that_is_sent_to_its_socket_harms_the_daemon(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.drive("Main", Role.PRIMARY)
    with daemon(yard) as (process, folder):
        before = resident(process)
        handle = os.open(folder, os.O_PATH)
        address = f"/proc/self/fd/{handle}/control"

        def check(example: tuple[bytes, str]) -> None:
            data, how = example
            with socket.socket(socket.AF_UNIX) as line, suppress(OSError):
                line.settimeout(PATIENCE_S)
                line.connect(address)
                line.sendall(data)
                if how == "waits" and data.endswith(b"\n"):
                    line.recv(65536)
                elif how == "half":
                    line.shutdown(socket.SHUT_WR)

        examples = st.tuples(
            st.one_of(mutated(ASKED), WELL_FORMED), st.sampled_from(["waits", "goes", "half"])
        )
        tried("the daemon's socket", examples, check, few=60, share=0.3, again="its_socket")
        os.close(handle)
        end = time.monotonic() + PATIENCE_S
        while (told := ask(folder, "status")) is None:  # sixteen may still be heard out
            assert time.monotonic() < end
        assert "status" in told, told
        assert resident(process) - before < MOST_GROWTH


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_nothing_that_is_sent_to_the_page_harms_it() -> None:
    with served() as stand:
        host = stand.host.encode()
        port = int(stand.host.rpartition(":")[2])
        before = resident(os.getpid())

        def check(example: tuple[bytes, str]) -> None:
            data, how = example
            with socket.create_connection(("127.0.0.1", port)) as line, suppress(OSError):
                line.settimeout(PATIENCE_S)
                line.sendall(data.replace(b"HOST", host))
                if how == "half":
                    line.shutdown(socket.SHUT_WR)
                if how != "goes":
                    line.shutdown(socket.SHUT_WR)
                    answer = line.recv(65536)
                    assert answer.startswith(b"HTTP/1.1 ") or not answer
                    assert not answer.startswith(b"HTTP/1.1 500"), data

        wanted: Any = st.tuples(mutated(PAGE_ASKED), st.sampled_from(["waits", "goes", "half"]))
        tried("the live page", wanted, check, few=60, share=0.3, again="to_the_page")
        assert stand.send().status == 200
        assert {what for what, _ in stand.sources.asked} <= {"pause", "resume", "judge"}
        for what, values in stand.sources.asked:
            if what == "pause":
                seconds = values["seconds"]
                assert isinstance(seconds, int)
                assert 0 < seconds <= 366 * 24 * 3600
        assert resident(os.getpid()) - before < MOST_GROWTH
