"""Having the person's own browser show a file."""

import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

from backupkeeper.core.environ import without_keys
from backupkeeper.core.errors import OutOfReachError

PROGRAM: Final = "open" if sys.platform == "darwin" else "xdg-open"
ENDS_WITHIN_S: Final = 5.0
_BY_HAND: Final = "Paste what this prints into a browser: backupkeeper page"


def show(path: str, environ: Mapping[str, str]) -> None:
    """Have it shown. Everybody on the machine can read ``path``: it must tell nothing.

    Args:
        path: absolute.
        environ: the program's, from which a bucket's keys are taken out.

    Raises:
        OutOfReachError: there is no program for that, or it failed within five seconds.
    """
    try:
        process = subprocess.Popen(  # noqa: S603 - the desktop's own way to show a file
            [PROGRAM, path],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=without_keys(environ),
            start_new_session=True,  # a browser that it begins outlives the terminal
        )
    except OSError as error:
        raise OutOfReachError(
            f"{PROGRAM}, which would show it, could not be run ({error.strerror}).", advice=_BY_HAND
        ) from error
    with suppress(subprocess.TimeoutExpired):  # some stay for as long as the browser does
        if code := process.wait(ENDS_WITHIN_S):
            raise OutOfReachError(f"{PROGRAM} ended with {code}.", advice=_BY_HAND)
