"""What the daemon's tables say where they are wrong: the key, and what would be right."""

from contextlib import suppress

import pytest
from hypothesis import given, strategies as st

from backupkeeper.config import parse_config
from backupkeeper.core.cardrules import SourceRule
from backupkeeper.core.errors import ConfigError, ConfigFault

SOURCE = "[[sources]]\nname = 'Wide'\nlabel = 'WIDE*'\n"
WINDOW = "from and to"
AT_LEAST = "at least one of label, folders and files"
WRONG = {
    "a source without a name": ("[[sources]]\nlabel = 'A'", "sources[1].name", "is called"),
    "a source that every drive answers to": (
        "[[sources]]\nname = 'Wide'",
        "sources[1].label",
        "at least one of label, folders and files",
    ),
    "a source with an empty list": (
        "[[sources]]\nname='A'\nfiles=[]",
        "sources[1].files",
        AT_LEAST,
    ),
    "a source of any label": ("[[sources]]\nname='A'\nlabel='*'", "sources[1].label", AT_LEAST),
    "a source of any file": (
        "[[sources]]\nname='A'\nfiles=['*.MOV', '*']",
        "sources[1].files",
        AT_LEAST,
    ),
    "drills beside where it runs": (
        "[proofs]\ndrill_folder = 'scratch'",
        "proofs.drill_folder",
        'the path of a folder, beginning with "/" or "~/"',
    ),
    "drills over everything": (
        "[proofs]\ndrill_folder = '/'",
        "proofs.drill_folder",
        "the path of a folder",
    ),
    "drills nowhere": ("[proofs]\ndrill_folder = 7", "proofs.drill_folder", "the path of a folder"),
    "a folder that is no name": (
        "[[sources]]\nname='A'\nfolders=['/']",
        "sources[1].folders",
        "a pattern",
    ),
    "a shoot that has its date": (
        SOURCE + "shoot = '260612 Boatyard'",
        "sources[1].shoot",
        "without a date",
    ),
    "one name composed in two ways": (
        SOURCE.replace("Wide", "\u00c4") + SOURCE.replace("Wide", "A\u0308"),
        "sources[2].name",
        "",
    ),
    "a media folder by a way round": ("[watch]\nmedia = ['/a/../b']", "watch.media", "whole paths"),
    "a mail server with a blank": ("[mail]\nhost = 'a b'", "mail.host", "a server"),
    "two sources of one name": (
        SOURCE + SOURCE.replace("Wide", "WIDE"),
        "sources[2].name",
        "another name",
    ),
    "a name that is no folder's": (
        "[[sources]]\nname = 'a/b'\nlabel = 'A'",
        "sources[1].name",
        "",
    ),
    "offloading by itself into no shoot": (
        SOURCE + "auto_offload = true",
        "sources[1].shoot",
        "for auto_offload",
    ),
    "a shoot that is no folder's": (SOURCE + "shoot = 'a/b'", "sources[1].shoot", ""),
    "a key misspelt in the second source": (
        SOURCE + "[[sources]]\nname = 'Close'\nlabl = 'C*'\nfiles = ['*.MOV']",
        "sources[2].labl",
        "did you mean label?",
    ),
    "an empty pattern": ("[[sources]]\nname = 'A'\nlabel = ''", "sources[1].label", "a pattern"),
    "one table instead of several": ("[sources]\nname = 'A'", "sources", "[[name]]"),
    "a window without an end": ("[proofs]\nwindow = '01:00'", "proofs.window", WINDOW),
    "a window of no length": ("[proofs]\nwindow = '01:00-01:00'", "proofs.window", WINDOW),
    "a time that is none": ("[notify]\nquiet = '22:00-24:00'", "notify.quiet", WINDOW),
    "a number for a window": ("[notify]\nquiet = 22", "notify.quiet", WINDOW),
    "one window for several": ("[upload]\nwindows = '22:00-07:00'", "upload.windows", "a list"),
    "an empty window among several": ("[upload]\nwindows = ['']", "upload.windows", WINDOW),
    "an old word for a rate": ("[upload]\nlimit = '20 Mb/s'", "upload.limit", "(bits) or"),
    "a number for a rate": ("[upload]\nlimit = 20", "upload.limit", "a rate such as"),
    "a prefix that is none": ("[upload]\nlimit = '20 MiB/s'", "upload.limit", "a rate such as"),
    "nothing at all as a rate": ("[upload]\nlimit = '0 MB/s'", "upload.limit", 'from "64 kbit/s"'),
    "a rate beyond all lines": ("[upload]\nlimit = '2000 Gbit/s'", "upload.limit", "a rate from"),
    "a window with half a limit": (
        "[upload]\nwindows = ['07:00-23:00 at ']",
        "upload.windows",
        "a rate such as",
    ),
    "a window with a wrong limit": (
        "[upload]\nwindows = ['23:00-07:00', '07:00-23:00 at 20']",
        "upload.windows",
        "a rate such as",
    ),
    "a limit with a wrong window": (
        "[upload]\nwindows = ['07:00 at 20 Mbit/s']",
        "upload.windows",
        WINDOW,
    ),
    "a storage class in words": (
        "[upload]\nstorage_class = 'cold, please'",
        "upload.storage_class",
        "a storage class such as",
    ),
    "a rule without a class": (
        "[[upload.classes]]\nshoots = '25*'",
        "upload.classes[1].class",
        "a storage class",
    ),
    "a rule with an unknown word": (
        "[[upload.classes]]\nclass = 'COLD'\nolder = 3",
        "upload.classes[1].older",
        "older_than_days",
    ),
    "a day that is none": ("[report]\nweekly = 'moonday 08:00'", "report.weekly", "a day and a"),
    "a day without a time": ("[report]\nweekly = 'monday'", "report.weekly", "a day and a time"),
    "a number for a day": ("[report]\nweekly = 1", "report.weekly", "a day and a time"),
    "too many hours": ("[proofs]\nhours = 25", "proofs.hours", "from 0.1 to 24"),
    "truth for a number": ("[proofs]\nhours = true", "proofs.hours", "from 0.1 to 24"),
    "a program without its path": ("[notify]\ncommand = ['x']", "notify.command", "whole path"),
    "an empty argument": ("[notify]\ncommand = ['/x', '']", "notify.command", "none of them empty"),
    "a folder without its path": ("[watch]\nmedia = ['media']", "watch.media", "whole paths"),
    "the root as a media folder": ("[watch]\nmedia = ['/']", "watch.media", "whole paths"),
    "an address with a line in it": (
        "[mail]\nto = \"me@example.org\\nBcc: a@b.c\"\nhost = 'h'",
        "mail.to",
        "one mail address",
    ),
    "nowhere to send to": ("[mail]\nto = 'me@example.org'", "mail.host", "the mail server"),
    "a user without a password": ("[mail]\nuser = 'me'", "mail.password_from", "never stands here"),
    "a password itself": ("[mail]\npassword_from = 'hunter'", "mail.password_from", '"keyring"'),
    "a bare line over the net": (
        "[mail]\nhost = 'mail.example.org'\nsecurity = 'none'",
        "mail.security",
        "on this machine",
    ),
    "a log without its path": ("[log]\nfile = 'x.log'", "log.file", "the path of a file"),
}


def faults(text: str) -> tuple[ConfigFault, ...]:
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "config.toml", home="/home/me", state_home="/state")
    return caught.value.faults


@pytest.mark.parametrize("what", WRONG)
def test_what_is_wrong_is_told_with_its_key_and_what_would_be_right(what: str) -> None:
    text, key, wanted = WRONG[what]
    (fault,) = faults(text)
    assert fault.key == key
    assert wanted in fault.wanted


def test_a_value_that_is_wrong_by_itself_is_told_once() -> None:
    for text, key in (
        (SOURCE + "auto_offload = true\nshoot = 'a/b'", "sources[1].shoot"),
        ("[mail]\nto = 'me@example.org'\nhost = 5", "mail.host"),
        ("[mail]\nuser = 'me'\npassword_from = 'hunter'", "mail.password_from"),
    ):
        (fault,) = faults(text)
        assert fault.key == key


def test_an_empty_shoot_is_none_and_wrong_only_where_one_is_needed() -> None:
    text = SOURCE + "shoot = ''\n"
    (rule,) = parse_config(text, "config.toml", home="/home/me", state_home="/state").sources
    assert rule.shoot == ""
    (fault,) = faults(text + "auto_offload = true")
    assert fault.key == "sources[1].shoot"


def test_two_names_that_are_wrong_are_not_taken_for_one() -> None:
    text = "[[sources]]\nname = 'a/b'\nlabel = 'A'\n[[sources]]\nname = 'c/d'\nlabel = 'C'"
    assert [fault.key for fault in faults(text)] == ["sources[1].name", "sources[2].name"]
    assert "another name" not in faults(text)[1].wanted


def test_every_fault_of_every_table_comes_at_once() -> None:
    text = f"[proofs]\nwindow = 'night'\nhours = 0\n[report]\nweekly = 7\n{SOURCE}\nlabl = 'x'"
    assert {fault.key for fault in faults(text)} == {
        *("proofs.window", "proofs.hours", "report.weekly", "sources[1].labl")
    }


def test_sources_are_read_as_written_in_their_order() -> None:
    text = (
        "[[sources]]\nname = 'Wide'\nlabel = 'WIDE*'\nfolders = ['DCIM']\nfiles = ['*.MP4']\n"
        "auto_offload = true\nshoot = 'Boatyard'\n[[sources]]\nname = 'Recorder'\nfiles = ['*.WAV']"
    )
    read = parse_config(text, "config.toml", home="/home/me", state_home="/state").sources
    assert read == (
        SourceRule(
            name="Wide",
            label="WIDE*",
            folders=("DCIM",),
            files=("*.MP4",),
            auto_offload=True,
            shoot="Boatyard",
        ),
        SourceRule(name="Recorder", files=("*.WAV",)),
    )


def test_a_password_that_stands_there_is_never_shown() -> None:
    for text in ("[mail]\npassword = 'hunter2'", "[mail]\npassword_from = 'hunter2'"):
        (fault,) = faults(text)
        assert "hunter2" not in f"{fault.value} {fault.wanted}"


values = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["01:00-06:00", "monday 08:00", "a@b.c", "", "/x", "keyring", "*"]),
    st.integers(-5, 10**6),
    st.booleans(),
)


def written(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        hexes = "".join(f"\\U{ord(one):08x}" for one in value if not 0xD800 <= ord(one) < 0xE000)
        return f'"{hexes}"'
    return str(value)


KEYS = [
    *(f"[watch]\n{key}" for key in ("media", "quiet_seconds")),
    *(f"[proofs]\n{key}" for key in ("window", "hours", "lead_days")),
    *(f"[notify]\n{key}" for key in ("command", "quiet", "away_days")),
    *(f"[mail]\n{key}" for key in ("to", "host", "port", "security", "password_from")),
    *(f"[[sources]]\n{key}" for key in ("name", "label", "folders", "files", "shoot")),
    "[report]\nweekly",
    "[upload]\nwindows",
    "[log]\nfile",
]


@given(st.sampled_from(KEYS), values | st.lists(values, max_size=3))
def test_nothing_but_a_config_error_ever_leaves(key: str, value: object) -> None:
    with suppress(ConfigError):
        parse_config(f"{key} = {written(value)}", "f", home="/home/me", state_home="/state")
