"""Receipts of the boat yard: a yes, a yes of the road, a no, a hostile card, a large one."""

from dataclasses import replace
from datetime import timedelta

from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Place,
    PlaceKind,
    Role,
    RollHead,
    RollId,
    Way,
    Xxh128,
)
from backupkeeper.core.outcomes import Answer, JudgedFile, Reason, ReasonCode, RoleProof, Verdict
from backupkeeper.core.receipt import (
    CopyStand,
    ManifestStand,
    PlaceStand,
    ProofSpan,
    Receipt,
    RollStand,
    RootHash,
    StatedFile,
)
from tests.report.boatyard import CARD, CLIPS, MAIN, NAMES, NOW, OFF_SITE, TRAVEL

KINDS = {MAIN: PlaceKind.DRIVE, TRAVEL: PlaceKind.DRIVE, OFF_SITE: PlaceKind.BUCKET}
ROLES = {MAIN: Role.PRIMARY, TRAVEL: Role.SECONDARY, OFF_SITE: Role.CLOUD}
WAYS = {MAIN: Way.READBACK, TRAVEL: Way.REHASH, OFF_SITE: Way.ATTESTED}
EVIDENCE = {
    MAIN: "pages dropped, by-passing the cache",
    TRAVEL: "pages and device's pages dropped",
    OFF_SITE: "refused when wrong: x-amz-checksum-sha256",
}
DAYS = {MAIN: 2, TRAVEL: 1, OFF_SITE: 1}
FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"
HOSTILE = (
    "<script>alert(1)</script>.MP4",
    '"><img src=x onerror=alert(1)>.MP4',
    "</style></title><h1>YES</h1>",
    "two\nlines\r\tand\x00\x1b[2J",
    "\u202egnp.YES\u2066x",
    "\udcff\udc80.MP4",
    "&lt;b&gt;&amp;",
    "\u05d0\u05d1\u05d2 \u0639\u0631\u0628.wav",
    "\U0001f6a4\u200d\U0001f30a.MP4",
    "w" * 251 + ".MP4",
    " a  b ",
)


def place(which: str) -> Place:
    """One of the three."""
    found = next(one for one in NAMES if one == which)
    return Place(
        id=found,
        name=NAMES[found],
        role=ROLES[found],
        kind=KINDS[found],
        created_at=NOW - timedelta(days=400),
        location="s3://boat/footage" if found is OFF_SITE else f"/media/me/{NAMES[found]}",
        device=f"device of {found}",
    )


def stated(
    path: str, number: int, *, without: tuple[str, ...] = (), size: int = 1_200_000_000
) -> StatedFile:
    """A file of the card with a proven copy everywhere but at some places."""
    copies = tuple(
        CopyStand(
            place=one,
            path=f"{FOLDER}/{path}",
            state=CopyState.PROVEN,
            way=WAYS[one],
            at=NOW - timedelta(days=DAYS[one], minutes=number),
            evidence=EVIDENCE[one],
        )
        for one in NAMES
        if one not in without
    )
    return StatedFile(
        path=path,
        size=size + number,
        blake3=Blake3(f"{number:02x}" * 32),
        xxh128=Xxh128(f"{number:02x}" * 16),
        copies=copies,
    )


def judged(file: StatedFile) -> JudgedFile:
    """The same as the verdict tells it."""
    roles = {role: RoleProof(state=CopyState.ABSENT) for role in Role}
    for copy in file.copies:
        roles[ROLES[copy.place]] = RoleProof(
            state=copy.state, place=copy.place, proof=copy.way, at=copy.at
        )
    return JudgedFile(path=file.path, size=file.size, content=file.blake3, roles=roles)


def stand(which: str, files: tuple[StatedFile, ...], *, looked_at: bool = True) -> PlaceStand:
    """How files stand at one place."""
    found = place(which)
    copies = [(file, copy) for file in files for copy in file.copies if copy.place == found.id]
    times = [copy.at for _, copy in copies if copy.at is not None]
    span = ProofSpan(
        way=WAYS[found.id],
        files=len(copies),
        first=min(times, default=NOW),
        last=max(times, default=NOW),
        evidence=(EVIDENCE[found.id],),
    )
    read = sum(file.blake3 is not None for file in files)
    states = {CopyState.PROVEN: len(copies), CopyState.ABSENT: read - len(copies)}
    return PlaceStand(
        place=found,
        files=len(copies),
        bytes=sum(file.size for file, _ in copies),
        states={state: number for state, number in states.items() if number},
        proofs=(span,) if copies else (),
        samples=None,
        looked_at=looked_at,
    )


def roll(files: tuple[StatedFile, ...], *, away: tuple[str, ...] = ()) -> RollStand:
    """The roll that they are."""
    manifests = [
        ManifestStand(
            place=one,
            name="0002_Roll 01_2026-06-13_201500Z.mhl",
            c4="c4" + "2" * 88,
            generations=2,
            rooted="0002_Roll 01_2026-06-13_201500Z.mhl",
            roots=(RootHash(format="xxh128", content="ab" * 16, structure="cd" * 16),),
        )
        if one not in away
        else ManifestStand(place=one, why_not=f"not read: {NAMES[one]} is not here.")
        for one in NAMES
    ]
    head = RollHead(
        id=RollId("5e" * 32),
        shoot="260612 Boatyard",
        source="Wide",
        name="Roll 01",
        folder=FOLDER,
        sealed_at=NOW - timedelta(days=2),
        file_count=len(files),
        size_bytes=sum(file.size for file in files),
    )
    return RollStand(head=head, of_card=len(files), manifests=tuple(manifests))


def receipt(
    files: tuple[StatedFile, ...],
    *reasons: Reason,
    asked: tuple[Role, ...] = tuple(Role),
    still_missing: dict[Role, int] | None = None,
    away: tuple[str, ...] = (),
    label: str | None = "WIDE A",
    warnings: tuple[str, ...] = (),
) -> Receipt:
    """A receipt for these files."""
    verdict = Verdict(
        card=CARD,
        at=NOW,
        answer=Answer.NO if reasons else Answer.YES,
        asked=asked,
        reasons=reasons,
        files=tuple(judged(file) for file in files),
        still_missing=still_missing or {},
        left_out=((".Trashes", "litter of a system"),),
        warnings=warnings,
    )
    return Receipt(
        verdict=verdict,
        label=label,
        program="backupkeeper 0.1.0",
        distinct_devices=True,
        files=files,
        places=tuple(stand(one, files, looked_at=one not in away) for one in NAMES),
        rolls=(roll(files, away=away),) if files else (),
    )


TWO = tuple(stated(path, number) for number, path in enumerate(CLIPS, start=1))


def yes() -> Receipt:
    """All is well; some objects were fetched back since."""
    made = receipt(TWO)
    off_site = made.places[2]
    samples = replace(off_site.proofs[0], way=Way.DOWNLOADED, files=1, evidence=())
    return replace(made, places=(*made.places[:2], replace(off_site, samples=samples)))


def on_the_road() -> Receipt:
    """A yes that asks for two roles; the cloud lacks one file."""
    files = (TWO[0], stated(CLIPS[1], 2, without=(OFF_SITE,)))
    told = "Off site could not be looked at now (no line). What counts is its last proof."
    return receipt(
        files,
        asked=(Role.PRIMARY, Role.SECONDARY),
        still_missing={Role.CLOUD: 1},
        away=(OFF_SITE,),
        warnings=(told,),
    )


def no() -> Receipt:
    """A file that is nowhere, one that could not be read, one that the cloud lacks."""
    unread = StatedFile(
        path="DCIM/100BOATY/BOAT0004.MP4",
        size=700_000_000,
        blake3=None,
        xxh128=None,
        copies=(),
        error="Could not read it (EIO).",
    )
    nowhere = stated("DCIM/100BOATY/BOAT0003.MP4", 3, without=tuple(NAMES))
    files = (TWO[0], stated(CLIPS[1], 2, without=(OFF_SITE,)), nowhere, unread)
    return receipt(
        files,
        Reason(
            code=ReasonCode.CARD_UNREADABLE, role=None, paths=(unread.path,), detail=unread.error
        ),
        Reason(code=ReasonCode.NEVER_OFFLOADED, role=None, paths=(nowhere.path,)),
        Reason(code=ReasonCode.NO_COPY, role=Role.CLOUD, paths=(CLIPS[1],)),
    )


def hostile() -> Receipt:
    """Names that would steer a page, in every place where a name can stand."""
    files = tuple(stated(path, number) for number, path in enumerate(HOSTILE))
    bad = HOSTILE[0]
    made = receipt(
        files,
        *(
            Reason(code=ReasonCode.NOT_A_FILE, role=None, paths=(one,), detail=one)
            for one in HOSTILE
        ),
        label=HOSTILE[4],
        warnings=HOSTILE,
    )
    places = tuple(
        replace(one, place=replace(one.place, name=name))
        for one, name in zip(made.places, (bad, HOSTILE[1], HOSTILE[4]), strict=True)
    )
    head = replace(made.rolls[0].head, folder=f"260612 {bad}/Originals", id=RollId(bad))
    told = ManifestStand(place=MAIN, why_not=bad)
    return replace(
        made,
        places=places,
        rolls=(replace(made.rolls[0], head=head, manifests=(told, *made.rolls[0].manifests[1:])),),
        verdict=replace(
            made.verdict,
            card="/media/me/" + HOSTILE[3],
            left_out=tuple((one, one) for one in HOSTILE),
        ),
    )


def large(files: int = 60) -> Receipt:
    """A day's card."""
    made = tuple(stated(f"DCIM/100BOATY/BOAT{number:04}.MP4", number) for number in range(files))
    return receipt(made)
