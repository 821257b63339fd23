"""Names of files and of places that attack whoever shows them, through every command that does.

A terminal gets no sign that it obeys, JSON the very names, pages and mails no mark or header more, and a
shell that is handed a command from the advice gives back the very words.
"""

import email
import email.policy
import json
import re
import subprocess
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from typing import Final

import pytest
from hypothesis import strategies as st

from backupkeeper.core.model import Role
from backupkeeper.core.typed import is_hidden, typed as quoted
from tests.breaking.hostile import tried
from tests.stories.typed import Said, offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, rot

NASTY: Final = (
    *("\x1b[2J", "\x1b]0;owned\x07", "\x1b]8;;http://x\x1b\\", "\x9b31m", "\x08\x08", "\x7f", "\r"),
    *(
        "\n",
        "\t",
        "\u202e",
        "\u2066",
        "\u200b",
        "\ufeff",
        "\u2028",
        "\u3164",
        "e\u0301",
        "\udcff\udc9b",
    ),
    *(
        "<script>alert(1)</script>",
        "<img src=x onerror=y>",
        "\"'><b>",
        "&amp;",
        "&#27;",
        "-->",
        "]]>",
    ),
    *("$(touch PWNED)", "`touch PWNED`", "; touch PWNED;", "' touch PWNED '", "\\", "%s%n", "{0}"),
    *(
        "\r\nBcc: x@boat.example\r\n\r\n",
        "\nFrom x",
        "=?utf-8?q?x?=",
        "=cmd|x",
        "--delete",
        "-",
        "~",
    ),
    *(" ", "  ", "*", "?", "[a]", "#", "!!", "..", "a" * 100, "CON", "\u00e9", "\U0001f6a4"),
)
"""What is put together to names; no slash in it."""
names = st.lists(st.sampled_from(NASTY), min_size=1, max_size=4).map("".join)
file_names = names.filter(
    lambda name: (
        "/" not in name
        and name not in {".", ".."}
        and len(name.encode("utf-8", "surrogateescape")) < 250
    )
).map(lambda name: name + ".MP4")
place_names = names.map(lambda name: "".join(one for one in name if not is_hidden(one)).strip())
place_names = place_names.filter(lambda name: 0 < len(name) < 40 and not name.startswith("-"))
MAIL: Final = """[mail]
to = "me@boat.example"
sender = "yard@boat.example"
host = "localhost"
port = 25
security = "none"
"""
WORDS: Final = re.compile(r"backupkeeper (?:verify|repair|may-wipe) (.+)")


class Marks(HTMLParser):
    """Counts a page's elements and the names of their attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: Counter[str] = Counter()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found[tag] += 1
        self.found.update(f"{tag} {name}" for name, _ in attrs)


def tame(said: Said) -> Said:
    """Nothing in it is obeyed or hidden."""
    wild = {one for one in said.all if is_hidden(one) and one != "\n"}
    assert not wild, (wild, said.all)
    return said


def files_in(told: object) -> set[str]:
    """Every text in some JSON."""
    if isinstance(told, dict):
        return set().union(*(files_in(one) for one in told.values()), set(told))
    if isinstance(told, list):
        return set().union(*map(files_in, told)) if told else set()
    return {told} if isinstance(told, str) else set()


def shown_pages(yard: Yard) -> tuple[str, dict[str, bytes]]:
    """The report as a page, and the mail in its three forms."""
    page = yard.root / "report.html"
    tame(typed(yard, "report", "--html", str(page)))
    mails = {}
    for form in ("eml", "html", "txt"):
        target = yard.root / f"mail.{form}"
        tame(typed(yard, "report", "--mail", "--preview", str(target)))
        mails[form] = target.read_bytes()
        target.unlink()
    return page.read_text(), mails


def made(root: Path, names_of_files: list[str], places: list[str]) -> Yard:
    """A card of such names on drives of such names, one file of it damaged on the second."""
    root.mkdir()
    yard = yard_of_today(root)
    with (root / "config.toml").open("a") as config:
        config.write(MAIL)
    for number, (place, role) in enumerate(
        zip(places, (Role.PRIMARY, Role.SECONDARY), strict=True)
    ):
        folder = root / f"drive{number}"
        folder.mkdir()
        with yard.keeper() as keeper:
            keeper.add_drive(str(folder), role=role, name=place, folder=True)
    files = {f"DCIM/{name}": clip(n, 5000) for n, name in enumerate(names_of_files, 1)}
    card = yard.card("card", files)
    (card / f"{names_of_files[0]}.link").symlink_to("nowhere")
    tame(offloaded(yard, card))
    hurt = root / "drive1" / SHOOT / "Originals/Wide/Roll 01/DCIM" / names_of_files[0]
    rot(hurt, 10, b"hurt")
    return yard


def check_shell(said: Said, folder: Path) -> None:
    """Commands that are advised are words for a shell, and none of them does anything else."""
    for words in WORDS.findall(said.out):
        command = f"set -f; printf '%s\\0' {words}"
        done = subprocess.run(
            ["bash", "-c", command], cwd=folder, capture_output=True, check=False, timeout=60
        )
        assert done.returncode == 0, (words, done.stderr)
    assert not (folder / "PWNED").exists()


def check_mail(mails: dict[str, bytes], plain: dict[str, bytes]) -> None:
    mail, usual = (
        email.message_from_bytes(one["eml"], policy=email.policy.default) for one in (mails, plain)
    )
    assert mail.keys() == usual.keys()
    assert [part.get_content_type() for part in mail.walk()] == [
        part.get_content_type() for part in usual.walk()
    ]
    assert not mail.defects
    tags = set(Marks(mails["html"].decode()).found) - set(Marks(plain["html"].decode()).found)
    assert not {one for one in tags if not one.startswith(("td", "tr", "table", "img"))}, tags
    assert not any(is_hidden(one) and one != "\n" for one in mails["txt"].decode())


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_no_name_attacks_whoever_shows_it(tmp_path: Path) -> None:
    usual = made(tmp_path / "usual", ["A.MP4", "B.MP4"], ["Main", "Travel"])
    tame(typed(usual, "verify"))
    plain_page, plain_mails = shown_pages(usual)
    plain_marks = Marks(plain_page).found
    count = 0

    def check(example: tuple[list[str], list[str]]) -> None:
        nonlocal count
        count += 1
        files, places = example
        yard = made(tmp_path / f"yard{count}", files, places)
        for words in (
            *(
                ["status"],
                ["place", "list"],
                ["verify"],
                ["gaps"],
                ["report"],
                ["repair", "--dry-run"],
            ),
            *(["restore", SHOOT, "--to", str(yard.root / "to"), "--dry-run"],),
            *(["may-wipe", str(yard.root / "card")], ["compare", *places]),
            *(
                ["repair"],
                ["place", "set-aside"],
                ["offload", str(yard.root / "card"), "--shoot", SHOOT, "--source", "Wide"],
            ),
        ):
            check_shell(tame(typed(yard, *words)), yard.root)
        told = typed(yard, "may-wipe", str(yard.root / "card"), "--json").json
        assert {f"DCIM/{name}" for name in files} <= files_in(told)
        page, mails = shown_pages(yard)
        assert not any(is_hidden(one) and one not in "\n\t" for one in page)
        marks = Marks(page).found
        assert marks.keys() <= plain_marks.keys() | {"wbr"}, marks.keys() - plain_marks.keys()
        check_mail(mails, plain_mails)
        receipt = yard.root / "receipt.html"
        tame(typed(yard, "may-wipe", str(yard.root / "card"), "--receipt", str(receipt)))
        assert not any(is_hidden(one) and one not in "\n\t" for one in receipt.read_text())
        json.loads(receipt.with_suffix(".json").read_text())
        assert not list(tmp_path.rglob("PWNED"))

    examples = st.tuples(
        st.lists(file_names, min_size=2, max_size=4, unique=True),
        st.lists(place_names, min_size=2, max_size=2, unique_by=str.casefold),
    )
    tried(
        "hostile names", examples, check, few=3, share=0.01, again="attacks_whoever", shrinks=False
    )


@pytest.mark.slow
def test_a_shell_gives_back_every_word(tmp_path: Path) -> None:
    def check(words: list[str]) -> None:
        line = "printf '%s\\0' " + " ".join(map(quoted, words))
        done = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, check=True)
        assert done.stdout.split(b"\0")[:-1] == [
            word.encode("utf-8", "surrogateescape") for word in words
        ]
        assert not list(tmp_path.iterdir())

    tried(
        "words of a command",
        st.lists(names, min_size=1, max_size=30),
        check,
        few=20,
        share=0.05,
        again="gives_back",
    )
