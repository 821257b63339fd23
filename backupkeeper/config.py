r"""The configuration: TOML text in, one frozen ``Config`` or every fault at once out.

Promises:
1. Pure: no file is read, no environment asked; the home folder is handed in.
2. Only ``ConfigError`` leaves ``parse_config``, whatever the text; it carries all faults, each with
   the key, the value that stands there and what would be right. A secret is never shown.
3. No text, and a text with only comments, give the defaults; ``config.example.toml`` names them all.
4. A key that means nothing here is a fault, never passed over: it may be a promise misspelt.

Example:
    parse_config('[policy]\nwipe_needs = ["primary", "secondary"]', "config.toml",
                 home="/home/me", state_home="/home/me/.local/state").policy.wipe_needs
"""

import difflib
import json
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from itertools import chain
from typing import Final, NoReturn, TypeVar

from backupkeeper.core.errors import ConfigError, ConfigFault, UsageError
from backupkeeper.core.model import Role
from backupkeeper.core.naming import validate_template
from backupkeeper.core.policy import Policy

_T = TypeVar("_T")
_E = TypeVar("_E", bound=StrEnum)

MOST_CHARACTERS: Final = 1024 * 1024
MOST_DAYS: Final = 3650
MOST_PARALLEL_PARTS: Final = 32
MOST_TEXT: Final = 1000
"""Characters in a text that goes into every manifest."""
_SHORT: Final = 80
_FEW: Final = 6
_TOML_BITS: Final = 64

_FIELDS: Final = ("shoot", "source", "roll")
_FIELD: Final = re.compile(r"\{(shoot|source|roll)\}")
_NOT_IN_A_NAME: Final = frozenset('<>:"|?*\\{}') | {chr(code) for code in (*range(32), 127)}
"""Braces left over, and what exFAT can't hold (its specification, section 7.7.3)."""
_OURS: Final = frozenset({".backupkeeper", "ascmhl"})
_NOT_IN_XML: Final = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Everything but ``Char`` of XML 1.0, section 2.2."""
_SECRET: Final = re.compile(
    r"pass(word|phrase|wd)?|secret|token|credential|access.?key", re.IGNORECASE
)
_WHERE: Final = re.compile(r"^(?P<what>.*) \(at (?P<where>line \d+, column \d+|end of document)\)$")
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")


class HashFormat(StrEnum):
    """Digests that a manifest can carry, by their ASC MHL element name."""

    XXH128 = "xxh128"
    MD5 = "md5"
    SHA1 = "sha1"
    XXH64 = "xxh64"
    XXH3 = "xxh3"
    C4 = "c4"


class Addressing(StrEnum):
    """How a bucket is named to its service: in the path, in the host name, or as boto3 chooses."""

    AUTO = "auto"
    PATH = "path"
    VIRTUAL = "virtual"


@dataclass(frozen=True, kw_only=True, slots=True)
class CatalogSettings:
    """``[catalog]``: ``path`` is absolute."""

    path: str


@dataclass(frozen=True, kw_only=True, slots=True)
class LayoutSettings:
    """``[layout]``: where a roll goes, below the root of any place.

    Each of ``{shoot}``, ``{source}`` and ``{roll}`` stands once, in a part of its own: so no two
    rolls share a folder and none lies in another.
    """

    roll: str = "{shoot}/Originals/{source}/{roll}"


@dataclass(frozen=True, kw_only=True, slots=True)
class ManifestSettings:
    """``[manifest]``: ``formats`` begins with ``xxh128``; empty texts are left out."""

    formats: tuple[HashFormat, ...] = (HashFormat.XXH128,)
    author: str = ""
    location: str = ""
    comment: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class UploadSettings:
    """``[upload]``."""

    addressing: Addressing = Addressing.AUTO
    parallel_parts: int = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class Config:
    """Everything that a person can set."""

    catalog: CatalogSettings
    policy: Policy
    layout: LayoutSettings
    manifest: ManifestSettings
    upload: UploadSettings


def parse_config(text: str, file: str, *, home: str, state_home: str) -> Config:
    """Read and check a whole configuration.

    Args:
        text: TOML 1.0.
        file: where it came from, for messages.
        home: the person's home folder, what ``~`` stands for.
        state_home: the folder for state, ``$XDG_STATE_HOME`` or its default.

    Raises:
        ConfigError: with every fault.
    """
    faults: list[ConfigFault] = []
    top = _Table(_parsed(text, file), "", faults)
    config = Config(
        catalog=_catalog(top.table("catalog"), home, state_home),
        policy=_policy(top.table("policy")),
        layout=_layout(top.table("layout")),
        manifest=_manifest(top.table("manifest")),
        upload=_upload(top.table("upload")),
    )
    top.finish()
    if faults:
        raise ConfigError(file, faults)
    return config


def _catalog(table: "_Table", home: str, state_home: str) -> CatalogSettings:
    path = table.take("path", _path_from(home), f"{state_home}/backupkeeper/catalog.sqlite")
    table.finish()
    return CatalogSettings(path=path)


def _policy(table: "_Table") -> Policy:
    usual = Policy()
    policy = Policy(
        wipe_needs=table.take("wipe_needs", _roles, usual.wipe_needs),
        roles=table.take("roles", _roles, usual.roles),
        distinct_devices=table.take("distinct_devices", _yes_or_no, usual.distinct_devices),
        drive_proof_age=table.take("proof_days_drive", _days, usual.drive_proof_age),
        attested_age=table.take("proof_days_attested", _days, usual.attested_age),
        downloaded_age=table.take("proof_days_downloaded", _days, usual.downloaded_age),
    )
    table.finish()
    return policy


def _layout(table: "_Table") -> LayoutSettings:
    layout = LayoutSettings(roll=table.take("roll", _template, LayoutSettings().roll))
    table.finish()
    return layout


def _manifest(table: "_Table") -> ManifestSettings:
    usual = ManifestSettings()
    manifest = ManifestSettings(
        formats=table.take("formats", _formats, usual.formats),
        author=table.take("author", _xml_text, usual.author),
        location=table.take("location", _xml_text, usual.location),
        comment=table.take("comment", _xml_text, usual.comment),
    )
    table.finish()
    return manifest


def _upload(table: "_Table") -> UploadSettings:
    usual = UploadSettings()
    upload = UploadSettings(
        addressing=table.take("addressing", _one_of(Addressing), usual.addressing),
        parallel_parts=table.take(
            "parallel_parts", _whole_number(1, MOST_PARALLEL_PARTS), usual.parallel_parts
        ),
    )
    table.finish()
    return upload


# -- reading with a memory for faults


class _WrongError(Exception):
    """A value is not what it must be; says what would be."""


def _wrong(wanted: str) -> NoReturn:
    raise _WrongError(wanted)


class _Table:
    """One table of the text: hands out checked values, notes faults, and what was never asked for."""

    def __init__(self, values: Mapping[str, object], path: str, faults: list[ConfigFault]) -> None:
        self._values = values
        self._path = path
        self._faults = faults
        self._known: list[str] = []

    def take(self, key: str, read: Callable[[object], _T], default: _T) -> _T:
        """The value of a key, or its default; a wrong one is noted and gives the default."""
        self._known.append(key)
        if key not in self._values:
            return default
        try:
            return read(self._values[key])
        except _WrongError as wrong:
            self._note(key, str(wrong))
            return default

    def table(self, key: str) -> "_Table":
        """A table in this one; empty where there is none."""
        nothing: Mapping[str, object] = {}
        values = self.take(key, _as_table, nothing)
        return _Table(values, f"{self._path}{key}.", self._faults)

    def finish(self) -> None:
        """Note every key that nothing here asked for."""
        kind = "keys" if self._path else "tables"
        for key in self._values:
            if key in self._known:
                continue
            if _SECRET.search(key):
                self._note(key, "secrets never stand in the configuration; take this out")
                continue
            near = difflib.get_close_matches(key[:MOST_TEXT], self._known, n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            self._note(key, f"{hint}the {kind} here are {', '.join(self._known)}")

    def _note(self, key: str, wanted: str) -> None:
        shown = "(not shown)" if _SECRET.search(key) else _shown(self._values[key])
        name = key if _BARE.fullmatch(key) else _shown(key)
        self._faults.append(ConfigFault(key=f"{self._path}{name}", value=shown, wanted=wanted))


def _parsed(text: str, file: str) -> Mapping[str, object]:
    whole = "the whole file"
    if len(text) > MOST_CHARACTERS:
        wanted = f"at most {MOST_CHARACTERS} characters"
        fault = ConfigFault(key=whole, value=f"{len(text)} characters", wanted=wanted)
        raise ConfigError(file, [fault])
    try:
        return tomllib.loads(text)
    except RecursionError:
        fault = ConfigFault(key=whole, value="values in values without end", wanted="TOML")
        raise ConfigError(file, [fault]) from None
    except ValueError as error:  # TOMLDecodeError is one; a number too long to read is another
        match = _WHERE.match(str(error))
        where = match["where"] if match else whole
        what = match["what"] if match else str(error)
        fault = ConfigFault(key=where, value=_line(text, where), wanted=f"TOML ({what})")
        raise ConfigError(file, [fault]) from error


def _line(text: str, where: str) -> str:
    """The line that a fault is in; nothing of one that may hold a secret."""
    number = re.match(r"line (\d+)", where)
    if number is None:
        return "(its end)" if where.startswith("end") else "(unreadable)"
    line = text.split("\n")[int(number[1]) - 1].strip()
    return "(not shown)" if _SECRET.search(line) else _shown(line)


def _shown(value: object) -> str:
    """A value as a person would write it, kept short; never fails, however deep or large it is."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value[:_SHORT], ensure_ascii=False) + "…" * (len(value) > _SHORT)
        case int() if value.bit_length() > _TOML_BITS:
            return "(a very large number)"
        case int() | float() | datetime() | date() | time():
            return str(value)
        case list():
            few = [_shown(item) if isinstance(item, str | bool) else "…" for item in value[:_FEW]]
            return f"[{', '.join([*few, '…'] if len(value) > _FEW else few)}]"
        case _:
            return "(a table)"


# -- values


def _as_table(value: object) -> Mapping[str, object]:
    if not isinstance(value, dict):
        _wrong("a table, written as [name] on a line of its own")
    return value


def _yes_or_no(value: object) -> bool:
    if not isinstance(value, bool):
        _wrong("true or false")
    return value


def _whole_number(least: int, most: int) -> Callable[[object], int]:
    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            _wrong(f"a whole number from {least} to {most}")
        return value

    return read


def _days(value: object) -> timedelta:
    return timedelta(days=_whole_number(1, MOST_DAYS)(value))


def _one_of(kind: type[_E]) -> Callable[[object], _E]:
    def read(value: object) -> _E:
        if not isinstance(value, str) or value not in set(kind):
            _wrong(f"one of {_quoted(kind)}")
        return kind(value)

    return read


def _quoted(names: Sequence[str] | type[StrEnum]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _some_of(kind: type[_E], value: object) -> tuple[_E, ...]:
    known = isinstance(value, list) and all(
        isinstance(item, str) and item in set(kind) for item in value
    )
    if not isinstance(value, list) or not known or len(set(value)) != len(value):
        _wrong(f"a list of some of {_quoted(kind)}, each once")
    return tuple(kind(item) for item in value)


def _roles(value: object) -> tuple[Role, ...]:
    roles = _some_of(Role, value)
    if not roles:
        _wrong(f"at least one of {_quoted(Role)}: asking for nothing must never mean yes")
    return roles


def _formats(value: object) -> tuple[HashFormat, ...]:
    """As asked for; ``xxh128`` is always there, and first: everything else here rests on it."""
    return tuple(dict.fromkeys((HashFormat.XXH128, *_some_of(HashFormat, value))))


def _xml_text(value: object) -> str:
    if not isinstance(value, str) or len(value) > MOST_TEXT or _NOT_IN_XML.search(value):
        _wrong(f"a text of at most {MOST_TEXT} characters, none of them a control character")
    return value


def _path_from(home: str) -> Callable[[object], str]:
    def read(value: object) -> str:
        if not isinstance(value, str) or "\0" in value:
            _wrong("the path of a file")
        path = home + value[1:] if value.startswith("~/") else value
        if not path.startswith("/") or path.endswith("/"):
            _wrong('the path of a file, beginning with "/" or "~/"')
        return path

    return read


def _template(value: object) -> str:
    if not isinstance(value, str):
        _wrong("a text such as " + LayoutSettings().roll)
    parts = value.split("/")
    fields = [_FIELD.findall(part) for part in parts]
    if sorted(chain.from_iterable(fields)) != sorted(_FIELDS) or max(map(len, fields)) > 1:
        _wrong("{shoot}, {source} and {roll}, each once and in a folder of its own")
    if any(part in {"", ".", ".."} for part in parts):
        _wrong('a folder below the place: no "/" at either end, no empty part, no "." and no ".."')
    if any(part.casefold() in _OURS for part in parts):
        _wrong(f"other folders than {_quoted(sorted(_OURS))}: those have a meaning of their own")
    if _NOT_IN_A_NAME & set(_FIELD.sub("", value)) or any(p.endswith((" ", ".")) for p in parts):
        _wrong(
            'folder names that any drive can hold: none of <>:"|?*\\{}, no space or dot at an end'
        )
    try:
        return validate_template(value)
    except UsageError as error:
        _wrong(str(error))
