"""Mail by hand and by the week, on a real catalog, through a real server with TLS and login."""

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.config import Security
from backupkeeper.core.errors import NameTakenError, UsageError
from backupkeeper.core.mailing import WEEKLY_REPORT, Hitch, LetterKind, Stage
from backupkeeper.core.model import EventKind
from backupkeeper.report.mail_sent import exit_of, sent_json
from tests.report.mailed import page_of, parsed, parts, picture, words
from tests.stories.yard import NO_CLOUD, Yard, roll_folder, rot
from tests.world.mail_server import PASSWORD, TO, MailServer, mail_server

CARD = {"DCIM/A.MP4": b"a" * 70_000, "DCIM/B.MP4": b"b" * 50_000}


def mail_section(server: MailServer, root: Path) -> str:
    (root / "password").write_text(f"{PASSWORD}\n")
    (root / "password").chmod(0o600)
    settings = server.settings
    return (
        f'[mail]\nto = "{settings.to}"\nsender = "{settings.sender}"\nhost = "{settings.host}"\n'
        f'port = {settings.port}\nsecurity = "{settings.security}"\nuser = "{settings.user}"\n'
        f'password_from = "file:{root}/password"\n'
    )


def with_mail(root: Path, server: MailServer) -> Yard:
    made = Yard(root, policy=f"{NO_CLOUD}\n{mail_section(server, root)}")
    made.drives()
    made.offload(made.card("card", CARD))
    return made


@pytest.fixture(params=[Security.STARTTLS, Security.TLS], ids=str)
def server(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[MailServer]:
    with mail_server(tmp_path, security=request.param, login=True) as made:
        monkeypatch.setenv("SSL_CERT_FILE", made.certificate)
        yield made


@pytest.fixture
def yard(tmp_path: Path, server: MailServer) -> Yard:
    return with_mail(tmp_path, server)


def test_the_report_is_taken_by_the_server_and_both_parts_say_the_same(
    yard: Yard, server: MailServer
) -> None:
    with yard.keeper() as keeper:
        outcome = keeper.mail_report()
        assert (outcome.taken, outcome.to, keeper.context.catalog.waiting()) == (True, TO, ())
    assert server.encrypted == [True]
    assert server.signed_in == [(b"me", b"hunter2")]
    letter = parsed(server.raw[0])
    assert letter["From"] == "backupkeeper <yard@example.org>"
    assert letter["Subject"] == outcome.subject
    assert "not proven in three places" in outcome.subject
    plain, page, pictures = parts(letter)
    assert words("".join(page_of(page).words)) == words(plain)
    assert "260612 Boatyard/Wide/Roll 01" in plain
    assert [picture(data)[:2] for data in pictures.values()] == [(320, 24)] * 3
    assert len(server.raw[0]) < 100_000


def test_what_the_server_does_not_take_waits_and_the_next_one_takes_its_place(
    yard: Yard, server: MailServer
) -> None:
    server.script = ["451 later"]
    with yard.keeper() as keeper:
        first = keeper.mail_report()
        assert (first.taken, first.has_daemon) == (False, False)
        assert first.sending is not None
        assert first.sending.hitch is Hitch.LATER
        (waits,) = keeper.context.catalog.waiting()
        assert (waits.kind, waits.tries) == (LetterKind.BY_HAND, 1)
        yard.clock.at += timedelta(days=1)
        assert keeper.mail_report().taken
        assert keeper.context.catalog.waiting() == ()
    (letter,) = server.taken
    assert "had not gone out when this one was made" in " ".join(parts(letter)[0].split())


def test_the_weekly_report_is_put_in_once_and_answered_by_the_next(
    yard: Yard, server: MailServer
) -> None:
    with yard.keeper() as keeper:
        made, again = keeper.weekly(), keeper.weekly()
        assert (made.posted, again.posted) == (True, False)
        assert "The next weekly report is due on Monday" in made.sight
        assert list(keeper.context.catalog.latest(EventKind.RAN)) == [WEEKLY_REPORT]
        (letter,) = keeper.context.catalog.waiting()
        assert letter.subject == made.said
        keeper._sender().send_due()
        yard.clock.at += timedelta(days=7)
        assert keeper.weekly().posted
        keeper._sender().send_due()
    first, second = server.taken
    assert second["In-Reply-To"] == first["Message-ID"]


def test_without_an_address_nothing_is_mailed_and_the_weekly_report_is_only_told(
    tmp_path: Path,
) -> None:
    with Yard(tmp_path).keeper() as keeper:
        for asked in (keeper.mail_report, keeper.draft_report, keeper.test_mail):
            with pytest.raises(UsageError, match="no address to send mails to"):
                asked()
        made = keeper.weekly()
        assert (made.posted, keeper.context.catalog.waiting()) == (False, ())
        assert made.said in made.sight or made.sight.startswith("Nothing is taken in yet")


def test_a_draft_is_the_very_mail_and_goes_nowhere(yard: Yard, server: MailServer) -> None:
    with yard.keeper() as keeper:
        drafted = keeper.draft_report()
        assert keeper.context.catalog.waiting() == ()
    letter = parsed(drafted.message)
    assert (letter["To"], letter["Subject"]) == (TO, drafted.subject)
    assert parts(letter)[0].replace("\r\n", "\n") == drafted.text
    assert "data:image/png" in drafted.page
    assert server.taken == []


def test_damage_is_at_the_top_of_the_report(yard: Yard, server: MailServer) -> None:
    rot(roll_folder(yard.root / "Travel") / "DCIM/A.MP4", 9, b"rot")
    yard.verify()
    with yard.keeper() as keeper:
        subject = keeper.mail_report().subject
    assert subject.endswith("act today")
    flat = " ".join(parts(server.taken[0])[0].split())
    assert "Damage at Travel" in flat
    assert "Travel: 260612 Boatyard/Originals/Wide/Roll 01/DCIM/A.MP4 (damaged, 3 bytes)" in flat


def test_a_trial_tells_each_step(yard: Yard, server: MailServer) -> None:
    with yard.keeper() as keeper:
        sending = keeper.test_mail()
        assert keeper.context.catalog.waiting() == ()
    assert sending.taken
    assert [one.stage for one in sending.done] == list(Stage)
    assert "No weekly report is due" in " ".join(parts(server.taken[0])[0].split())
    (yard.root / "password").chmod(0o644)
    with yard.keeper() as keeper:
        assert keeper.test_mail().hitch is Hitch.NO_PASSWORD


def test_while_somebody_else_sends_it_waits_for_them(yard: Yard, server: MailServer) -> None:
    with yard.keeper() as keeper:
        locks = keeper.context.locks
        with locks.hold("outbox", called="the outbox", doing="sending mail"):
            outcome = keeper.mail_report()
        assert (outcome.taken, outcome.sending) == (False, None)
        assert len(keeper.context.catalog.waiting()) == 1
        told = sent_json(replace(outcome, has_daemon=True), keeper.config.mail)
    assert (told["waits"], told["hitch"], exit_of(taken=outcome.taken)) == (True, None, 3)


@pytest.mark.slow
def test_a_person_types_it(yard: Yard, server: MailServer) -> None:
    """As a process of its own, with the password as systemd hands it over."""
    config = yard.root / "config.toml"
    config.write_text(config.read_text().replace(f"file:{yard.root}/password", "credential:mail"))
    credentials = yard.root / "credentials"
    credentials.mkdir()
    (credentials / "mail").write_text(PASSWORD)
    environ = {**os.environ, "HOME": str(yard.root), "CREDENTIALS_DIRECTORY": str(credentials)}

    def typed(*words: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [sys.executable, "-m", "backupkeeper", "--config", str(config), *words],
            env=environ, capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    done = typed("mail", "test")
    assert (done.returncode, done.stderr) == (0, "")
    assert "Signed in (me)" in done.stdout
    assert "took the mail for me@example.org" in " ".join(done.stdout.split())
    (credentials / "mail").write_text("another")
    done = typed("mail", "test")
    assert done.returncode == 3
    assert "does not accept this name and password" in " ".join(done.stdout.split())
    assert "another" not in done.stdout.replace("another mail", "")
    assert len(server.taken) == 1


def test_a_draft_goes_into_a_new_file_and_into_no_place(yard: Yard) -> None:
    with yard.keeper() as keeper:
        whole = keeper.write_draft(f"{yard.root}/mail.eml", b"To: x")
        assert Path(whole).read_bytes() == b"To: x"
        with pytest.raises(NameTakenError):
            keeper.write_draft(whole, b"other")
        with pytest.raises(UsageError, match="lies in the place Main"):
            keeper.write_draft(f"{yard.root}/Main/mail.eml", b"To: x")
    assert Path(whole).read_bytes() == b"To: x"
