"""The tables of a receipt's page: how and when copies were proven, the rolls, the files.

Promises:
1. Only what is proven stands in a table of proofs; all other states are counted in words beside it.
2. Root hashes are told once where all places say the same, and as a difference where they don't.
"""

from collections.abc import Iterable, Mapping
from datetime import tzinfo
from typing import Final

from backupkeeper.core.model import CopyState, PlaceId
from backupkeeper.core.receipt import (
    ManifestStand,
    PlaceStand,
    ProofSpan,
    Receipt,
    RollStand,
    RootHash,
    StatedFile,
)
from backupkeeper.report.html import (
    Child,
    Markup,
    Shape,
    Tone,
    element,
    joined,
    name,
    state,
    table,
    text,
)
from backupkeeper.report.receipt_words import KINDS, looked, meanings, not_proven, way_told
from backupkeeper.report.words import count, moment, plural, size

FEW: Final = 12
"""More files, or paths of one reason, than this are folded."""


def pairs(told: Iterable[tuple[str, Child]], **attributes: str) -> Markup:
    """Terms with what is told of them."""
    groups = (element("div", element("dt", term), element("dd", what)) for term, what in told)
    return element("dl", *groups, **attributes)


def proofs(receipt: Receipt, zone: tzinfo) -> Markup:
    """Every place with its proofs, and what the kinds of proof mean."""
    head = element("h2", "Where, how and when it was proven")
    if not receipt.places:
        return element("section", head, element("p", "There is no place yet."))
    rows = [row for place in receipt.places for row in _place_rows(place, zone)]
    columns = ["Place", "Role", "Files", "How", "First", "Last"]
    made = table("Proofs, by place and kind", columns, rows, numbers=[2])
    notes = [element("li", text(one.place.name), ": ", _place_note(one)) for one in receipt.places]
    told = meanings(receipt)
    words = joined(element("h3", "What these words mean"), pairs(told)) if told else None
    notes_told = element("ul", *notes, class_="quiet notes")
    return element("section", element("div", head, made, class_="together"), notes_told, words)


def _spans(stand: PlaceStand) -> tuple[ProofSpan, ...]:
    return (*stand.proofs, *([stand.samples] if stand.samples is not None else []))


def _place_rows(stand: PlaceStand, zone: tzinfo) -> list[list[Child]]:
    place, role = text(stand.place.name), stand.place.role.value
    rows: list[list[Child]] = [
        [
            place,
            role,
            count(span.files),
            joined(
                "of these, " if span is stand.samples else None,
                way_told(span.way),
                *(element("small", " (", text(one), ")", class_="quiet") for one in span.evidence),
            ),
            moment(span.first, zone),
            moment(span.last, zone),
        ]
        for span in _spans(stand)
    ]
    return rows or [[place, role, "0", "nothing is proven here", "never", "never"]]


def _place_note(stand: PlaceStand) -> str:
    told = [f"{KINDS[stand.place.kind]}, {size(stand.bytes)} proven"]
    if not_proven(stand):
        told.append(f"not proven: {not_proven(stand)}")
    return "; ".join([*told, looked(stand)])


def rolls(receipt: Receipt) -> Markup | None:
    """The rolls that the card's files belong to, and their manifests at each place."""
    if not receipt.rolls:
        return None
    names = {one.place.id: one.place.name for one in receipt.places}
    parts = [part for roll in receipt.rolls for part in _roll(roll, names)]
    intro = (
        "The card's files belong to these rolls; each has the same folder at every place where it is. That "
        "folder holds manifests of the open standard ASC MHL 2.0, below ascmhl. A root hash stands for all files of a roll at "
        "once: “content” for their bytes, “structure” for their names and folders too."
    )
    return element("section", element("h2", "Rolls"), element("p", intro), *parts)


def _roll(stand: RollStand, names: Mapping[PlaceId, str]) -> list[Markup | None]:
    head = stand.head
    told: list[tuple[str, Child]] = [
        ("Roll's id", element("span", text(head.id), class_="hash")),
        ("Files", f"{count(head.file_count)}, {size(head.size_bytes)}"),
        ("Of this card", plural(stand.of_card, "file")),
    ]
    read = [one for one in stand.manifests if not one.why_not]
    told += _roots(read, names)
    columns = ["Place", "Newest manifest", "Its C4"]
    rows = [_manifest_row(one, names) for one in read]
    made = table("Manifests of this roll, as they were just read", columns, rows) if rows else None
    silent = [_silent(one, names) for one in stand.manifests if one.why_not]
    return [
        element("h3", name(head.folder)),
        pairs(told),
        made,
        element("ul", *silent, class_="notes") if silent else None,
    ]


def _roots(
    manifests: Iterable[ManifestStand], names: Mapping[PlaceId, str]
) -> list[tuple[str, Child]]:
    same: dict[tuple[str, str, str], list[str]] = {}
    for one in manifests:
        for root in one.roots:
            for part, value in _parts(root):
                where = same.setdefault((root.format, part, value), [])
                where.append(names.get(one.place, one.place))
    return [
        (
            f"Root, {part}",
            joined(
                element("span", value, class_="hash"),
                element("small", f" {form}, at ", *_named(where), class_="quiet"),
            ),
        )
        for (form, part, value), where in sorted(same.items())
    ]


def _parts(root: RootHash) -> tuple[tuple[str, str], tuple[str, str]]:
    return ("content", root.content), ("structure", root.structure)


def _named(places: list[str]) -> list[Child]:
    told: list[Child] = []
    for at, one in enumerate(places):
        told += [" and " if at and at == len(places) - 1 else ", " if at else None, text(one)]
    return told


def _manifest_row(stand: ManifestStand, names: Mapping[PlaceId, str]) -> list[Child]:
    of = "the only one" if stand.generations == 1 else f"number {count(stand.generations)}"
    roots = "has the root hashes" if stand.rooted == stand.name else "of a part of the roll"
    if stand.rooted and stand.rooted != stand.name:
        roots = f"{roots}; root hashes from "
    older = name(stand.rooted) if stand.rooted and stand.rooted != stand.name else None
    note = element("small", f" ({of}; {roots}", older, ")", class_="quiet")
    return [
        text(names.get(stand.place, stand.place)),
        joined(name(stand.name), note),
        element("span", stand.c4, class_="hash"),
    ]


def _silent(stand: ManifestStand, names: Mapping[PlaceId, str]) -> Markup:
    why = state(Shape.DASH, Tone.QUIET, "nothing is stated of its manifests: ", text(stand.why_not))
    return element("li", text(names.get(stand.place, stand.place)), ": ", why)


def files(receipt: Receipt) -> Markup:
    """Every file of the card with its hashes."""
    head = element("h2", "What was on the card")
    if not receipt.files:
        return element("section", head, element("p", "No file."))
    names = {one.place.id: one.place.name for one in receipt.places}
    whole = plural(len(receipt.files), "file")
    made = table(
        f"{whole}; each first with its BLAKE3, then with its XXH3-128",
        ["File", "Bytes", "Hashes", "Proven at"],
        [_file(one, names) for one in receipt.files],
        numbers=[1],
    )
    if len(receipt.files) <= FEW:
        return element("section", head, made)
    folded = element("details", element("summary", f"{whole} with their hashes"), made)
    note = "A folded list is printed only if it is open. All of it stands in the JSON too."
    return element("section", head, folded, element("p", note, class_="quiet"))


def _file(file: StatedFile, names: Mapping[PlaceId, str]) -> list[Child]:
    if file.blake3 is None:
        told = state(Shape.CROSS, Tone.BAD, "could not be read whole: ", text(file.error))
        return [name(file.path), count(file.size), told, "nowhere"]
    hashes = element(
        "span",
        element("span", file.blake3, class_="hash"),
        element("br"),
        element("span", file.xxh128 or "XXH3-128 is not known", class_="hash"),
        class_="hashes",
    )
    proven = [
        names.get(copy.place, copy.place) for copy in file.copies if copy.state is CopyState.PROVEN
    ]
    return [
        name(file.path),
        count(file.size),
        hashes,
        joined(*_named(proven)) if proven else "nowhere",
    ]


def folded(paths: tuple[str, ...]) -> Markup:
    """Paths, one a line; many of them folded."""
    made = element("ul", *(element("li", name(path)) for path in paths), class_="paths")
    if len(paths) <= FEW:
        return made
    return element("details", element("summary", f"All {plural(len(paths), 'path')}"), made)
