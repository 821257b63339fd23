"""Strategies for the names that a Linux file system can give: any bytes but ``/`` and NUL."""

from hypothesis import strategies as st

_PLAIN = st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1, max_size=12)
_BYTES = st.binary(min_size=1, max_size=8).map(
    lambda raw: raw.replace(b"/", b"").replace(b"\0", b"").decode("utf-8", "surrogateescape")
)
_AWKWARD = st.sampled_from(
    [
        *(" ", " lead", "trail ", "a\rb", "a\nb", "a\tb", "]]>", "&amp;", "C:x", "..\\x", "a\\b"),
        *("\x01", "\ufffe", "\x85", "\u2028", "-", "#x", "!x", "*", "%41", "ascmhl", ".DS_Store"),
        *("é", "e\u0301"),
    ]
)
NAMES = st.one_of(_PLAIN, _BYTES, _AWKWARD).filter(lambda name: name not in {"", ".", ".."})
PATHS = st.lists(NAMES, min_size=1, max_size=4).map("/".join)
