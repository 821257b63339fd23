"""Hostile trees under strace: nothing outside of the folders that were named is opened or changed.

Parts of a card, of a delivery, of drives and of a restore's target are links to a folder elsewhere that is
made like them, and manifests name paths that lead there. Then commands are typed, each call on a file
that they make is looked at, and nothing elsewhere may have been opened, nor be other than it was.
"""

import os
import re
import shutil
import sys
import sysconfig
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import strategies as st

from tests.breaking.hostile import tried
from tests.breaking.moments import traced
from tests.breaking.test_hostile_beliefs import Ground, Hostile
from tests.stories.deliveries import CLIP
from tests.stories.typed import typed
from tests.stories.yard import SHOOT

ROLL: Final = f"{SHOOT}/Originals/Wide/Roll 01"
ON_DRIVES: Final = (
    *(".backupkeeper", ".backupkeeper/catalog", ".backupkeeper/place.json"),
    *(".backupkeeper/set-aside", SHOOT, f"{SHOOT}/Originals", f"{SHOOT}/Originals/Wide", ROLL),
    *(f"{ROLL}/DCIM", f"{ROLL}/{CLIP}", f"{ROLL}/EMPTY.DAT", f"{ROLL}/ascmhl"),
    *(f"{ROLL}/ascmhl/ascmhl_chain.xml", f"{ROLL}/ascmhl/*.mhl", "260613 Boatyard"),
)
SPOTS: Final = (
    *(f"{drive}/{spot}" for drive in ("Main", "Travel") for spot in ON_DRIVES),
    *(f"delivery/{spot}" for spot in ("ascmhl", "ascmhl/*.mhl", "DCIM", CLIP, "EMPTY.DAT")),
    *(f"bag/{spot}" for spot in ("bagit.txt", "data", f"data/{CLIP}", "manifest-sha512.txt")),
    *(f"card/{spot}" for spot in ("DCIM", CLIP, "EMPTY.DAT", "NEW.MP4")),
    *(f"to/{spot}" for spot in (SHOOT, ROLL, f"{ROLL}/DCIM", f"{ROLL}/{CLIP}")),
)
MANIFESTS: Final = ("Main", "Travel", "delivery", "bag")
COMMANDS: Final = (
    ("offload", "{root}/card", "--shoot", SHOOT, "--source", "Wide"),
    ("verify",),
    ("verify", ROLL),
    ("verify", "{root}/delivery"),
    ("may-wipe", "{root}/card"),
    ("mirror",),
    ("repair",),
    ("adopt", "Travel"),
    ("import", "{root}/delivery", "--shoot", "260613 Boatyard", "--source", "Drone"),
    ("import", "{root}/bag", "--shoot", "260613 Boatyard", "--source", "Close", "--as-it-is"),
    ("restore", SHOOT, "--to", "{root}/to", "--yes"),
    ("export", SHOOT, "--to", "{root}/to", "--format", "mhl"),
    ("compare", "{root}/Main", "{root}/delivery", "--read"),
    ("catalog", "merge", "{root}/Travel"),
    ("place", "set-aside"),
    ("rebuild", "--merge", "--from", "{root}/Main", "--from", "{root}/Travel", "--take-in"),
    ("report", "--html", "{root}/report.html"),
    ("status",),
)
Example = tuple[list[str], list[tuple[str, str]], list[Any]]
FOUND_ONCE: Final[tuple[Example, ...]] = (
    (["Main/.backupkeeper"], [], [("verify",), ("offload", *COMMANDS[0][1:])]),
    ([f"Main/{SHOOT}", f"Travel/{SHOOT}/Originals/Wide"], [], [("verify",)]),
)
"""What was opened elsewhere: a marker behind a link; a copy's place on the disk, and what lies beside it."""
CALLS: Final = "%file,openat,open,creat,fchmodat,ftruncate"
_OPENED: Final = re.compile(r"= \d+<(/[^>]*)>$")
_CHANGES: Final = re.compile(
    r"^\d+ +(?:rename|link|symlink|unlink|mkdir|rmdir|chmod|chown|utime|truncate|mknod|setxattr)"
)
_QUOTED: Final = re.compile(r'"((?:[^"\\]|\\.)*)"')
_WRITES: Final = re.compile(r"O_(?:WRONLY|RDWR|CREAT|TRUNC)")
OF_THE_SYSTEM: Final = tuple(
    f"{os.path.realpath(folder)}/"
    for folder in {
        *(sys.prefix, sys.base_prefix, *filter(None, sys.path), *sysconfig.get_paths().values()),
        *("/usr", "/lib", "/lib64", "/proc", "/sys", "/dev", "/etc", "/var/lib/smartmontools"),
        os.fspath(Path(__file__).parents[2]),
    }
    if os.path.isabs(folder)
)
"""What Python, its libraries and the system's are read from; nothing is written there."""
WRITTEN: Final = (
    "Main",
    "Travel",
    "to",
    "catalog.sqlite",
    "locks",
    "report.html",
    ".backupkeeper-",
)
"""What a command may change, below the yard: not the card, not what was delivered."""
MEASURED: Final = "/.coverage."
"""Which lines ran, where that is measured: each process writes its own file."""


def undone(text: str) -> str:
    return (
        text.encode("latin-1", "replace")
        .decode("unicode_escape")
        .encode("latin-1")
        .decode("utf-8", "surrogateescape")
    )


def whole_lines(log: str) -> Iterator[str]:
    """Calls of several threads, each in one line: strace breaks them off where they overlap."""
    begun: dict[str, str] = {}
    for line in log.splitlines():
        thread = line.partition(" ")[0]
        if line.endswith("<unfinished ...>"):
            begun[thread] = line.removesuffix("<unfinished ...>")
        elif "resumed>" in line and thread in begun:
            yield begun.pop(thread) + line.partition("resumed>")[2]
        else:
            yield line


def trespasses(log: str, root: Path) -> Iterator[str]:
    """Calls that opened, or changed, what was not theirs."""
    for line in whole_lines(log):
        opened = _OPENED.search(line)
        if "O_PATH" in line:
            continue  # reads nothing: which file system it is, is asked so
        if opened is not None:
            path = undone(opened[1]).removesuffix(" (deleted)")
            may = _may_open(line, path, root)
        elif _CHANGES.match(line) and line.rstrip().endswith("= 0"):
            may = all(_may_change(undone(one), root) for one in _QUOTED.findall(line))
        else:
            continue
        if not may and MEASURED not in line:
            yield line


def _may_open(line: str, path: str, root: Path) -> bool:
    writes = _WRITES.search(line) is not None
    if f"{path}/".startswith(f"{root}/"):
        return not writes or _may_change(path, root)
    if f"{path}/".startswith(OF_THE_SYSTEM):
        return not writes or path.startswith(("/dev/", "/proc/"))
    # Only the folders above, of which the yard is a part.
    return "O_DIRECTORY" in line and f"{root}/".startswith(f"{path}/".replace("//", "/"))


def _may_change(path: str, root: Path) -> bool:
    above, _, name = path.rpartition("/")
    path = f"{os.path.realpath(above or '/')}/{name}"
    return path.startswith(f"{root}/") and path.removeprefix(f"{root}/").startswith(WRITTEN)


def everything(folder: Path) -> dict[str, tuple[object, ...]]:
    """Each entry's kind, size, times and bytes."""
    found: dict[str, tuple[object, ...]] = {}
    for path in sorted(folder.rglob("*")):
        at = path.lstat()
        data = path.read_bytes() if path.is_file() and not path.is_symlink() else b""
        found[str(path)] = (at.st_mode, at.st_size, at.st_mtime_ns, at.st_ino, at.st_nlink, data)
    return found


def placed(root: Path, elsewhere: Path, spots: list[str]) -> None:
    """Links in the place of what was there."""
    for spot in spots:
        above, _, name = spot.rpartition("/")
        for path in [root / spot] if "*" not in name else list((root / above).glob(name)):
            target = elsewhere / path.relative_to(root)
            if not _is_inside(path.parent, root):
                continue  # that folder is a link already
            path.parent.mkdir(parents=True, exist_ok=True)
            with suppress(FileNotFoundError):
                shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
            path.symlink_to(target)


def _is_inside(folder: Path, root: Path) -> bool:
    return f"{os.path.realpath(folder)}/".startswith(f"{root}/")


def lead_out(ground: Ground, where: str, how: str, elsewhere: Path) -> None:
    """Every path of the manifests there leads elsewhere; their chain fits."""
    root = ground.root / where
    for path in [*root.rglob("*.mhl"), *root.glob("manifest-*.txt")]:
        if path.is_symlink() or not _is_inside(path.parent, ground.root):
            continue
        up = {"up": "../" * 12 + str(elsewhere)[1:], "whole": str(elsewhere)}[how]
        data = path.read_text().replace("DCIM/", f"{up}/card/DCIM/").replace("data/", f"{up}/")
        relative = str(path.relative_to(ground.root))
        ground.change(Hostile(path=relative, data=data.encode(), is_named=True))


class Elsewhere(Ground):
    """With a whole copy of the yard elsewhere, that links lead to."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.elsewhere = folder / "elsewhere"
        shutil.copytree(self.root, self.elsewhere)
        for spot in (*SPOTS, "card/NEW.MP4"):
            path = self.elsewhere / spot
            if "*" not in spot and not path.exists():
                path.mkdir(parents=True)
        self.as_it_was = everything(self.elsewhere)


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.real("strace")
def test_nothing_elsewhere_is_opened_or_changed(tmp_path: Path) -> None:
    ground = Elsewhere(tmp_path)
    log = tmp_path / "log"

    def check(example: Example) -> None:
        spots, manifests, commands = example
        yard = ground.put_back()
        (ground.root / "to").mkdir()
        placed(ground.root, ground.elsewhere, spots)
        for where, how in manifests:
            lead_out(ground, where, how, ground.elsewhere)

        def do() -> None:
            for command in commands:
                typed(yard, *ground.words(command))

        status = traced(do, log, ["-y", "-s", "8192", "-e", f"trace={CALLS}"])
        assert status == 0, log.with_suffix(".error").read_text()
        text = log.read_text("latin-1")
        assert "openat" in text
        assert list(trespasses(text, ground.root)) == []
        assert everything(ground.elsewhere) == ground.as_it_was

    for one in FOUND_ONCE:
        check(one)
    examples = st.tuples(
        st.lists(st.sampled_from(SPOTS), min_size=1, max_size=5, unique=True),
        st.lists(
            st.tuples(st.sampled_from(MANIFESTS), st.sampled_from(("up", "whole"))), max_size=2
        ),
        st.lists(st.sampled_from(COMMANDS), min_size=3, max_size=7, unique=True),
    )
    tried(
        "hostile trees",
        examples,
        check,
        few=2,
        share=0.02,
        again="nothing_elsewhere",
        shrinks=False,
    )


@pytest.mark.slow
@pytest.mark.real("strace")
def test_who_looks_elsewhere_is_caught(tmp_path: Path) -> None:
    """The test above can fail: each of these is a trespass."""
    root, elsewhere = tmp_path / "yard", tmp_path / "elsewhere"
    (root / "card").mkdir(parents=True)
    elsewhere.mkdir()
    (elsewhere / "secret").write_text("x")
    (root / "card/link").symlink_to(elsewhere / "secret")
    (root / "card/file").write_text("x")
    for deed in (
        (root / "card/link").read_bytes,
        lambda: list(elsewhere.iterdir()),
        (elsewhere / "new").mkdir,
        lambda: os.utime(root / "card/file"),
        (root / "card/new").touch,
        lambda: os.rename(root / "card/file", elsewhere / "file"),
    ):
        log = tmp_path / "log"

        def do(deed: Callable[[], object] = deed) -> None:
            deed()

        assert traced(do, log, ["-y", "-e", f"trace={CALLS}"]) == 0
        assert list(trespasses(log.read_text("latin-1"), root))
