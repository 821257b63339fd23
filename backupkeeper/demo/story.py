"""One day at the boatyard: three cards come in, are kept, one copy rots and is found.

The steps and what each must come to. How commands run: ``typist``; what lies where: ``cards``,
``stage``.
"""

import http.client
import json
import os
import shlex
import sys
from typing import Any

from backupkeeper.core.errors import BucketUnreachableError, WriteError
from backupkeeper.core.outcomes import Answer, ReasonCode
from backupkeeper.demo.cards import CARDS, record_further, write_cards
from backupkeeper.demo.stage import Stage, spoil
from backupkeeper.demo.typist import Typist

SHOOT = "260612 Boatyard"
BUCKET = "boatyard"
RECEIPT = "Wide.html"
REPORT = "report.html"
_YES, _NO, _WELL, _ATTENTION = 0, 1, 0, 1

CONFIG = """\
# Made by 'backupkeeper demo'.
[catalog]
path = {catalog}

# The made-up drives are folders on one disk, so copies on different physical devices can't be
# asked for here. With real drives leave this out.
[policy]
distinct_devices = false

# The pictures of the made-up clips are noise: there is nothing to be seen on a poster.
[report]
posters = false
"""
SPOILED_CLIP = "DCIM/100BOATY/BOAT0002.MP4"
SPOILED_BYTE = 9_000_000


def tell(stage: Stage, typist: Typist, store: str) -> None:
    """Play the whole story.

    Args:
        stage: The folder.
        typist: Runs and checks the commands.
        store: Address of the object store.

    Raises:
        WriteError: The folder can't be written.
        BucketUnreachableError: The demo's own object store does not answer.
    """
    _set_the_stage(stage, typist, store)
    _name_the_places(stage, typist, store)
    _offload_and_upload(stage, typist)
    _record_further(stage, typist)
    _rot(stage, typist)
    _mend(stage, typist)
    _look_around(stage, typist)


def _set_the_stage(stage: Stage, typist: Typist, store: str) -> None:
    typist.say(f"Everything happens in {stage.root}, on made-up cards and drives.")
    try:
        write_cards(stage.cards)
        with open(stage.config, "x", encoding="utf-8") as file:
            # A JSON string is a TOML string too.
            file.write(CONFIG.format(catalog=json.dumps(stage.catalog)))
    except OSError as error:
        raise WriteError(stage.root, error.errno or 0) from error
    _make_bucket(store)


def _make_bucket(store: str) -> None:
    """What one does once at a provider of object stores; the mock asks for no signature."""
    line = http.client.HTTPConnection(store.removeprefix("http://"), timeout=20)
    try:
        line.request("PUT", f"/{BUCKET}")
        status = line.getresponse().status
    except OSError as error:
        raise BucketUnreachableError(f"The demo's store does not answer: {error}.") from error
    finally:
        line.close()
    if status != http.HTTPStatus.OK:
        raise BucketUnreachableError(f"The demo's store makes no bucket (status {status}).")


def _name_the_places(stage: Stage, typist: Typist, store: str) -> None:
    typist.chapter("Three places: a main drive, a second drive, a bucket")
    typist.say("The drives are folders here, so each is taken with --folder, and config.toml says")
    typist.say("[policy] distinct_devices = false. Real drives need neither.")
    for path, role, name in (
        (stage.main_drive, "primary", "main"),
        (stage.second_drive, "secondary", "second"),
    ):
        typist.type("place", "add", path, "--role", role, "--name", name, "--folder", exits=_WELL)
    bucket = ("place", "add", f"s3://{BUCKET}/originals", "--role", "cloud", "--name", "bucket")
    typist.type(*bucket, "--endpoint", store, exits=_WELL)
    typist.type("place", "list", exits=_WELL, shows=("main", "second", "bucket"))


def _offload_and_upload(stage: Stage, typist: Typist) -> None:
    typist.chapter("Nothing is kept yet: may the card be wiped?")
    _verdict(stage, typist, "Wide", reason=ReasonCode.NEVER_OFFLOADED)
    typist.chapter("Each card is read once, both drives are written, every copy is read back")
    for source in CARDS:
        _offload(stage, typist, source)
    typist.chapter("And on to the bucket")
    typist.type("upload", exits=_WELL)
    typist.type("gaps", exits=_WELL)
    typist.chapter("May the cards be wiped now?")
    for source in CARDS:
        _verdict(stage, typist, source)


def _offload(stage: Stage, typist: Typist, source: str) -> None:
    typist.type("offload", stage.card(source), "--shoot", SHOOT, "--source", source, exits=_WELL)


def _record_further(stage: Stage, typist: Typist) -> None:
    typist.chapter("The camera records on, on the same card")
    try:
        record_further(stage.cards, "Wide")
    except OSError as error:
        raise WriteError(stage.cards, error.errno or 0) from error
    _verdict(stage, typist, "Wide", reason=ReasonCode.NEVER_OFFLOADED)
    _offload(stage, typist, "Wide")
    clips = os.path.join(_roll(stage.main_drive, "Wide", 2), "DCIM", "100BOATY")
    held = sorted(os.listdir(clips)) if os.path.isdir(clips) else []
    typist.say("")
    typist.say(f"The new roll holds the new files only: {', '.join(held)}")
    typist.expect(
        right=held == ["BOAT0004.MP4", "BOAT0004.XML"],
        otherwise=f"the second roll of Wide holds {held}",
    )
    typist.type("upload", exits=_WELL)
    _verdict(stage, typist, "Wide")


def _rot(stage: Stage, typist: Typist) -> None:
    typist.chapter("A byte rots on the second drive: size and time stay as they were")
    copy = os.path.join(_roll(stage.second_drive, "Wide", 1), SPOILED_CLIP)
    typist.say(f"Spoiled: byte {SPOILED_BYTE} of {os.path.relpath(copy, stage.root)}")
    spoil(copy, SPOILED_BYTE)
    typist.type("verify", "second", exits=_ATTENTION, shows=("damaged", "BOAT0002.MP4"))
    _verdict(stage, typist, "Wide", reason=ReasonCode.DAMAGED)
    typist.say("")
    typist.say("The other cards are not touched by it:")
    for source in CARDS:
        if source != "Wide":
            _verdict(stage, typist, source)
    typist.type("gaps", exits=_ATTENTION)


def _mend(stage: Stage, typist: Typist) -> None:
    typist.chapter("The copy is mended from the other one; the damaged file is set aside")
    typist.type("repair", "--dry-run", exits=_ATTENTION, shows=("would come from", "BOAT0002.MP4"))
    typist.type("repair", exits=_WELL, shows=("mended", "set-aside"))
    typist.type("verify", "second", exits=_WELL)
    _verdict(stage, typist, "Wide")
    typist.chapter("A receipt of that, to show or to keep in the shoot")
    receipt = os.path.join(stage.root, RECEIPT)
    typist.type("may-wipe", stage.card("Wide"), "--receipt", receipt, exits=_YES, shows=(RECEIPT,))
    typist.chapter("How everything stands, as a page")
    typist.type("report", "--html", os.path.join(stage.root, REPORT), exits=_WELL, shows=(REPORT,))


def _verdict(
    stage: Stage, typist: Typist, source: str, *, reason: ReasonCode | None = None
) -> None:
    """Ask for the verdict before the person's eyes, then check the same answer's JSON."""
    card = stage.card(source)
    code = _YES if reason is None else _NO
    typist.type("may-wipe", card, exits=code)
    told = _object(typist.ask("may-wipe", card, "--json", exits=code))
    wanted = Answer.YES if reason is None else Answer.NO
    typist.expect(
        right=told.get("verdict") == wanted, otherwise=f"the verdict on {source} is not {wanted}"
    )
    codes = {entry.get("code") for entry in told.get("reasons", ())}
    typist.expect(
        right=codes == ({reason} if reason else set()),
        otherwise=f"the reasons against wiping {source} are {sorted(map(str, codes))}",
    )


def _object(text: str) -> dict[str, Any]:
    try:
        told = json.loads(text)
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _roll(drive: str, source: str, number: int) -> str:
    return os.path.join(drive, SHOOT, "Originals", source, f"Roll {number:02}")


def _look_around(stage: Stage, typist: Typist) -> None:
    if not typist.wrong:
        typist.chapter("Every step came out as it should")
        typist.say("  Wide      may be wiped again, now that its copy is mended")
        typist.say("  Drone     may be wiped")
        typist.say("  Recorder  may be wiped")
    typist.chapter("What to look at, in " + stage.root)
    for path, what in (
        (f"drives/main/{SHOOT}/", "plain files in plain folders, as on the cards"),
        ("  Originals/Wide/Roll 01/ascmhl/", "the manifests, ASC MHL 2.0, one chain per drive"),
        ("drives/main/.backupkeeper/", "what names the folder as a place"),
        ("drives/second/.backupkeeper/set-aside/", "the damaged file, with a note"),
        ("cards/", "the cards, as they were"),
        (REPORT, "how everything stands; open it in a browser"),
        (RECEIPT, "what was on that card and where it is proven; open it in a browser"),
        ("config.toml, catalog.sqlite", "the configuration, and the facts that were seen"),
    ):
        typist.say(f"  {path:34} {what}")
    typist.say("")
    typist.say("The bucket was kept in memory by a mock and ends with the demo, so upload can't be")
    typist.say("tried further. What was proven there stands in the catalog. Commands to try:")
    program = shlex.join([sys.executable, "-m", "backupkeeper"])
    typist.say(f"  export BACKUPKEEPER_CONFIG={shlex.quote(stage.config)}")
    for words in (
        "gaps",
        shlex.join(["may-wipe", stage.card("Drone")]),
        "verify main",
        f"manifest export '{SHOOT}/Wide/Roll 01' --format b3sums",
    ):
        typist.say(f"  {program} {words}")
