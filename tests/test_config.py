"""The configuration: every fault at once, in words; nothing but ConfigError ever leaves."""

import os
import re
import tomllib
from dataclasses import fields
from datetime import time, timedelta

import pytest

from backupkeeper.config import (
    MOST_CHARACTERS,
    Addressing,
    Config,
    HashFormat,
    Security,
    parse_config,
)
from backupkeeper.config.settings import QUIET
from backupkeeper.core.cardrules import SourceRule
from backupkeeper.core.errors import ConfigError, ConfigFault
from backupkeeper.core.hours import WeekTime
from backupkeeper.core.line import LineWindow
from backupkeeper.core.model import Role
from backupkeeper.core.policy import Policy
from backupkeeper.core.storage import ClassRule

RECIPIENT = "age1tl890k2psjly2wq325nxzp9u38x7uuhlrzt7v55styq8mtt57fzsp2af8d"
EXAMPLE = os.path.join(os.path.dirname(__file__), "..", "config.example.toml")
FILE = "config.toml"


def parse(text: str) -> Config:
    return parse_config(text, FILE, home="/home/me", state_home="/home/me/.local/state")


def faults(text: str) -> tuple[ConfigFault, ...]:
    with pytest.raises(ConfigError) as caught:
        parse(text)
    assert caught.value.file == FILE
    assert caught.value.exit_code == 2
    return caught.value.faults


def fault(text: str) -> ConfigFault:
    (only,) = faults(text)
    return only


def example() -> str:
    with open(EXAMPLE, encoding="utf-8") as file:
        return file.read()


def test_no_text_gives_the_defaults() -> None:
    config = parse("")
    assert config.catalog.path == "/home/me/.local/state/backupkeeper/catalog.sqlite"
    assert config.policy == Policy()
    assert config.policy.wipe_needs == (Role.PRIMARY, Role.SECONDARY, Role.CLOUD)
    assert config.layout.roll == "{shoot}/Originals/{source}/{roll}"
    assert config.manifest.formats == (HashFormat.XXH128,)
    assert config.upload.addressing is Addressing.AUTO
    assert config.upload.parallel_parts == 4


def test_the_example_loads_as_it_stands_and_is_the_defaults() -> None:
    assert parse(example()) == parse("")


def keys_of(text: str) -> set[str]:
    return {f"{table}.{key}" for table, keys in tomllib.loads(text).items() for key in keys}


def test_the_example_has_every_key_that_the_program_knows_and_each_is_explained() -> None:
    known = set()
    tables = re.findall(r"[a-z]+", fault("zzzz = 1").wanted.split("tables here are ")[1])
    for table in set(tables) - {"sources"}:
        wanted = fault(f"[{table}]\nzzzz = 1").wanted
        known |= {f"{table}.{key}" for key in wanted.split("keys here are ")[1].split(", ")}
    assert keys_of(example()) == known - {"upload.classes"}
    usual = parse("")
    parts = [getattr(usual, part.name) for part in fields(usual) if part.name != "sources"]
    assert len(known) == sum(len(fields(part)) for part in parts)


def test_the_source_in_the_example_can_be_used_once_its_marks_are_taken_away() -> None:
    begin = example().index("# [[sources]]")
    block = example()[begin : example().index("\n\n", begin)]
    (rule,) = parse(re.sub(r"^# ", "", block, flags=re.MULTILINE)).sources
    assert rule == SourceRule(
        name="Wide", label="WIDE*", folders=("DCIM",), files=("*.MP4", "*.MOV"), shoot="Boatyard"
    )


def test_the_rule_for_classes_in_the_example_can_be_used_once_its_marks_are_taken_away() -> None:
    begin = example().index("# [[upload.classes]]")
    end = example().index("\n\n", begin)
    block = re.sub(r"^# ", "", example()[begin:end], flags=re.MULTILINE)
    (rule,) = parse(example()[:begin] + block + example()[end:]).upload.classes
    assert rule == ClassRule(
        shoots="?????? test*", older_than_days=365, storage_class="STANDARD_IA"
    )


CHANGES = {
    "catalog.path": ("[catalog]\npath = '~/c/x.sqlite'", "/home/me/c/x.sqlite"),
    "policy.wipe_needs": ("[policy]\nwipe_needs = ['cloud']", (Role.CLOUD,)),
    "policy.roles": ("[policy]\nroles = ['secondary', 'primary']", (Role.SECONDARY, Role.PRIMARY)),
    "policy.distinct_devices": ("[policy]\ndistinct_devices = false", False),
    "policy.drive_proof_age": ("[policy]\nproof_days_drive = 1", timedelta(days=1)),
    "policy.attested_age": ("[policy]\nproof_days_attested = 2", timedelta(days=2)),
    "policy.downloaded_age": ("[policy]\nproof_days_downloaded = 3650", timedelta(days=3650)),
    "layout.roll": (
        "[layout]\nroll = '{source}/{shoot}/Cards/{roll}'",
        "{source}/{shoot}/Cards/{roll}",
    ),
    "manifest.formats": (
        "[manifest]\nformats = ['md5', 'c4']",
        (HashFormat.XXH128, HashFormat.MD5, HashFormat.C4),
    ),
    "manifest.author": ("[manifest]\nauthor = 'Ö <&> 船'", "Ö <&> 船"),
    "manifest.location": ("[manifest]\nlocation = 'the yard'", "the yard"),
    "manifest.comment": ("[manifest]\ncomment = 'two\\tdays'", "two\\tdays"),
    "catalog.snapshot_minutes": ("[catalog]\nsnapshot_minutes = 60", 60),
    "upload.addressing": ("[upload]\naddressing = 'path'", Addressing.PATH),
    "upload.parallel_parts": ("[upload]\nparallel_parts = 32", 32),
    "upload.retention_days": ("[upload]\nretention_days = 3650", 3650),
    "upload.retention_mode": ('[upload]\nretention_mode = "compliance"', "compliance"),
    "upload.windows": ("[upload]\nwindows = ['22:00-7:00']", (LineWindow(window=QUIET),)),
    "upload.limit": ("[upload]\nlimit = '20 Mbit/s'", 2_500_000),
    "upload.encrypt_to": (f"[upload]\nencrypt_to = ['{RECIPIENT.upper()}']", (RECIPIENT,)),
    "upload.identity_file": ("[upload]\nidentity_file = '~/key.txt'", "/home/me/key.txt"),
    "upload.spool": ("[upload]\nspool = '/var/spool/boatyard'", "/var/spool/boatyard"),
    "upload.storage_class": ('[upload]\nstorage_class = "COLD-1"', "COLD-1"),
    "upload.classes": (
        """[[upload.classes]]\nshoots = '25*'\nclass = 'COLD'
[[upload.classes]]\nolder_than_days = 90\nclass = ''""",
        (
            ClassRule(shoots="25*", storage_class="COLD"),
            ClassRule(older_than_days=90, storage_class=""),
        ),
    ),
    "upload.on_metered": ("[upload]\non_metered = true", True),
    "watch.media": ("[watch]\nmedia = ['/Volumes/']", ("/Volumes",)),
    "watch.quiet_s": ("[watch]\nquiet_seconds = 2.5", 2.5),
    "proofs.window": ("[proofs]\nwindow = ''", None),
    "proofs.budget_s": ("[proofs]\nhours = 0.5", 1800.0),
    "proofs.lead": ("[proofs]\nlead_days = 3", timedelta(days=3)),
    "proofs.drill_folder": ("[proofs]\ndrill_folder = '~/scratch/'", "/home/me/scratch"),
    "report.weekly": (
        "[report]\nweekly = 'Sunday 9:30'",
        WeekTime(weekday=6, at=time(9, 30)),
    ),
    "notify.desktop": ("[notify]\ndesktop = false", False),
    "notify.command": ("[notify]\ncommand = ['/bin/x', 'a b']", ("/bin/x", "a b")),
    "notify.quiet": ("[notify]\nquiet = ''", None),
    "notify.away_days": ("[notify]\naway_days = 7", 7),
    "notify.upload_days": ("[notify]\nupload_days = 1", 1),
    "mail.port": ("[mail]\nport = 25", 25),
    "mail.sender": ("[mail]\nsender = 'yard@example.org'", "yard@example.org"),
    "mail.host": ("[mail]\nhost = 'mail.example.org'", "mail.example.org"),
    "mail.security": ("[mail]\nhost = 'localhost'\nsecurity = 'none'", Security.NONE),
    "mail.password_from": ("[mail]\npassword_from = 'file:/run/p w'", "file:/run/p w"),
    "log.file": ("[log]\nfile = '~/log/keeper.log'", "/home/me/log/keeper.log"),
    "log.size_mb": ("[log]\nsize_mb = 1", 1),
    "log.keep": ("[log]\nkeep = 100", 100),
}


@pytest.mark.parametrize("where", CHANGES)
def test_what_is_set_is_what_is_read_and_nothing_else_changes(where: str) -> None:
    text, wanted = CHANGES[where]
    table, key = where.split(".")
    config = parse(text)
    assert getattr(getattr(config, table), key) == wanted
    for other in fields(Config):
        usual = getattr(parse(""), other.name)
        if other.name != table:
            assert getattr(config, other.name) == usual
            continue
        for one in fields(usual):
            if where == "mail.security" and one.name == "host":
                continue  # it needs a host on this machine
            assert (getattr(getattr(config, table), one.name) == getattr(usual, one.name)) is (
                one.name != key
            )


ROLES = 'a list of some of "primary", "secondary", "cloud", each once'
WRONG = {
    "asking for nothing": (
        "[policy]\nwipe_needs = []",
        "policy.wipe_needs",
        "[]",
        "must never mean yes",
    ),
    "wanting nothing": ("[policy]\nroles = []", "policy.roles", "[]", "at least one of"),
    "a role that is none": (
        "[policy]\nwipe_needs = ['tertiary', 3]",
        "policy.wipe_needs",
        '["tertiary", …]',
        ROLES,
    ),
    "a role twice": (
        "[policy]\nroles = ['cloud','cloud']",
        "policy.roles",
        '["cloud", "cloud"]',
        ROLES,
    ),
    "a text for a list": ("[policy]\nroles = 'cloud'", "policy.roles", '"cloud"', ROLES),
    "a text for yes": (
        "[policy]\ndistinct_devices = 'no'",
        "policy.distinct_devices",
        '"no"',
        "true or false",
    ),
    "a number for yes": (
        "[policy]\ndistinct_devices = 1",
        "policy.distinct_devices",
        "1",
        "true or false",
    ),
    "yes for a number": (
        "[policy]\nproof_days_drive = true",
        "policy.proof_days_drive",
        "true",
        "a whole number from 1 to 3650",
    ),
    "no days": (
        "[policy]\nproof_days_attested = 0",
        "policy.proof_days_attested",
        "0",
        "1 to 3650",
    ),
    "more days than years have": (
        "[policy]\nproof_days_downloaded = 3651",
        "policy.proof_days_downloaded",
        "3651",
        "1 to 3650",
    ),
    "half a day": (
        "[policy]\nproof_days_drive = 0.5",
        "policy.proof_days_drive",
        "0.5",
        "a whole number",
    ),
    "a huge number": (
        f"[upload]\nparallel_parts = 0x{'f' * 5000}",
        "upload.parallel_parts",
        "(a very large number)",
        "a whole number from 1 to 32",
    ),
    "a date": (
        "[upload]\nparallel_parts = 2026-06-12",
        "upload.parallel_parts",
        "2026-06-12",
        "from 1 to 32",
    ),
    "a word for another": (
        "[upload]\naddressing = 'dns'",
        "upload.addressing",
        '"dns"',
        'one of "auto", "path", "virtual"',
    ),
    "a relative catalog": (
        "[catalog]\npath = 'c.sqlite'",
        "catalog.path",
        '"c.sqlite"',
        'beginning with "/"',
    ),
    "another's home": (
        "[catalog]\npath = '~you/c'",
        "catalog.path",
        '"~you/c"',
        'beginning with "/"',
    ),
    "a folder": ("[catalog]\npath = '/c/'", "catalog.path", '"/c/"', "the path of a file"),
    "a path with NUL": (
        '[catalog]\npath = "/\\u0000"',
        "catalog.path",
        '"/\\u0000"',
        "the path of a file",
    ),
    "a number for a path": ("[catalog]\npath = 1", "catalog.path", "1", "the path of a file"),
    "a number for a table": ("policy = 1", "policy", "1", "a table, written as [name]"),
    "a list of tables": ("[[policy]]\nroles=['cloud']", "policy", "[…]", "a table, written as"),
    "a format that is none": (
        "[manifest]\nformats = ['crc']",
        "manifest.formats",
        '["crc"]',
        '"c4", each once',
    ),
    "a control character": (
        '[manifest]\nauthor = "a\\u001b"',
        "manifest.author",
        '"a\\u001b"',
        "control",
    ),
    "a long text": (
        f"[manifest]\ncomment = '{'x' * 1001}'",
        "manifest.comment",
        f'"{"x" * 80}"…',
        "at most 1000",
    ),
    "a misspelt key": (
        "[policy]\nwipe_need = ['cloud']",
        "policy.wipe_need",
        '["cloud"]',
        "did you mean wipe_needs? the keys here are wipe_needs, roles",
    ),
    "a key of nothing known": (
        "[layout]\nzzz = {a=1}",
        "layout.zzz",
        "(a table)",
        "the keys here are roll",
    ),
    "a misspelt table": (
        "[polcy]\na=1",
        "polcy",
        "(a table)",
        "did you mean policy? the tables here are catalog",
    ),
    "a key with a dot in it": (
        '[layout]\n"a.b" = 1',
        'layout."a.b"',
        "1",
        "the keys here are roll",
    ),
    "a secret": (
        "[upload]\nsecret_access_key = 'hush'",
        "upload.secret_access_key",
        "(not shown)",
        "secrets never stand in the configuration",
    ),
    "a long list": ("[layout]\nx = [1,2,3,4,5,6,7]", "layout.x", "[…, …, …, …, …, …, …]", "roll"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_value_is_named_with_what_would_be_right(case: str) -> None:
    text, key, value, wanted = WRONG[case]
    found = fault(text)
    assert found.key == key
    assert found.value == value
    assert wanted in found.wanted


def test_all_faults_are_told_at_once_and_in_the_message() -> None:
    text = "[policy]\nwipe_needs = []\ncolour = 3\n[upload]\nparallel_parts = 99\n[other]\n"
    assert [found.key for found in faults(text)] == [
        "policy.wipe_needs",
        "policy.colour",
        "upload.parallel_parts",
        "other",
    ]
    with pytest.raises(ConfigError) as caught:
        parse(text)
    assert "config.toml: upload.parallel_parts = 99: a whole number from 1 to 32" in str(
        caught.value
    )


BROKEN = {
    "no equals sign": ("[policy]\nroles 3", "line 2, column 7", '"roles 3"', "TOML (Expected '='"),
    "no end": ("a = [1", "end of document", "(its end)", "TOML ("),
    "a key twice": ("a = 1\na = 2\nb = 3", "line 2, column 6", '"a = 2"', "TOML (Cannot overwrite"),
    "a secret beside it": ("password = hush", "line 1, column 12", "(not shown)", "TOML ("),
    "a number of 5000 digits": ("a = " + "9" * 5000, "the whole file", "(unreadable)", "TOML ("),
    "lists in lists": (
        "a = " + "[" * 50_000,
        "the whole file",
        "values in values without end",
        "TOML",
    ),
    "far too long": (
        "#" * (MOST_CHARACTERS + 1),
        "the whole file",
        "1048577 characters",
        "at most",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_text_that_is_no_toml_is_told_with_line_and_column(case: str) -> None:
    text, key, value, wanted = BROKEN[case]
    found = fault(text)
    assert found.key == key
    assert found.value == value
    assert wanted in found.wanted
