"""A receipt's page as a reader's program sees it: parsed by lxml, with nothing of ours."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from lxml import html
from lxml.html import HtmlElement

from backupkeeper.core.receipt import Receipt
from backupkeeper.report.receipt import receipt_page
from backupkeeper.report.receipt_json import receipt_text
from tests.report.boatyard import SUMMER


@dataclass(frozen=True, kw_only=True)
class Parsed:
    """Page, tree and JSON of one receipt."""

    page: str
    data: bytes

    @property
    def tree(self) -> HtmlElement:
        return html.document_fromstring(self.page)

    @property
    def json(self) -> Any:
        return json.loads(self.data)

    def words(self, path: str = "//body") -> str:
        """All text of an element, blanks folded."""
        (found,) = self.tree.xpath(path)
        return " ".join(found.text_content().split())

    def table(self, caption: str) -> list[dict[str, str]]:
        """Rows of the table whose caption starts so, by its columns."""
        (found,) = self.tree.xpath(f"//table[starts-with(caption, '{caption}')]")
        columns = [cell.text_content() for cell in found.xpath("thead/tr/th")]
        return [
            dict(zip(columns, map(text_of, row.xpath("th|td")), strict=True))
            for row in found.xpath("tbody/tr")
        ]

    def facts(self, term: str) -> list[str]:
        """What is told of a term, wherever it stands."""
        return [
            text_of(pair.find("dd"))
            for pair in self.tree.xpath("//dl/div")
            if text_of(pair.find("dt")) == term
        ]


APART = frozenset({"br", "p", "li", "td", "th", "dd", "dt", "tr"})


def text_of(element: HtmlElement) -> str:
    """Text with blanks folded; what stands on a line or in a cell of its own is told apart."""
    return " ".join("".join(_pieces(element)).split())


def _pieces(element: HtmlElement) -> Iterator[str]:
    yield " " if element.tag in APART else ""
    yield element.text or ""
    for child in element:
        yield from _pieces(child)
        yield child.tail or ""
    yield " " if element.tag in APART else ""


def parsed(receipt: Receipt) -> Parsed:
    """Made for the yard's own zone."""
    data = receipt_text(receipt, SUMMER)
    page = receipt_page(receipt, data=data, data_name="receipt.json", zone=SUMMER)
    return Parsed(page=page, data=data)


def number(words: str) -> int:
    """``1,200`` as it stands on a page."""
    return int(words.replace(",", ""))


def contradictions(one: Parsed) -> Iterator[str]:
    """Where page and JSON do not say the same, number by number."""
    told = one.json
    sums = one.tree.xpath("//*[@id='bond']/text()")
    if sums != [hashlib.sha256(one.data).hexdigest()]:
        yield f"the page does not name this JSON: {sums}"
    if one.words("//h1").split()[0].lower() != told["verdict"]:
        yield "the answer"
    if [time.get("datetime") for time in one.tree.xpath("//time")] != [told["at"]]:
        yield "the time"
    yield from _files(one, told)
    yield from _places(one, told)
    yield from _rolls(one, told)
    reasons = [text_of(item.find("p")) for item in one.tree.xpath("//ol[@class='reasons']/li")]
    if reasons != [" ".join(reason["message"].split()) for reason in told["reasons"]]:
        yield f"the reasons: {reasons}"


def _files(one: Parsed, told: Any) -> Iterator[str]:
    files = told["files"]
    (on_it,) = one.facts("On it")
    if number(on_it.split()[0]) != len(files) or f"({told['bytes_on_card']:,} bytes)" not in on_it:
        yield f"the totals: {on_it}"
    rows = one.table(f"{len(files):,} file") if files else []
    if len(rows) != len(files):
        yield "the number of files"
    for row, file in zip(rows, files, strict=True):
        hashes = [file["blake3"], file["xxh128"]] if file["blake3"] else None
        proven = [copy["place"] for copy in file["copies"] if copy["state"] == "proven"]
        if number(row["Bytes"]) != file["size"]:
            yield f"bytes of {file['path']}"
        if hashes is not None and row["Hashes"].split() != hashes:
            yield f"hashes of {file['path']}"
        if hashes is None and "could not be read" not in row["Hashes"]:
            yield f"{file['path']} was not read"
        if row["Proven at"].replace(" and ", ", ").split(", ") != (proven or ["nowhere"]):
            yield f"places of {file['path']}: {row['Proven at']}"


def _places(one: Parsed, told: Any) -> Iterator[str]:
    rows = iter(one.table("Proofs, by place") if told["places"] else [])
    for place in told["places"]:
        spans = [*place["proofs"], *([place["samples"]] if place["samples"] else [])]
        for span in spans or [None]:
            row = next(rows)
            files = 0 if span is None else span["files"]
            if (row["Place"], row["Role"]) != (place["name"], place["role"]):
                yield f"row of {place['name']}: {row}"
            if number(row["Files"]) != files:
                yield f"files proven at {place['name']}: {row}"
    if list(rows):
        yield "more proofs than the JSON has"
    for role, tile in zip(told["roles"], one.tree.xpath("//ul[@class='roles']/li"), strict=True):
        said = text_of(tile)
        expected = f"{role['files_proven']:,} of {told['files_on_card']:,} "
        if expected not in said or ("(not asked for)" in said) == role["asked"]:
            yield f"role {role['role']}: {said}"


def _rolls(one: Parsed, told: Any) -> Iterator[str]:
    if one.facts("Roll's id") != [roll["id"] for roll in told["rolls"]]:
        yield "ids of rolls"
    page = one.words()
    for roll in told["rolls"]:
        for manifest in roll["manifests"]:
            wanted = [
                manifest["newest"],
                manifest["c4"],
                manifest["rooted"],
                manifest["why_not"],
                *(root[part] for root in manifest["roots"] for part in ("content", "structure")),
            ]
            for one_of_them in wanted:
                if one_of_them is not None and one_of_them not in page:
                    yield f"{roll['folder']} at {manifest['place']}: {one_of_them}"
