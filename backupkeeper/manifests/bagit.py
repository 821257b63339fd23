"""The rules that writer and reader of a bag share (RFC 8493, "BagIt"; STANDARDS section 2).

Promises:
1. Pure. Paths are relative to the bag's base folder, PEP 383 text, with ``/``.
2. In manifests only CR, LF and ``%`` are percent-encoded (RFC 8493 section 2.1.3), nothing else.
"""

import re
from typing import Final

DECLARATION: Final = "bagit.txt"
INFO: Final = "bag-info.txt"
FETCH: Final = "fetch.txt"
PAYLOAD: Final = "data"
DIGITS: Final = {"md5": 32, "sha1": 40, "sha224": 56, "sha256": 64, "sha384": 96, "sha512": 128}
"""The algorithms that are known here, with the hex digits of their digests."""
MANIFEST_NAME: Final = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt")
_ENCODED: Final = re.compile(r"%(0[Dd]|0[Aa]|25)")


def encoded(path: str) -> str:
    """A path as a manifest names it."""
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def decoded(text: str) -> str:
    """The path that a manifest's text names."""
    return _ENCODED.sub(lambda found: chr(int(found[1], 16)), text)
