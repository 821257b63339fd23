"""Progress: what is said while work goes on, how often, and where."""

import io

import pytest

from backupkeeper.cli.progress import MovingBar, PlainLines, telling
from backupkeeper.ports.progress import Progress, Quiet


class Watch:
    now = 100.0

    def __call__(self) -> float:
        return self.now


class Screen(io.TextIOWrapper):
    """A stream in memory that says whether it is a terminal."""

    def __init__(self, *, terminal: bool) -> None:
        super().__init__(io.BytesIO(), encoding="utf-8")
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal

    def told(self) -> str:
        self.flush()
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode()


def test_plain_lines_come_at_most_every_ten_seconds() -> None:
    told: list[str] = []
    watch = Watch()
    lines = PlainLines(told.append, watch)
    lines.begin("Offloading Wide", total_bytes=4_000, total_files=2)
    lines.file("DCIM/a\x1b.MP4")
    lines.advance(1_000)
    watch.now += 9.9
    lines.advance(1_000)
    assert told == ["Offloading Wide: 2 files, 4.00 kB\n"]
    watch.now += 0.1
    lines.advance(0, files=1)
    assert told[1:] == [
        (
            "Offloading Wide: 2.00 kB of 4.00 kB, 200 bytes/s, 10 s left, 1 of 2 files, "
            "DCIM/a\\x1b.MP4\n"
        )
    ]
    lines.note("A\nnote")
    assert told[2:] == ["A\\nnote\n"]
    lines.end()


def test_many_short_stages_do_not_flood_a_log() -> None:
    told: list[str] = []
    lines = PlainLines(told.append, Watch())
    for number in range(50):
        lines.begin(f"Uploading {number}", total_bytes=1, total_files=1)
    assert len(told) == 1


def test_a_stage_that_knows_of_no_number_tells_of_none() -> None:
    told: list[str] = []
    watch = Watch()
    lines = PlainLines(told.append, watch)
    lines.begin("Looking for what was moved on Main", total_bytes=0, total_files=0)
    watch.now += 10
    lines.advance(0, files=3)
    assert told == [
        "Looking for what was moved on Main\n",
        "Looking for what was moved on Main: 3 files\n",
    ]


def work(progress: Progress) -> None:
    progress.advance(1)
    progress.file("early")
    progress.begin("Offloading [Wide]", total_bytes=1_000, total_files=2)
    progress.file("DCIM/\x1b[2J" + "deep/" * 40 + "BOAT.MP4")
    progress.advance(500, files=1)
    progress.note("[bold]a note\x1b[31m")
    progress.end()


@pytest.mark.parametrize(
    ("terminal", "term", "as_json", "kind"),
    [
        (True, "xterm", False, MovingBar),
        (True, "xterm", True, MovingBar),
        (True, "dumb", False, PlainLines),
        (False, "xterm", False, PlainLines),
        (False, "xterm", True, Quiet),
    ],
)
def test_what_is_shown_depends_on_who_looks(
    monkeypatch: pytest.MonkeyPatch, terminal: bool, term: str, as_json: bool, kind: type[object]
) -> None:
    screen = Screen(terminal=terminal)
    monkeypatch.setattr("sys.stderr", screen)
    environ = {"TERM": term, "COLUMNS": "60"}
    with telling(environ, Watch(), as_json=as_json) as progress:
        assert isinstance(progress, kind)
        work(progress)
    told = screen.told()
    assert ("Offloading [Wide]" in told) is (kind is not Quiet)
    assert ("[bold]a note\\x1b[31m" in told) is (kind is not Quiet)
    assert "\x1b[31m" not in told


def test_a_log_that_is_gone_does_not_stop_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen(terminal=False)
    monkeypatch.setattr("sys.stderr", screen)
    with telling({}, Watch(), as_json=False) as progress:
        screen.close()
        work(progress)


def test_a_stage_without_bytes_is_counted_in_files(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    watch = Watch()
    lines = PlainLines(told.append, watch)
    lines.begin("Making posters", total_bytes=0, total_files=3)
    watch.now += 20
    lines.advance(0, files=2)
    assert told == ["Making posters: 3 files\n", "Making posters: 2 of 3 files\n"]
    screen = Screen(terminal=True)
    monkeypatch.setattr("sys.stderr", screen)
    with telling({"TERM": "xterm", "COLUMNS": "60"}, watch, as_json=False) as progress:
        progress.begin("Making posters", total_bytes=0, total_files=2)
        progress.advance(0, files=1)
    shown = screen.told()
    assert "1 of 2 files" in shown
    assert "bytes" not in shown
    assert "■" in shown  # half of the bar
    assert "□" in shown.rpartition("1 of 2 files")[0].rpartition("Making posters")[2]
