"""What is handed over, held against the published rules and common tools, none of it by our own readers.

Sources: RFC 8493 (sections 2.1 to 2.4, 3; STANDARDS section 2), its rules written out here and tried on the bags of the
conformance suite; the schemas of the ASC MHL Specification (``../shared/standards``); coreutils' ``sha512sum``,
Debian's ``xxhsum``.
"""

import hashlib
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from lxml import etree

from tests.conftest import STANDARDS
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder

SUITE = Path(STANDARDS) / "bagit-conformance/v1.0"
NS = "{urn:ASC:MHL:v2.0}"
CARD = {
    "DCIM/W 0001.MOV": clip(1),
    "DCIM/é 100%.XML": b"<clip/>\n",
    "DCIM/two\nlines\r.TXT": b"x",
    "EMPTY.DAT": b"",
}
SOUND = {"0001.WAV": clip(2), "0002.WAV": clip(3)}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    made = yard_of_today(tmp_path)
    made.drives()
    for name, files, source in (("card", CARD, "Wide"), ("sound", SOUND, "Recorder")):
        assert offloaded(made, made.card(name, files), source=source).code == 0
    return made


def exported(yard: Yard, form: str, *more: str) -> Path:
    to = yard.root / form
    said = typed(yard, "export", SHOOT, "--to", str(to), "--format", form, *more)
    assert said.code == 0, said.all
    return to


# -- RFC 8493, version 1.0, rule by rule


def against_the_rfc(bag: Path) -> list[str]:
    """Every rule that a bag breaks, in words."""
    return [
        *_declaration(bag),
        *_payload(bag),
        *_tags(bag),
        *_info(bag),
        *(["2.2.3: something is to be fetched"] if (bag / "fetch.txt").exists() else []),
    ]


def _declaration(bag: Path) -> Iterator[str]:
    ends = rb"(\n|\r|\r\n)"
    exactly = rb"BagIt-Version: 1\.0" + ends + rb"Tag-File-Character-Encoding: UTF-8" + ends + b"?"
    file = bag / "bagit.txt"
    if not file.is_file() or not re.fullmatch(exactly, file.read_bytes()):
        yield "2.1.1: bagit.txt is not these two lines, in UTF-8 without a mark"


def _listed(bag: Path, name: str) -> Iterator[tuple[str, str]]:
    """Digest and path of each line; 2.1.3: only CR, LF and % are encoded."""
    for line in re.split(r"\r\n|\r|\n", (bag / name).read_bytes().decode("utf-8")):
        if not line:
            continue
        found = re.fullmatch(r"([0-9a-fA-F]+)[ \t]+(\S.*)", line)
        assert found is not None, f"2.1.3: no line of a manifest: {line!r}"
        encoded = found[2]
        assert not re.search(r"%(?!0[AD]|25)", encoded, re.IGNORECASE), f"2.1.3: {encoded!r}"
        path = re.sub("%(0[AD]|25)", lambda one: chr(int(one[1], 16)), encoded, flags=re.IGNORECASE)
        yield found[1].lower(), path


def _is_right(bag: Path, name: str, digest: str, path: str) -> bool:
    kind = name.rpartition("-")[2].removesuffix(".txt")
    file = bag / path
    return file.is_file() and hashlib.new(kind, file.read_bytes()).hexdigest() == digest


def _payload(bag: Path) -> Iterator[str]:
    names = [path.name for path in bag.glob("manifest-*.txt")]
    if not names or not (bag / "data").is_dir():
        yield "2.1.2, 2.1.3: there is no payload, or no manifest of it"
    there = {str(path.relative_to(bag)) for path in (bag / "data").rglob("*") if not path.is_dir()}
    for name in names:
        if not re.fullmatch(r"manifest-[a-z0-9]+\.txt", name):
            yield f"2.4: the algorithm of {name}"
        lines = list(_listed(bag, name))
        paths = [path for _, path in lines]
        if len(set(paths)) != len(paths):
            yield f"2.1.3: {name} tells a file twice"
        if set(paths) != there:
            yield f"2.1.3: {name} does not tell the very files of the payload"
        if any(".." in path.split("/") or not path.startswith("data/") for path in paths):
            yield f"2.1.3, 5.1: {name} leads out"
        yield from (
            f"3: {path}" for digest, path in lines if not _is_right(bag, name, digest, path)
        )


def _tags(bag: Path) -> Iterator[str]:
    payload = {path.name for path in bag.glob("manifest-*.txt")}
    for name in (path.name for path in bag.glob("tagmanifest-*.txt")):
        lines = list(_listed(bag, name))
        paths = {path for _, path in lines}
        if not payload <= paths:
            yield f"2.2.1: {name} does not tell every manifest of the payload"
        if any(path.startswith(("data/", "tagmanifest-")) for path in paths):
            yield f"2.2.1: {name} tells more than tag files"
        yield from (
            f"3: {path}" for digest, path in lines if not _is_right(bag, name, digest, path)
        )


def _info(bag: Path) -> Iterator[str]:
    file = bag / "bag-info.txt"
    if not file.exists():
        return
    lines = [line for line in file.read_bytes().decode("utf-8").splitlines() if line]
    if not all(re.match(r"[ \t]|[^\s:][^:]*: ?\S", line) for line in lines):
        yield "2.2.2: bag-info.txt holds more than labels and values"
    oxum = [line.partition(": ")[2] for line in lines if line.startswith("Payload-Oxum:")]
    sizes = [path.stat().st_size for path in (bag / "data").rglob("*") if path.is_file()]
    if len(oxum) > 1 or (oxum and oxum[0] != f"{sum(sizes)}.{len(sizes)}"):
        yield "2.2.2: Payload-Oxum"
    dates = [line.partition(": ")[2] for line in lines if line.startswith("Bagging-Date:")]
    if not all(re.fullmatch(r"\d{4}-\d\d-\d\d", date) for date in dates):
        yield "2.2.2: Bagging-Date"


def keeps_the_rules(bag: Path) -> bool:
    try:
        return not against_the_rfc(bag)
    except AssertionError:
        return False


@pytest.mark.real("standards")
def test_the_rules_as_written_out_here_judge_as_the_suite_does() -> None:
    bags = sorted(path for path in SUITE.glob("*/*") if path.is_dir())
    assert len(bags) > 3
    for bag in bags:
        assert keeps_the_rules(bag) is (bag.parent.name == "valid"), bag


@pytest.mark.parametrize("kinds", [("sha512",), ("sha512", "sha256")])
def test_a_bag_keeps_every_rule_of_the_rfc(yard: Yard, kinds: tuple[str, ...]) -> None:
    digests = [word for kind in kinds for word in ("--digest", kind)]
    bag = exported(yard, "bagit", *digests) / SHOOT
    assert against_the_rfc(bag) == []
    for kind in kinds:
        assert (bag / f"manifest-{kind}.txt").exists()
        assert (bag / f"tagmanifest-{kind}.txt").exists()
    (bag / "data/more.txt").write_bytes(b"")
    assert not keeps_the_rules(bag)
    (bag / "data/more.txt").unlink()
    (roll_folder(bag / "data") / "DCIM/W 0001.MOV").write_bytes(clip(9))
    assert len(against_the_rfc(bag)) == len(kinds)


def test_a_general_tool_checks_a_bag(yard: Yard) -> None:
    """``sha512sum`` takes names as they stand: those with CR, LF or % are other ones to it (RFC 8493, 2.1.3)."""
    to = yard.root / "archive"
    words = ("export", "Recorder/Roll 01", "--to", str(to), "--format", "bagit")
    assert typed(yard, *words).code == 0
    (bag,) = to.iterdir()

    def checked(name: str) -> int:
        words = ["sha512sum", "--strict", "--quiet", "-c", f"{name}-sha512.txt"]
        return subprocess.run(words, cwd=bag, check=False, capture_output=True).returncode

    assert (checked("manifest"), checked("tagmanifest")) == (0, 0)
    next(bag.glob("data/**/0001.WAV")).write_bytes(clip(7))
    assert checked("manifest") == 1


# -- ASC MHL


@pytest.mark.real("standards")
def test_manifests_that_are_handed_over_are_valid_by_the_schema(yard: Yard) -> None:
    to = exported(yard, "mhl")
    manifests, chains = sorted(to.rglob("*.mhl")), sorted(to.rglob("ascmhl_chain.xml"))
    assert (len(manifests), len(chains)) == (4, 2), "each roll has a generation more"
    for files, name in ((manifests, "ASCMHL.xsd"), (chains, "ASCMHLDirectory.xsd")):
        schema = etree.XMLSchema(etree.parse(str(Path(STANDARDS) / name)))
        for file in files:
            assert schema.validate(etree.parse(str(file))), schema.error_log


@pytest.mark.real("xxhsum")
def test_a_general_tool_checks_what_was_read_back_for_the_hand_over(yard: Yard) -> None:
    roll = roll_folder(exported(yard, "mhl"), source="Recorder")
    last = max((roll / "ascmhl").glob("*.mhl"))
    lines = [
        f"{found.findtext(f'{NS}xxh128')}  {found.findtext(f'{NS}path')}\n"
        for found in etree.parse(str(last)).iter(f"{NS}hash")
    ]
    assert len(lines) == len(SOUND)

    def checked() -> int:
        words = ["xxhsum", "--check"]
        return subprocess.run(
            words, input="".join(lines), text=True, cwd=roll, check=False, capture_output=True
        ).returncode

    assert checked() == 0
    (roll / "0002.WAV").write_bytes(clip(7))
    assert checked() != 0
