"""``mail test`` and ``report --mail`` as a person and as a program see them."""

import json
from dataclasses import replace

import pytest

from backupkeeper.cli.main import main
from backupkeeper.config import Security
from backupkeeper.core.mailing import DraftedMail, Hitch, MailOutcome, Sending, Stage, StageDone
from backupkeeper.report.mail_words import advice, waiting_words, why_not
from tests.cli.hand_keeper import HandKeeper
from tests.core.test_mailing import NOW, letter
from tests.report.mailed import all_well, two_gaps
from tests.world.mail_server import client_settings

DONE = (
    StageDone(stage=Stage.NAME, detail="192.0.2.7"),
    StageDone(stage=Stage.TLS, detail="TLSv1.3"),
)
TAKEN = Sending(done=DONE, stage=Stage.HAND_OVER, said="250 taken")
FAILED = Sending(done=DONE, stage=Stage.SIGN_IN, hitch=Hitch.WRONG_PASSWORD, said="535 \x1b[31mno")
DRAFTED = DraftedMail(subject="All well", text="text\n", page="<!DOCTYPE html>", message=b"To: x")
SENT = MailOutcome(
    subject="All 214 rolls in three places",
    to="me@example.org",
    sending=TAKEN,
    has_daemon=False,
    overview=all_well(),
)


def run(keeper: HandKeeper, *words: str) -> int:
    code = main.main(list(words), standalone_mode=False, obj=keeper.session())
    assert isinstance(code, int)
    return code


def flat(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_a_trial_that_arrived_tells_each_step(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HandKeeper(answer=TAKEN), "mail", "test") == 0
    told = flat(capsys)
    assert "Server's name found (192.0.2.7)" in told
    assert "Line encrypted (TLSv1.3)" in told
    assert "only a look into the mailbox shows" in told


def test_a_trial_that_failed_says_where_why_and_what_to_look_at(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(HandKeeper(answer=FAILED), "mail", "test") == 3
    told = flat(capsys)
    assert "Signed in: no" in told
    assert "does not accept this name and password. (535 \\x1b[31mno)" in told
    assert "Many services want a password of its own" in told


def test_a_trial_as_an_object(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HandKeeper(answer=FAILED), "mail", "test", "--json") == 3
    told = json.loads(capsys.readouterr().out)
    assert told["steps"] == [
        {"step": "name", "done": True, "detail": "192.0.2.7"},
        {"step": "tls", "done": True, "detail": "TLSv1.3"},
        {"step": "sign in", "done": False, "detail": ""},
    ]
    assert (told["taken"], told["hitch"], told["version"]) == (False, "wrong password", 1)
    run(HandKeeper(answer=TAKEN), "mail", "test", "--json")
    told = json.loads(capsys.readouterr().out)
    assert (told["taken"], told["hitch"], told["advice"]) == (True, None, "")


def test_a_report_that_was_taken_exits_as_the_report_does(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(HandKeeper(answer=SENT), "report", "--mail") == 0
    assert "took the mail for me@example.org: All 214 rolls" in flat(capsys)
    assert run(HandKeeper(answer=replace(SENT, overview=two_gaps())), "report", "--mail") == 1


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (replace(SENT, sending=FAILED), "No daemon runs that would try again."),
        (replace(SENT, sending=FAILED, has_daemon=True), "The daemon tries again by itself."),
        (replace(SENT, sending=None), "Another backupkeeper is sending mail just now"),
    ],
)
def test_a_report_that_was_not_taken_waits_and_says_for_what(
    outcome: MailOutcome, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(HandKeeper(answer=outcome), "report", "--mail") == 3
    assert said in flat(capsys)
    assert run(HandKeeper(answer=outcome), "report", "--mail", "--json") == 3
    told = json.loads(capsys.readouterr().out)
    assert (told["taken"], told["waits"], told["daemon"]) == (False, True, outcome.has_daemon)
    assert (told["hitch"] is None) is (outcome.sending is None)


@pytest.mark.parametrize(
    ("file", "data"),
    [("a.eml", b"To: x"), ("a.html", b"<!DOCTYPE html>"), ("a.txt", b"text\n")],
)
def test_a_preview_is_written_and_not_sent(
    file: str, data: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    keeper = HandKeeper(answer=DRAFTED)
    assert run(keeper, "report", "--mail", "--preview", file) == 0
    assert keeper.asked == [("draft report",), ("write draft", file, data)]
    assert f"Written to /whole/{file} ({len(data)} bytes); nothing was sent." in flat(capsys)
    assert run(HandKeeper(answer=DRAFTED), "report", "--mail", "--preview", file, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {
        "version": 1,
        "subject": "All well",
        "file": f"/whole/{file}",
        "bytes": len(data),
    }


@pytest.mark.parametrize("words", [("--preview", "a.eml"), ("--mail", "--preview", "a.pdf")])
def test_a_preview_that_can_t_be_meant_is_refused(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    keeper = HandKeeper(answer=DRAFTED)
    assert run(keeper, "report", *words) == 2
    assert "--preview" in capsys.readouterr().err
    assert keeper.asked == []


@pytest.mark.parametrize("hitch", Hitch)
def test_each_hitch_has_its_words_and_what_to_look_at(hitch: Hitch) -> None:
    settings = client_settings(587, Security.STARTTLS)
    one = Sending(done=(), stage=Stage.CONNECT, hitch=hitch)
    assert why_not(one, settings).endswith(".")
    assert advice(one, settings).endswith(".")
    assert "{" not in why_not(one, settings) + advice(one, settings)


def test_mails_that_were_tried_and_wait_are_told_in_one_sentence() -> None:
    one, two = (
        letter(days=-day, tries=1, said=f"No line {day}.", message_id=f"<{day}@example.org>")
        for day in (3, 1)
    )
    assert waiting_words([], NOW) == waiting_words([letter()], NOW) == ()
    assert waiting_words([one], NOW) == ("1 mail waits to be sent, made 3 days ago: No line 3.",)
    assert waiting_words([two, one, letter()], NOW) == (
        "2 mails wait to be sent, made 3 days ago: No line 3.",
    )
