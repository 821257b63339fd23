r"""Paths to object keys and back: pure.

Promises:
1. Two different paths never get one key, and a key of ours gives its very path back. Nothing is
   normalised: NFC and NFD, upper and lower case stay apart.
2. A key is clean UTF-8 that every listing in XML can carry: control characters, bytes that are
   not UTF-8, ``%``, ``\`` and the dot at the end of a part are written ``%XX`` (STANDARDS section
   7.8 lists them as trouble); everything else stands as it is, so a key can be read by people.
3. A key with its prefix has at most 1,024 bytes (STANDARDS section 7.1).
"""

import errno
import re
from urllib.parse import unquote_to_bytes

from backupkeeper.core.errors import BrokenPromiseError, WriteError

KEY_BYTES = 1024
"""Most bytes of a key, prefix included."""

# What XML 1.0 can't carry (controls, surrogates, two non-characters), C1 controls, what marks an
# escape, what some clients turn into "/", and the last dot of a part ("." and ".." included).
_ESCAPED = re.compile(r"[\x00-\x1f\x7f-\x9f%\\\ud800-\udfff\ufffe\uffff]|\.(?=/|\Z)")


def _escape(match: re.Match[str]) -> str:
    return "".join(f"%{byte:02X}" for byte in match[0].encode("utf-8", "surrogateescape"))


def key_of(path: str) -> str:
    """The key, below the prefix, of a path.

    Args:
        path: Path below a place (PEP 383 text), ``/`` between its parts.

    Returns:
        UTF-8 text without surrogates.

    Raises:
        BrokenPromiseError: The path is empty, begins or ends with ``/``, has an empty part, or
            holds a surrogate that stands for no byte.
    """
    if not path or "" in path.split("/"):
        raise BrokenPromiseError(f"{path!r} is no path below a place.")
    try:
        text = path.encode("utf-8", "surrogateescape").decode("utf-8", "surrogateescape")
    except UnicodeEncodeError as error:
        raise BrokenPromiseError(f"{path!r} stands for no bytes.") from error
    return _ESCAPED.sub(_escape, text)


def path_of(key: str) -> str | None:
    """The path of a key, or None where no path has that key: the object isn't one of ours."""
    path = unquote_to_bytes(key.encode("utf-8", "replace")).decode("utf-8", "surrogateescape")
    if not path or "" in path.split("/") or key_of(path) != key:
        return None
    return path


def start_of_keys(below: str) -> str:
    """What the keys of all paths that start with ``below`` start with (may fit others too)."""
    text = below.encode("utf-8", "surrogateescape").decode("utf-8", "surrogateescape")
    # Whether a dot ends its part, or bytes make a character, is not known where the text stops.
    certain = re.sub(r"[.\udc80-\udcff]+\Z", "", text)
    return _ESCAPED.sub(_escape, certain + "\n").removesuffix("%0A")


def full_key(prefix: str, path: str) -> str:
    """The whole key of a path.

    Args:
        prefix: Prefix of the place, without ``/`` at its ends; may be empty.
        path: Path below the place.

    Returns:
        The key, prefix included.

    Raises:
        WriteError: The key would be longer than a store allows.
        BrokenPromiseError: See ``key_of``.
    """
    key = f"{prefix}/{key_of(path)}" if prefix else key_of(path)
    size = len(key.encode("utf-8"))
    if size > KEY_BYTES:
        raise WriteError(
            path,
            errno.ENAMETOOLONG,
            advice=f"Its name in the bucket would have {size} bytes; {KEY_BYTES} are allowed. "
            "A shorter prefix or folder layout makes room.",
        )
    return key
