"""Posters, kept in a folder beside the catalog: one small file for each content.

Nothing hangs on them: the folder may be deleted at any time, and ``backupkeeper posters`` makes them
again from the copies that are here.

Promises:
1. A poster gets its name only once all of it is written; one that is broken all the same is none.
2. Folder and files are their owner's alone, as the catalog is: pictures tell more than names.
3. Whatever lies there is believed only as far as ``core.posters.decode_poster`` goes.
"""

import os
from contextlib import suppress
from typing import Final

from backupkeeper.core.errors import WriteError
from backupkeeper.core.model import Blake3
from backupkeeper.core.posters import MOST_JPEG_BYTES, Poster, decode_poster, encode_poster
from backupkeeper.ports.files import Files, Handle

MOST_BYTES: Final = 2 * MOST_JPEG_BYTES
"""Of one file."""
_DIGITS: Final = frozenset("0123456789abcdef")
_LENGTH: Final = 64
_FLAGS: Final = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK


def posters_folder(catalog_path: str) -> str:
    """Where the posters of a catalog are."""
    return f"{catalog_path}.posters"


class PosterShelf:
    """The posters of one catalog.

    Args:
        files: gives a written file its name.
        catalog_path: the catalog's own file.
    """

    def __init__(self, files: Files, catalog_path: str) -> None:
        self._files = files
        self._folder = posters_folder(catalog_path)

    def get(self, content: Blake3) -> Poster | None:
        """The poster of a content; None where there is none that can be used."""
        if not _is_name(content):
            return None
        try:
            handle = os.open(self._path(content), os.O_RDONLY | _FLAGS)
        except OSError:
            return None
        try:
            text = os.read(handle, MOST_BYTES + 1)
        except OSError:
            return None
        finally:
            os.close(handle)
        return decode_poster(text, content) if len(text) <= MOST_BYTES else None

    def put(self, poster: Poster) -> None:
        """Keep a poster, in place of one that may be there.

        Raises:
            WriteError: it could not be written.
        """
        path = self._path(Blake3(poster.content))
        temp = f"{path}.{os.getpid()}.part"
        try:
            os.makedirs(self._folder, mode=0o700, exist_ok=True)
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
            self._write(temp, encode_poster(poster))
            self._files.rename_over(temp, path)
        except OSError as error:
            with suppress(OSError):
                self._files.unlink(temp)
            raise WriteError(path, error.errno or 0) from error

    def _write(self, path: str, data: bytes) -> None:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | _FLAGS, 0o600)
        try:
            left = memoryview(data)
            while left:
                left = left[os.write(handle, left) :]
            self._files.sync(Handle(handle))
        finally:
            os.close(handle)

    def _path(self, content: Blake3) -> str:
        return f"{self._folder}/{content[:2]}/{content}.json"


def _is_name(content: str) -> bool:
    return len(content) == _LENGTH and set(content) <= _DIGITS
