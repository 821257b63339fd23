"""The daemon's mails as they arrive: through a real server with TLS and login, down or up."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from backupkeeper.config import Security
from tests.real.daemon_stand import Daemon, DaemonStand
from tests.real.store import free_ports
from tests.report.mailed import page_of, parts, words
from tests.stories.test_mail import mail_section
from tests.stories.yard import rot
from tests.world.mail_server import MailServer, mail_server

pytestmark = [pytest.mark.real("ext4", "xfs"), pytest.mark.slow]
ROLL = "260612 Boatyard/Originals/Wide/Roll 01"


def offloaded(stand: DaemonStand, daemon: Daemon) -> None:
    card = stand.card("ext4")
    card.mount(options="ro")
    daemon.wait_for("this card may be wiped")
    card.unmount()  # else it is urgent, too, that it may be wiped no more
    daemon.wait_for("mounted is gone.")


def same_in_both_parts(server: MailServer) -> list[str]:
    """The plain parts of all that came, as one line each."""
    found = []
    for letter in server.taken:
        plain, page, _ = parts(letter)
        assert words("".join(page_of(page).words)) == words(plain)
        found.append(" ".join(plain.split()))
    return found


def test_damage_is_mailed_at_once_and_the_week_in_its_time_each_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day = (datetime.now().astimezone() + timedelta(days=5)).strftime("%A").lower()
    with mail_server(tmp_path, security=Security.TLS, login=True) as server:
        monkeypatch.setenv("SSL_CERT_FILE", server.certificate)
        more = (
            f'[report]\nweekly = "{day} 12:00"\n[proofs]\nwindow = ""\nauto_repair = false\n'
            f"{mail_section(server, tmp_path)}"
        )
        with DaemonStand(tmp_path, more=more) as stand:
            main = stand.drive("ext4", "primary", "Main")
            stand.drive("xfs", "secondary", "Travel")
            with stand.running() as daemon:
                offloaded(stand, daemon)
                rot(Path(main.point) / ROLL / "DCIM/100BOATY/BOAT0001.MP4", 5_000_000, b"rot")
                main.remount()
                stand.typed("verify", "Main", code=1)
                daemon.wait_for(f"Mail: Damage on Main: {ROLL}: taken by 127.0.0.1.")
            for days in (8, 8):
                stand.ahead = timedelta(days=days)
                with stand.running() as daemon:
                    daemon.until(lambda: len(server.taken) >= 3, "no weekly mail")
                    daemon.wait_for("Main is here", "Travel is here")
        told = same_in_both_parts(server)
        subjects = [str(letter["Subject"]) for letter in server.taken]
        # At once; again after days, for it is so still, as an answer to the first; and the week.
        assert subjects[0] == subjects[1] == f"Damage on Main: {ROLL}" or subjects[0] == subjects[2]
        urgent = [one for one in server.taken if str(one["Subject"]).startswith("Damage on Main")]
        (weekly,) = [one for one in server.taken if one not in urgent]
        assert (len(urgent), urgent[1]["In-Reply-To"]) == (2, urgent[0]["Message-ID"])
        assert [one["Importance"] for one in (*urgent, weekly)] == ["high", "high", None]
        assert "act today" in str(weekly["Subject"])
        assert all("next weekly report is due on" in one for one in told)
        assert len(server.encrypted) == 3
        assert all(server.encrypted)


def test_a_mail_waits_for_the_server_over_a_restart_and_is_delivered_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = free_ports(1)
    with mail_server(tmp_path, port=port) as server:
        section = mail_section(server, tmp_path)
        monkeypatch.setenv("SSL_CERT_FILE", server.certificate)
    section = section.replace('user = ""\n', "").replace(
        f'password_from = "file:{tmp_path}/password"\n', ""
    )
    with DaemonStand(tmp_path, more=f"[proofs]\nauto_repair = false\n{section}") as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            offloaded(stand, daemon)
            rot(Path(main.point) / ROLL / "DCIM/100BOATY/BOAT0001.MP4", 5_000_000, b"rot")
            main.remount()
            stand.typed("verify", "Main", code=1)
            daemon.wait_for("it waits. 127.0.0.1 lets nobody in at port")
            told = stand.typed("status", code=1)
            assert "1 mail waits to be sent" in " ".join(told.split())
        with mail_server(tmp_path, port=port) as server:
            with stand.running() as daemon:
                daemon.wait_for(f"Mail: Damage on Main: {ROLL}: taken by 127.0.0.1.")
                daemon.wait_for("Main is here", "Travel is here")
            with stand.running() as daemon:
                daemon.wait_for("Main is here", "Travel is here")
        assert [str(one["Subject"]) for one in server.taken] == [f"Damage on Main: {ROLL}"]
