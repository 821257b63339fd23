"""What things are called: rolls by content, shoots and rolls by folder, and what names fit where.

Promises:
1. Pure: BLAKE3 is a function of its bytes; nothing here looks at a file system or a clock.
2. ``roll_id`` is the same wherever and in whatever order the same files are named, and differs as
   soon as a path or a content differs: every path is preceded by its length.
3. A checked name stays one folder, below the place, on every file system that we write to.
"""

import re
import string
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from blake3 import blake3

from backupkeeper.core.errors import BrokenPromiseError, ListingError, UsageError
from backupkeeper.core.model import Blake3, RollId

LONGEST_NAME: Final = 255
"""Bytes on ext4 and XFS, UTF-16 units on exFAT and FAT32 (STANDARDS section 8.4)."""
LONGEST_PLACE_NAME: Final = 100
"""Characters; our own choice, so that a report's column holds it."""
FORBIDDEN: Final = frozenset('"*/:<>?\\|') | frozenset(map(chr, range(0x20)))
"""Characters that exFAT and FAT32 keep for themselves (STANDARDS section 8.4)."""
DEVICE_NAMES: Final = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))]
)
"""Names that one system takes for devices, with any extension (STANDARDS section 8.4)."""
RESERVED: Final = frozenset(["ascmhl"])
"""Names in a roll's folder that are ours: the manifest's folder (ASC MHL 2.0)."""
TEMPLATE_FIELDS: Final = ("shoot", "source", "roll")

_ROLL_TAG: Final = b"backupkeeper roll 1\n"
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_SHOOT: Final = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2}) (.+)", re.DOTALL)
_ROLL_NAME: Final = re.compile(r"roll ([0-9]{1,9})", re.IGNORECASE)


def path_bytes(path: str) -> bytes:
    """The bytes that a path stands for (PEP 383), without asking the system for its encoding.

    Raises:
        ListingError: the text stands for no bytes: no bytes are decoded to it.
    """
    try:
        plain = path.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        plain = b""
    # Surrogates that together are UTF-8 would name the same file as the character they spell.
    if plain.decode("utf-8", "surrogateescape") != path:
        raise ListingError(f"{path!a} is no path: it stands for no bytes.")
    return plain


def roll_id(files: Iterable[tuple[str, Blake3]]) -> RollId:
    """What a roll is called: BLAKE3 over its sorted list of path and content.

    Hashed are the tag ``backupkeeper roll 1`` and a newline, then for each file, sorted by the
    bytes of its path: the path's length in bytes (8 bytes, little-endian), the path's bytes, and
    the 32 raw bytes of its content's BLAKE3.

    Args:
        files: path below the roll's folder and content, each path once.

    Raises:
        BrokenPromiseError: a path comes twice, or a digest is none.
    """
    known: dict[bytes, Blake3] = {}
    for path, content in files:
        key = path_bytes(path)
        if key in known:
            raise BrokenPromiseError(f"A roll was given {path!a} twice.")
        if not _DIGEST.fullmatch(content):
            raise BrokenPromiseError(f"A roll was given {path!a} without a BLAKE3 digest.")
        known[key] = content
    state = blake3(_ROLL_TAG)
    for key in sorted(known):
        state.update(len(key).to_bytes(8, "little") + key + bytes.fromhex(known[key]))
    return RollId(state.hexdigest())


def validate_part(text: str, what: str = "name") -> str:
    """Check a source's or roll's name, which becomes one folder everywhere; return its NFC form.

    Raises:
        UsageError: it can't be one folder's name on every file system that we write to.
    """
    fault = _fault_of_part(name := unicodedata.normalize("NFC", text))
    if fault:
        raise UsageError(f"The {what} {text!a} can't be used: it {fault}.")
    return name


def _fault_of_part(name: str) -> str | None:
    if not name or _unprintable(name):
        return "is empty or holds a character that can't be shown"
    if taken := sorted(FORBIDDEN.intersection(name)):
        return f"holds {' '.join(taken)}, which some file systems keep for themselves"
    if name.startswith((".", " ")) or name.endswith((".", " ")):
        return "begins or ends with a dot or a space"
    if len(name.encode()) > LONGEST_NAME:
        return f"is longer than {LONGEST_NAME} bytes"
    if name.casefold() in RESERVED or name.partition(".")[0].rstrip().casefold() in DEVICE_NAMES:
        return "is a name that this program or an operating system keeps for itself"
    return None


def _unprintable(name: str) -> bool:
    # Cc control, Cf invisible and direction changing, Cs undecodable, Cn not assigned, Zl/Zp breaks
    return any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Cn", "Zl", "Zp"} for c in name)


def validate_shoot(name: str) -> str:
    """Check a shoot's name: ``YYMMDD Name``, a real date of this century; return its NFC form.

    The date stands year first so that folders sort by date: common practice, no source.

    Raises:
        UsageError: it is none.
    """
    checked = validate_part(name, "shoot")
    match = _SHOOT.fullmatch(checked)
    if match is None:
        raise UsageError(
            f"The shoot {name!a} can't be used: it must be a date and a name.",
            advice='For example "260612 Boatyard": year, month, day, space, name.',
        )
    year, month, day = (int(match[part]) for part in (1, 2, 3))
    try:
        date(2000 + year, month, day)
    except ValueError:
        raise UsageError(
            f"The shoot {name!a} can't be used: {checked[:6]} is no date.",
            advice="Write the year first: 260612 is 12 June 2026.",
        ) from None
    return checked


def validate_place_name(name: str) -> str:
    """Check what a person calls a place; return its NFC form.

    Raises:
        UsageError: empty, too long, or holding what can't be shown.
    """
    checked = unicodedata.normalize("NFC", name)
    if not checked.strip() or checked != checked.strip():
        raise UsageError(f"The place's name {name!a} is empty or has spaces around it.")
    if len(checked) > LONGEST_PLACE_NAME:
        raise UsageError(f"A place's name may have {LONGEST_PLACE_NAME} characters at the most.")
    if _unprintable(checked):
        raise UsageError(f"The place's name {name!a} holds a character that can't be shown.")
    return checked


def validate_template(template: str) -> str:
    """Check the folder layout: ``shoot``, ``source`` and ``roll`` in braces, each once.

    No folder of it holds two of them: ``{shoot}{source}`` could mean two things.

    Raises:
        UsageError: the template can't be used.
    """
    try:
        fields = [_fields_of(part) for part in template.split("/")]
    except ValueError as error:
        raise UsageError(f"The folder layout {template!a} can't be used: {error}.") from None
    named = [field for part in fields for field in part]
    if sorted(named) != sorted(TEMPLATE_FIELDS) or any(len(part) > 1 for part in fields):
        raise UsageError(
            f"The folder layout {template!a} can't be used.",
            advice="It must hold {shoot}, {source} and {roll}, each once and in a folder of its own.",
        )
    _filled(template, dict.fromkeys(TEMPLATE_FIELDS, "x"))
    return template


def _fields_of(part: str) -> list[str]:
    fields = []
    for _, field, spec, conversion in string.Formatter().parse(part):
        if spec or conversion:
            raise ValueError("a field is only its name in braces")
        if field is not None:
            fields.append(field)
    return fields


def _filled(template: str, values: Mapping[str, str]) -> str:
    parts = [validate_part(part.format_map(values), "folder") for part in template.split("/")]
    return "/".join(parts)


def roll_folder(template: str, shoot: str, source: str, roll: str) -> str:
    """The roll's folder, relative to the root of any place. Different rolls never share one.

    Raises:
        UsageError: the template or a name can't be used.
    """
    values = {
        "shoot": validate_shoot(shoot),
        "source": validate_part(source, "source"),
        "roll": validate_part(roll, "roll"),
    }
    return _filled(validate_template(template), values)


def parse_roll_folder(template: str, path: str) -> tuple[str, str, str] | None:
    """Shoot, source and roll of a roll's folder: the inverse of ``roll_folder``.

    None for every path that ``roll_folder`` would not make with this template.
    """
    found = _fields_found(template, path)
    if found is None or len(found) < len(TEMPLATE_FIELDS):
        return None
    shoot, source, roll = (found[field] for field in TEMPLATE_FIELDS)
    try:
        made = roll_folder(template, shoot, source, roll)
    except UsageError:
        return None
    return (shoot, source, roll) if made == path else None


def may_lead_to_rolls(template: str, path: str) -> bool:
    """Whether a roll's folder may be this one, or lie below it (the root itself is ``""``)."""
    return not path or _fields_found(template, path) is not None


def _fields_found(template: str, path: str) -> dict[str, str] | None:
    """The fields that the folders of a path fill, from the top; None where one does not fit."""
    layout, parts = template.split("/"), path.split("/")
    if len(parts) > len(layout):
        return None
    found = {}
    for part, wanted in zip(parts, layout, strict=False):
        before, field, after = _around_field(wanted)
        if not field:
            if part != before:
                return None
            continue
        value = part.removeprefix(before).removesuffix(after)
        if part != f"{before}{value}{after}" or not _may_fill(field, value):
            return None
        found[field] = value
    return found


def _around_field(part: str) -> tuple[str, str, str]:
    """What stands before the one field of a folder, the field, and what stands after it."""
    before, field, after = "", "", ""
    for literal, name, _, _ in string.Formatter().parse(part):
        before, after = (before, after + literal) if field else (before + literal, after)
        field = field or name or ""
    return before, field, after


def _may_fill(field: str, value: str) -> bool:
    try:
        return value == (validate_shoot(value) if field == "shoot" else validate_part(value))
    except UsageError:
        return False


def next_roll_name(existing: Iterable[str]) -> str:
    """The next free ``Roll NN`` after all of those; gaps are never filled again."""
    numbers = [int(match[1]) for name in existing if (match := _ROLL_NAME.fullmatch(name))]
    return f"Roll {max(numbers, default=0) + 1:02d}"


@dataclass(frozen=True, kw_only=True, slots=True)
class FsLimits:
    """What a file system can hold as a name (STANDARDS sections 8.4 and 8.5).

    ``folds``: names that differ only in case, or in how accents are composed, are taken for one.
    exFAT itself keeps composed and decomposed names apart; systems that read the drive don't.
    """

    longest_bytes: int | None
    longest_utf16: int | None
    forbidden: frozenset[str]
    any_bytes: bool
    folds: bool
    no_trailing: str

    def holds(self, name: str) -> bool:
        """Whether this one name, by itself, can stand on the file system."""
        return self.long_enough(name) and not self.offending(name)

    def long_enough(self, name: str) -> bool:
        """Whether the file system has room for a name of this length."""
        fits_bytes = self.longest_bytes is None or len(path_bytes(name)) <= self.longest_bytes
        units = len(name.encode("utf-16-le", "surrogatepass")) // 2
        return fits_bytes and (self.longest_utf16 is None or units <= self.longest_utf16)

    def offending(self, name: str) -> frozenset[int]:
        """Positions of the characters that can't stand where they are."""
        if name.isascii() and self.forbidden.isdisjoint(name) and name[-1:] not in self.no_trailing:
            return frozenset()  # most names: no need to go through them
        last = len(name) - 1
        return frozenset(
            at
            for at, c in enumerate(name)
            if c in self.forbidden
            or (not self.any_bytes and "\udc80" <= c <= "\udcff")
            or (at == last and c in self.no_trailing)
        )

    def key(self, name: str) -> str:
        """What the file system (or a system that reads it) takes for the same name."""
        if not self.folds:
            return name
        if name.isascii():
            return name.upper()
        # exFAT folds by a table of single characters; folding more than it only adds a suffix.
        return "".join(up if len(up := c.upper()) == 1 else c for c in _composed(name))


def _composed(name: str) -> str:
    return unicodedata.normalize("NFC", name)


POSIX: Final = FsLimits(
    longest_bytes=LONGEST_NAME,
    longest_utf16=None,
    forbidden=frozenset("/\0"),
    any_bytes=True,
    folds=False,
    no_trailing="",
)
"""ext4, XFS and their like: 255 bytes, anything but ``/`` and NUL."""
EXFAT: Final = FsLimits(
    longest_bytes=None,
    longest_utf16=LONGEST_NAME,
    forbidden=FORBIDDEN,
    any_bytes=False,
    folds=True,
    no_trailing=". ",
)
"""exFAT, FAT32 and NTFS, in the kernel or through FUSE."""
STRICTEST: Final = FsLimits(
    longest_bytes=LONGEST_NAME,
    longest_utf16=LONGEST_NAME,
    forbidden=FORBIDDEN,
    any_bytes=False,
    folds=True,
    no_trailing=". ",
)
"""What nobody told us about: only what every file system can hold."""

_POSIX_TYPES: Final = frozenset(
    ["bcachefs", "btrfs", "ext2", "ext3", "ext4", "f2fs", "overlay", "ramfs", "tmpfs", "xfs", "zfs"]
)
_EXFAT_TYPES: Final = frozenset(["exfat", "fuse.exfat", "fuseblk", "ntfs3", "vfat"])


def limits_of(fs_type: str) -> FsLimits:
    """The limits of a file system by its type in the mount table.

    ``fuseblk`` is a FUSE file system on a block device: exFAT or NTFS as far as was seen
    (SEEN section 2). Any type that isn't known gets the strictest limits.
    """
    if fs_type in _POSIX_TYPES:
        return POSIX
    return EXFAT if fs_type in _EXFAT_TYPES else STRICTEST
