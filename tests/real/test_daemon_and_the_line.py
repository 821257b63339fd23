"""A real daemon, a real store and a real bus: the line is the person's, from one second to the next.

What travels is counted outside of the program, by a proxy in front of the store.
"""

import json
import os
import signal
import time
from pathlib import Path

import pytest

from backupkeeper.core.line import METERED
from tests.cloud.line import Line, line_to
from tests.daemon.test_metered import bus, manager
from tests.real.daemon_stand import CARD, Daemon, DaemonStand
from tests.real.store import Server
from tests.stories.yard import clip

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = [pytest.mark.real("ext4", "store", "dbus"), pytest.mark.slow]
__all__ = ["bus"]

FILES = {**CARD, "DCIM/100BOATY/BOAT0003.MP4": clip(3, 24_000_000)}
LIMIT = 2_000_000
MEASURED_S = 4.0
STILL = 300_000
"""Bytes that may be in the buffers between the daemon and the proxy when the line is closed."""


class LineStand(DaemonStand):
    """A stand whose daemon asks a bus of the test's."""

    bus: str = ""

    @property
    def environ(self) -> dict[str, str]:
        return {**super().environ, "DBUS_SYSTEM_BUS_ADDRESS": self.bus}


def passed(line: Line, seconds: float) -> int:
    before = line.sent
    time.sleep(seconds)  # nothing is waited for: a rate is so many bytes in so many seconds
    return line.sent - before


def line_of(stand: DaemonStand) -> dict[str, object]:
    told: dict[str, object] = json.loads(stand.typed("status", "--json", code=None))["line"]
    return told


def is_sending(daemon: Daemon, line: Line, more: int) -> None:
    begun = line.sent
    daemon.until(lambda: line.sent > begun + more, "nothing is sent")


def test_the_line_is_the_person_s_from_one_second_to_the_next(
    tmp_path: Path, radosgw: Server, bus: str
) -> None:
    more = '[upload]\nlimit = "16 Mbit/s"'
    roles = ("primary", "cloud")
    with (
        manager(bus, 1) as service,
        line_to(radosgw.url) as line,
        LineStand(tmp_path, roles=roles, more=more) as stand,
    ):
        stand.bus = bus
        stand.drive("ext4", "primary", "Main")
        name = radosgw.new_bucket()
        stand.typed(
            "place", "add", f"s3://{name}/footage", "--role", "cloud", "--name", "Off site",
            "--endpoint", line.url,
        )  # fmt: skip
        card = stand.card("ext4", FILES)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("offload Wide to Main: Offloaded")
            # The line costs: nothing is sent, and status says why.
            assert line_of(stand)["no_upload"] == METERED
            assert passed(line, 1.0) == 0
            service.becomes(4)
            is_sending(daemon, line, 1_000_000)
            # The limit holds, seen from outside.
            rate = passed(line, MEASURED_S) / MEASURED_S
            assert 0.3 * LIMIT < rate < 1.25 * LIMIT, rate  # a busy machine may be slower
            assert line_of(stand)["limit_bytes_s"] == LIMIT
            # A pause of uploads stops what is on its way, and goes on at a word.
            stand.typed("pause", "--uploads")
            daemon.until(lambda: passed(line, 0.5) < STILL, "it is sent all the same")
            assert passed(line, 2.0) < STILL
            assert "pause of uploads" in str(line_of(stand)["no_upload"])
            stand.typed("resume", "--uploads")
            is_sending(daemon, line, 500_000)
            # Another limit holds within seconds.
            stand.configure('[upload]\nlimit = "400 Mbit/s"')
            os.kill(daemon.process.pid, signal.SIGHUP)
            begun = time.monotonic()
            daemon.wait_for("this card may be wiped")
            assert time.monotonic() - begun < 60
        assert stand.gaps() == []
