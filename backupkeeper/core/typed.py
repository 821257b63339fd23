r"""Words of a command that is shown to be typed: a shell turns each back into its very bytes. Pure.

Names come from cards, markers and other machines' catalogs, so one may hold what a shell obeys.

Promises:
1. ``typed(word)`` is one word for bash, zsh and ksh, and that word; nothing in it is obeyed.
2. It can be shown on any terminal or page as it is: what nobody sees, or what gets lost, stands in
   ``$'...'`` as the bytes that it is, by number.
"""

import re
import unicodedata
from typing import Final

HIDDEN: Final = frozenset(["Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp", "Zs"])
"""General categories that a terminal obeys, or that nobody sees (Unicode Standard, table 4-4)."""
FILLERS: Final = frozenset("\u115f\u1160\u3164\uffa0\u2800")
"""Letters by category, blanks to the eye."""
LOST_BLANK: Final = re.compile(r"^ | $|(?<= ) ")
"""Blanks that get lost to the eye, or on a page."""
_PLAIN: Final = frozenset("-_./:")


def is_hidden(character: str) -> bool:
    """Whether a character must not be shown as it is. The blank may."""
    if character == " ":
        return False
    return unicodedata.category(character) in HIDDEN or character in FILLERS


def typed(word: str) -> str:
    r"""A word as one types it into a shell.

    Args:
        word: text with PEP 383 surrogates for bytes that are not UTF-8.
    """
    if word and all(one.isalnum() or one in _PLAIN for one in word) and not _is_odd(word):
        return word
    if not _is_odd(word):
        return "'" + word.replace("'", "'\\''") + "'"
    lost = {found.start() for found in LOST_BLANK.finditer(word)}
    return "$'" + "".join(_escaped(one, is_lost=at in lost) for at, one in enumerate(word)) + "'"


def _is_odd(word: str) -> bool:
    return any(map(is_hidden, word)) or LOST_BLANK.search(word) is not None


def _escaped(character: str, *, is_lost: bool) -> str:
    if is_lost or is_hidden(character):
        how = "surrogateescape" if "\udc80" <= character <= "\udcff" else "surrogatepass"
        return "".join(f"\\x{byte:02x}" for byte in character.encode("utf-8", how))
    return f"\\{character}" if character in "\\'" else character
