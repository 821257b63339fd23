"""What waits is sent once, whatever happens: killed at any step, many at once, any story at all."""

import os
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import cast

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.catalog.outbox import open_outbox
from backupkeeper.config import Security
from backupkeeper.core.mailing import (
    LetterState,
)
from backupkeeper.ports.outbox import Mailer, Outbox
from tests.daemon.posting_stand import Stand, ids, letter
from tests.world.killing import Faults, Killed
from tests.world.mail_server import MailServer, mail_server

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")


@pytest.fixture
def server(tmp_path: Path) -> Iterator[MailServer]:
    with mail_server(tmp_path, security=Security.NONE) as made:
        yield made


@pytest.fixture
def stand(tmp_path: Path, server: MailServer) -> Stand:
    return Stand(tmp_path, server.settings)


# -- killed


def steps(stand: Stand, at: int, *, before: bool) -> list[str]:
    """Send with a kill at the nth call of outbox, mailer or lock; which calls there were."""
    calls: list[str] = []
    with closing(open_outbox(stand.file, clock=stand.clock)) as outbox:
        inner = stand.mailer
        both = Faults.around(_Both(outbox, inner), at=at, before=before)
        stand.mailer = both.port
        try:
            stand.sender(cast("Outbox", both.port)).send_due()
        except Killed:
            pass
        finally:
            stand.mailer = inner
            calls = both.calls
    return calls


class _Both:
    """Outbox and mailer as one port, so that their calls are counted together."""

    def __init__(self, outbox: Outbox, mailer: Mailer) -> None:
        self.waiting, self.hurry = outbox.waiting, outbox.hurry
        self.letter_sent, self.letter_failed = outbox.letter_sent, outbox.letter_failed
        self.send = mailer.send


@pytest.mark.parametrize("before", [True, False], ids=["before", "after"])
def test_killed_at_any_step_nothing_is_lost_and_only_one_step_can_double(
    tmp_path: Path, server: MailServer, before: bool
) -> None:
    (tmp_path / "whole").mkdir()
    whole = Stand(tmp_path / "whole", server.settings)
    whole.post(*map(letter, "ab"))
    calls = steps(whole, 0, before=True)
    assert {"waiting", "send", "letter_sent", "hurry"} == set(calls)
    for at in range(1, len(calls) + 1):
        server.taken.clear()
        (tmp_path / f"{at}").mkdir()
        stand = Stand(tmp_path / f"{at}", server.settings)
        stand.post(*map(letter, "ab"))
        steps(stand, at, before=before)
        stand.pass_time(30)
        stand.send()
        times = Counter(ids(server))
        # Between the server's answer and the note of it, and nowhere else.
        is_between = calls[at - 1] == ("letter_sent" if before else "send")
        assert sorted(times.elements()) == (
            sorted([*"ab", "a" if at <= len(calls) // 2 else "b"]) if is_between else ["a", "b"]
        ), (at, calls[at - 1])
        assert stand.waiting() == ()


SEND = """
import sys
from contextlib import closing
from pathlib import Path
from tests.daemon.posting_stand import Stand
from tests.world.mail_server import client_settings
from backupkeeper.config import Security
stand = Stand(Path(sys.argv[1]), client_settings(int(sys.argv[2]), Security.NONE))
stand.send()
"""


@pytest.mark.slow
@pytest.mark.real("strace")
@pytest.mark.parametrize(
    "moment",
    [*(("sendto", n) for n in range(1, 9)), *(("fdatasync", n) for n in range(1, 4)), ("flock", 2)],
    ids=lambda one: f"{one[0]}-{one[1]}",
)
def test_a_process_that_is_killed_at_a_call_loses_nothing(
    stand: Stand, server: MailServer, moment: tuple[str, int]
) -> None:
    stand.post(*map(letter, "ab"))
    call, when = moment
    done = subprocess.run(
        ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}",
         "-e", f"inject={call}:signal=KILL:when={when}",
         sys.executable, "-c", SEND, str(stand.root), str(server.settings.port)],
        check=False, cwd=ROOT, capture_output=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    stand.pass_time(30)
    stand.send()
    times = Counter(ids(server))
    assert set(times) == {"a", "b"}
    assert sum(times.values()) <= 3
    assert (stand.waiting(), stand.send()) == ((), [])


@pytest.mark.slow
def test_many_programs_at_once_send_each_letter_once(stand: Stand, server: MailServer) -> None:
    stand.post(*(letter(f"n{number:02}") for number in range(12)))
    command = [sys.executable, "-c", SEND, str(stand.root), str(server.settings.port)]
    runs = [subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL) for _ in range(4)]
    for run in runs:
        run.wait(60)
    stand.send()
    assert sorted(ids(server)) == [f"n{number:02}" for number in range(12)]


doings = st.sampled_from(
    ["post", "post again", "send", "451 later", "554 no", "break before data", "lose after data",
     "break after data", "wait", "wait long"]
)  # fmt: skip


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(doings, max_size=12))
def test_whatever_happens_each_letter_is_sent_replaced_or_refused(
    tmp_path_factory: pytest.TempPathFactory, server: MailServer, story: list[str]
) -> None:
    server.taken.clear()
    server.script.clear()
    stand, made, doubles = Stand(tmp_path_factory.mktemp("s"), server.settings), 0, 0
    for doing in [*story, "wait long", "send"]:
        if doing.startswith("post"):
            made += 1
            thread = "again" if doing == "post again" else f"{made}"
            stand.post(
                letter(f"{made}", thread=thread, made_at=stand.clock.at, next_at=stand.clock.at)
            )
        elif doing.startswith("wait"):
            stand.pass_time(600 if doing == "wait long" else 1)
        else:
            server.script = [] if doing == "send" else [doing]
            before = len(stand.waiting())
            stand.send()
            doubles += doing == "break after data" and before > 0
            server.script = []
    while stand.waiting():
        stand.pass_time(600)
        stand.send()
    times = Counter(ids(server))
    with stand.catalog() as catalog:
        for number in range(1, made + 1):
            found = {
                state
                for state in LetterState
                for thread in ("again", f"{number}")
                for one in catalog.letters(thread, state)
                if one.message_id == f"<{number}@example.org>"
            }
            (state,) = found
            assert state is not LetterState.WAITING
            assert times[f"{number}"] > 0 or state is not LetterState.SENT
    assert sum(max(0, count - 1) for count in times.values()) <= doubles
