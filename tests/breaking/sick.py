"""Commands as a person types them, while a system call fails: what they say, and what is held of them."""

import errno
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, cast

from backupkeeper.cli.main import main
from backupkeeper.cli.session import Session
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import BackupkeeperError, BrokenPromiseError
from backupkeeper.ports.files import Files
from backupkeeper.ports.progress import Quiet
from backupkeeper.system.files import RealFiles
from backupkeeper.wiring import Keeper
from tests.breaking.moments import (
    ON_HANDLES,
    READS,
    Moment,
    at_moment,
    injected_on,
    moments_of,
    traced,
)
from tests.breaking.scene import BUCKET, DRIVES, HOUR, Scene
from tests.stories.yard import SHOOT

WORDS: Final = {
    "offload": ("offload", "{card}", "--shoot", SHOOT, "--source", "Wide"),
    "mirror": ("mirror",),
    "verify": ("verify",),
    "upload": ("upload",),
    "repair": ("repair",),
}
"""What is typed."""
UNWRITTEN: Final = "was not written"
"""What is said of a manifest that a drive lacks; the next verify writes it."""
ERRANDS: Final = {"mirror": "mirror", "upload": "upload", "prove": "verify", "repair": "repair"}
"""Deeds of the daemon, and in which scene."""
WELL, ATTENTION, NOT_FINISHED = 0, 1, 3
NAMING: Final = ("rename", "link", "unlink", "mkdir", "rmdir")


def troubles_of(call: str) -> tuple[str, ...]:
    """What a device that is sick answers to such a call."""
    if call in READS:
        return ("EIO",)
    if call in {"fsync", "fdatasync", "syncfs"}:
        return ("EIO", "ENOSPC")
    if call == "openat":
        return ("EIO", "EROFS", "ENOSPC", "EMFILE")
    if call in ON_HANDLES or call.startswith(NAMING):
        return ("EIO", "ENOSPC", "EROFS")
    return ("EIO",)


@dataclass(frozen=True)
class Sickness:
    """From a moment on, or only then, a kind of call fails on a path."""

    moment: Moment
    error: str
    lasts: bool

    def __str__(self) -> str:
        return f"{self.moment}: {self.error}{', and ever after' if self.lasts else ''}"


@dataclass(frozen=True)
class Came:
    """How a command ended, and what it said, in one line. ``path``: on what a call failed; None: on nothing."""

    code: int
    said: str
    path: str | None


@dataclass
class Typed:
    """A command of a scene's program, typed in a process of its own.

    Args:
        scene: whose.
        words: what is typed.
        first: run in that process first.
        files: makes its system calls on files.
    """

    scene: Scene
    words: tuple[str, ...]
    first: Callable[[], None] = field(default=lambda: None)
    files: Callable[[], RealFiles] = RealFiles
    said: Path = field(init=False)

    def __post_init__(self) -> None:
        self.said = self.scene.root.with_name("said")

    def __call__(self) -> int:
        """Do it here, and leave what is said in a file; its exit code."""
        handle = os.open(self.said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        for stream in (1, 2):
            os.dup2(handle, stream)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        self.first()
        code = self.work()
        sys.stdout.flush()
        sys.stderr.flush()
        return code

    def work(self) -> int:
        """Type it; its exit code."""
        words = [word.replace("{card}", str(self.scene.card)) for word in self.words]
        session = Session(
            open_keeper=lambda _config, _environ: self.scene.program.opened(
                cast("Files", self.files())
            ),
            run_daemon=lambda _config, _environ: NOT_FINISHED,
            environ={"HOME": str(self.scene.root)},
        )
        code: Any = main.main(words, standalone_mode=False, obj=session)
        return int(code)

    def moments(self, log: Path) -> list[Moment]:
        """Do it untouched; every call on a file of the scene, reads too."""
        found = moments_of(self, self.scene.root, log, reads=True)
        self.scene.program.yard.clock.at += HOUR
        return [one for one in found if one.path and not one.path.endswith(".toml")]

    def done(
        self,
        log: Path,
        options: list[str] | None = None,
        meanwhile: Callable[[int], None] | None = None,
    ) -> Came:
        """Do it from where things stand, under strace.

        Args:
            log: where strace writes.
            options: of strace.
            meanwhile: told the process id once it is at work.
        """
        code = traced(self, log, ["-y", *(options or ["-e", "trace=none"])], meanwhile)
        self.scene.program.yard.clock.at += HOUR
        said = " ".join(self.said.read_text(errors="replace").split())
        return Came(code, said, injected_on(log))

    def fallen_ill(self, sickness: Sickness, log: Path) -> Came:
        """Do it from the beginning while a call fails."""
        came = Came(NOT_FINISHED, "", None)
        for by_path in (True, False):
            self.scene.put_back()
            options = at_moment(
                sickness.moment,
                f"error={sickness.error}",
                by_path=by_path,
                on_and_on=sickness.lasts and by_path,
            )
            came = self.done(log, options)
            if came.path is not None:
                break
        return came


@dataclass
class Errand(Typed):
    """The same as the daemon has it done: one deed, about one roll. ``words`` is its kind alone."""

    def work(self) -> int:
        """Do it; 0, or 1 with troubles, or 3 with an error of ours. Any other error is a bug."""
        try:
            with self.scene.program.opened(cast("Files", self.files())) as keeper:
                came = keeper.do(self._deed(keeper), Quiet())
        except BrokenPromiseError:
            raise
        except BackupkeeperError as error:
            sys.stdout.write(str(error))
            return NOT_FINISHED
        told = [" ".join(trouble) for trouble in came.troubles]
        sys.stdout.write("\n".join([came.said, *told]))
        # What nothing came of, the daemon counts as failed.
        is_well = came.files and not told and UNWRITTEN not in came.said
        return WELL if is_well else ATTENTION

    def _deed(self, keeper: Keeper) -> Deed:
        catalog = keeper.context.catalog
        places = {place.name: place.id for place in catalog.places()}
        (head,) = catalog.rolls()
        kind, main, travel = DeedKind(self.words[0]), places["Main"], places["Travel"]
        place, source = {
            DeedKind.MIRROR: (travel, main),
            DeedKind.UPLOAD: (places.get(BUCKET), main),
        }.get(kind, (main, None))
        return Deed(
            kind=kind,
            why="It is to be tried.",
            place=place,
            source=source,
            sources=(travel,) if kind is DeedKind.REPAIR else (),
            roll=head.id,
            folder=head.folder,
            before=keeper.context.clock.now(),
        )


def check_told(came: Came) -> None:
    """A documented exit code, and no traceback."""
    assert came.code in {WELL, ATTENTION, NOT_FINISHED}, came.said
    for sign in ("Traceback", "should not happen", "unforeseen", "pipeline failed"):
        assert sign not in came.said, came.said


def check_words(came: Came, sickness: Sickness, scene: Scene) -> None:
    """Told as it must be, and what is sick is named where anything fell short."""
    check_told(came)
    if came.code != WELL:
        names = {
            *names_of(came.path or sickness.moment.path, scene),
            os.strerror(getattr(errno, sickness.error)),
        }
        assert any(name in came.said for name in names), came.said


def names_of(path: str, scene: Scene) -> set[str]:
    """What a person would know the device of a path by."""
    inner = os.path.relpath(path, scene.root)
    top = inner.split("/")[0]
    if top in {*DRIVES, BUCKET}:
        return {top}
    return {"card", str(scene.card)} if top == "card" else {"catalog"}
