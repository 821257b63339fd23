"""The demo's folder: made, replaced only where the demo made it, and spoiled by one byte.

Promises:
1. A folder that the demo did not make is refused and stays as it is, unless it is empty.
2. ``spoil`` changes one byte and leaves size and times as they were: what rot looks like.
"""

import os
import shutil  # noqa: TID251 - removes the demo's own former world, no footage
from dataclasses import dataclass

from backupkeeper.core.errors import UsageError, WriteError

_MARK = "made-by-backupkeeper-demo.txt"
_MARK_TEXT = (
    "Everything in this folder was made up by 'backupkeeper demo'.\n"
    "The next demo removes it and makes it anew. Keep nothing here.\n"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Stage:
    """Where everything lies. All paths are absolute."""

    root: str

    @property
    def cards(self) -> str:
        """Folder with one folder per card."""
        return os.path.join(self.root, "cards")

    @property
    def main_drive(self) -> str:
        """The made-up main drive."""
        return os.path.join(self.root, "drives", "main")

    @property
    def second_drive(self) -> str:
        """The made-up second drive."""
        return os.path.join(self.root, "drives", "second")

    @property
    def config(self) -> str:
        """The demo's configuration."""
        return os.path.join(self.root, "config.toml")

    @property
    def catalog(self) -> str:
        """The catalog of facts."""
        return os.path.join(self.root, "catalog.sqlite")

    @property
    def home(self) -> str:
        """What the commands take for a home folder: the person's own is never looked at."""
        return os.path.join(self.root, "home")

    def card(self, source: str) -> str:
        """Folder of the card that belongs to ``source``."""
        return os.path.join(self.cards, source)


def set_up(directory: str) -> Stage:
    """Make the demo's folder, in place of one that a former demo made.

    Args:
        directory: Where; a folder that is not there yet, is empty, or was made by a demo.

    Returns:
        The stage, with empty folders for the cards and the drives.

    Raises:
        UsageError: Something else stands there.
        WriteError: The folder can't be made.
    """
    root = os.path.abspath(directory)
    if not root.isprintable():
        # The configuration that goes into it is UTF-8 text and names it.
        raise UsageError(
            f"{root!a} has characters that the demo's configuration can't hold.",
            advice="Name another folder for the demo.",
        )
    try:
        if os.path.lexists(root):
            _make_way(root)
        stage = Stage(root=root)
        for folder in (stage.cards, stage.main_drive, stage.second_drive, stage.home):
            os.makedirs(folder)
        with open(os.path.join(root, _MARK), "x", encoding="utf-8") as file:
            file.write(_MARK_TEXT)
    except OSError as error:
        raise WriteError(root, error.errno or 0) from error
    return stage


def _make_way(root: str) -> None:
    if os.path.islink(root) or not os.path.isdir(root):
        raise UsageError(f"{root} is no folder.", advice="Name another folder for the demo.")
    if not os.listdir(root):
        return
    if not _is_ours(root):
        raise UsageError(
            f"{root} was not made by the demo; it was left as it is.",
            advice="Name another folder for the demo.",
        )
    shutil.rmtree(root)


def _is_ours(root: str) -> bool:
    mark = os.path.join(root, _MARK)
    if os.path.islink(mark) or not os.path.isfile(mark):
        return False
    with open(mark, "rb") as file:
        return file.read(len(_MARK_TEXT) + 1) == _MARK_TEXT.encode()


def spoil(path: str, at: int) -> None:
    """Flip one bit of one byte, keeping the file's size and times.

    Args:
        path: The file.
        at: Which byte, counted from 0.

    Raises:
        WriteError: The byte can't be changed.
    """
    try:
        before = os.stat(path)
        with open(path, "r+b") as file:
            file.seek(at)
            byte = file.read(1)
            file.seek(at)
            file.write(bytes([byte[0] ^ 0x01]))
            file.flush()
            os.fsync(file.fileno())
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    except OSError as error:
        raise WriteError(path, error.errno or 0) from error
