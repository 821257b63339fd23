"""The file through which a browser is led to the live page: what the browser is started with names no token.

A process's arguments can be read by everybody on the machine; a file of one's own can't.

Promises:
1. The file is for its owner alone from its first moment on, whatever the umask.
2. It is there only while the page is served: what a daemon that died left is replaced or removed.
"""

import html
import os
from contextlib import suppress
from typing import Final

_NAME: Final = "page.html"
_FLAGS: Final = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
_PAGE: Final = (
    '<!DOCTYPE html>\n<html lang="en">\n<meta charset="utf-8">\n'
    '<meta name="referrer" content="no-referrer">\n'
    '<meta http-equiv="refresh" content="0; url={address}">\n'
    "<title>backupkeeper</title>\n"
    '<p><a href="{address}">To the live page</a></p>\n</html>\n'
)


class PageDoor:
    """One such file.

    Args:
        folder: where it lies: for the owner alone.
    """

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._is_open = False

    @property
    def path(self) -> str:
        """What to hand to a browser; '': there is no such file now."""
        return f"{self._folder}/{_NAME}" if self._is_open else ""

    def open(self, address: str) -> None:
        """Lead to this address; where the file can't be written, there is none."""
        self.close()
        page = _PAGE.format(address=html.escape(address)).encode("ascii")
        with suppress(OSError):
            os.makedirs(self._folder, mode=0o700, exist_ok=True)
            with open(os.open(f"{self._folder}/{_NAME}", _FLAGS, 0o600), "wb") as file:
                file.write(page)
            self._is_open = True

    def close(self) -> None:
        """Lead nowhere any more."""
        self._is_open = False
        with suppress(OSError):
            os.unlink(f"{self._folder}/{_NAME}")  # noqa: TID251 - our own file, no file of a person
