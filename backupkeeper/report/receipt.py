"""A receipt as one page: for a client, or to keep in the shoot; it explains itself.

Promises:
1. It never looks like a yes when it is a no: the word, the shape, the frame and the first sentence differ.
2. Every number on it stands in the JSON beside it, whose SHA-256 it prints; it says that this is no
   signature.
3. Everything from outside goes through ``report.html``: no name can be markup, or turn what is around it.
4. It asks for nothing outside itself and runs nothing.
"""

from datetime import tzinfo
from typing import Final

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Reason
from backupkeeper.core.receipt import Receipt
from backupkeeper.report.html import (
    Child,
    Markup,
    Shape,
    Tone,
    document,
    element,
    joined,
    name,
    shape,
    state,
    text,
)
from backupkeeper.report.reasons import in_words
from backupkeeper.report.receipt_copies import files, folded, pairs, proofs, rolls
from backupkeeper.report.receipt_json import fills, proven_in, roles_of, sum_of
from backupkeeper.report.receipt_words import (
    asked_for,
    cautions,
    exact_time,
    headline,
    meaning,
    on_it,
    role_told,
)
from backupkeeper.report.verdict import stamp


def receipt_page(receipt: Receipt, *, data: bytes, data_name: str, zone: tzinfo) -> str:
    """The page.

    Args:
        receipt: what is stated.
        data: the JSON of the same receipt, as it stands in its file.
        data_name: what that file is called, without its folder.
        zone: of the person; times are told in it.
    """
    verdict = receipt.verdict
    word = verdict.answer.value.upper()
    return document(
        f"{word}: receipt for the card {receipt.label or verdict.card}",
        element("header", element("p", "Receipt: may this card be wiped?"), class_="page-head"),
        element(
            "main",
            _answer(receipt),
            _roles(receipt),
            _facts(receipt, zone),
            _reasons(receipt),
            _cautions(receipt, zone),
            proofs(receipt, zone),
            files(receipt),
            rolls(receipt),
            _aside(receipt),
            _checking(),
        ),
        element(
            "footer",
            _bond(data, data_name),
            element("p", f"Written by {receipt.program}.", class_="quiet"),
            class_="page-foot",
        ),
        style=_STYLE,
        generator=receipt.program,
    )


def _answer(receipt: Receipt) -> Markup:
    verdict = receipt.verdict
    if not verdict.may_wipe:
        kind, which = "no", Shape.CROSS
    elif verdict.still_missing:
        kind, which = "partly", Shape.PART
    else:
        kind, which = "yes", Shape.FULL
    word = element("span", shape(which), " ", verdict.answer.value.upper(), class_="word")
    return element(
        "section",
        element("h1", word, " ", element("span", headline(verdict), class_="headline")),
        element("p", meaning(receipt)),
        class_=f"answer {kind} together",
    )


def _roles(receipt: Receipt) -> Markup:
    return element("ul", *(_role(receipt, role) for role in roles_of(receipt)), class_="roles")


def _role(receipt: Receipt, role: Role) -> Markup:
    proven, whole = proven_in(receipt, role), fills(receipt, role)
    asked = role in receipt.verdict.asked
    which = Shape.FULL if whole else Shape.PART if proven else Shape.EMPTY
    tone = Tone.GOOD if whole else Tone.BAD if asked else Tone.WARN
    places = [one.place.name for one in receipt.places if one.place.role is role and one.files]
    names = [joined(", " if at else None, text(one)) for at, one in enumerate(places)]
    return element(
        "li",
        element("strong", role.capitalize()),
        "" if asked else " (not asked for)",
        element("br"),
        state(which, tone, role_told(receipt, role)),
        element("br"),
        element("span", *(names or [joined("nowhere")]), class_="quiet"),
        class_="sheet",
    )


def _facts(receipt: Receipt, zone: tzinfo) -> Markup:
    verdict = receipt.verdict
    label = None if receipt.label is None else joined(text(receipt.label), ", at ")
    when = element("time", exact_time(verdict.at, zone), datetime=stamp(verdict.at))
    return pairs(
        [
            ("Card", joined(label, name(verdict.card))),
            ("Judged", when),
            ("On it", on_it(receipt)),
            ("A yes needs", asked_for(receipt)),
        ]
    )


def _reasons(receipt: Receipt) -> Markup | None:
    if not receipt.verdict.reasons:
        return None
    told = [element("li", *_reason(receipt, one)) for one in receipt.verdict.reasons]
    head = element("h2", "Why not")
    return element("section", head, element("ol", *told, class_="reasons"))


def _reason(receipt: Receipt, reason: Reason) -> list[Child]:
    words = in_words(reason, card=receipt.verdict.card)
    command = element("code", words.command) if words.command else None
    return [
        element("p", state(Shape.CROSS, Tone.BAD, text(words.message))),
        folded(reason.paths) if reason.paths else None,
        element("p", words.advice, " ", command),
    ]


def _aside(receipt: Receipt) -> Markup | None:
    verdict = receipt.verdict
    parts: list[Markup] = []
    if verdict.warnings:
        parts.append(element("h2", "Worth knowing"))
        parts.append(element("ul", *(element("li", text(one)) for one in verdict.warnings)))
    if verdict.left_out:
        left = [element("li", name(path), ": ", text(why)) for path, why in verdict.left_out]
        parts.append(element("h2", "Left out of every copy, so not judged"))
        parts.append(element("ul", *left))
    return element("section", *parts) if parts else None


def _cautions(receipt: Receipt, zone: tzinfo) -> Markup:
    head = "Before it is wiped" if receipt.verdict.may_wipe else "What to do now"
    told = cautions(receipt, exact_time(receipt.verdict.at, zone))
    points = (element("li", one) for one in told)
    return element("section", element("h2", head), element("ul", *points), class_="together")


def _checking() -> Markup:
    roll = (
        "A roll: any program that reads ASC MHL 2.0 checks the roll's folder by the manifests in it, and "
        "computes the root hashes."
    )
    return element(
        "section",
        element("h2", "How to check this without the program that wrote it"),
        element(
            "ul",
            element(
                "li",
                "A file: ",
                element("code", "b3sum FILE"),
                " prints its BLAKE3, ",
                element("code", "xxhsum -H2 FILE"),
                " its XXH3-128. Compare with the list above; programs take it from the JSON.",
            ),
            element("li", roll),
            element("li", "This page and its JSON: by the line at the end."),
        ),
        class_="together",
    )


def _bond(data: bytes, data_name: str) -> Markup:
    return element(
        "p",
        "The same facts stand, for programs, in ",
        name(data_name),
        ". It belongs to this page if ",
        element("code", "sha256sum"),
        " prints for it ",
        element("span", sum_of(data), class_="hash", id="bond"),
        ". That is no signature: whoever changes both files can change this number too.",
    )


_STYLE: Final = """
bdi { overflow-wrap: anywhere; }
th, td { overflow-wrap: break-word; }
tbody th { min-width: 6rem; }
dl > div { display: contents; }
dd { min-width: 0; }
.page-head { padding-bottom: 0; color: var(--quiet); }
.page-head p { margin: 0; }
.answer { padding: 1.2rem 1.4rem; margin: 0 0 1rem; border-radius: 6px; }
.answer h1 { margin: 0 0 0.4em; display: flex; flex-wrap: wrap; gap: 0.2em 0.7em; align-items: center; }
.answer p { margin: 0; max-width: 48rem; }
.word { display: inline-flex; align-items: center; gap: 0.25em; font-size: 3rem; font-weight: 800;
  line-height: 1; letter-spacing: 0.02em; }
.headline { flex: 1 1 14rem; }
.yes { border: 2px solid var(--good); background: var(--good-ground); }
.yes .word { color: var(--good); }
.partly { border: 3px dashed var(--warn); background: var(--warn-ground); }
.partly .word { color: var(--warn); }
.no { border: 12px double var(--bad); background: var(--bad-ground); }
.no .word { color: var(--bad); }
.roles { list-style: none; padding: 0; margin: 0 0 1.2rem; display: flex; flex-wrap: wrap; gap: 1rem; }
.roles li { flex: 1 1 13rem; margin: 0; }
.reasons > li { margin: 0 0 1em; }
.reasons p, .reasons ul { margin: 0 0 0.3em; }
.paths { list-style: none; padding: 0; }
.notes { padding-left: 1.2em; }
td .hash { font-size: 0.7em; }
.hashes { display: block; min-width: 20rem; }
@media (max-width: 40rem) { .hashes { min-width: 0; } .headline { font-size: 1.35rem; } }
"""
