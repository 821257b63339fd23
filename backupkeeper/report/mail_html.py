"""The HTML part of a mail, for mail programs that know little: tables and styles in the elements.

Promises:
1. Every text goes through ``_text``: it is escaped, and what steers, hides or turns is made visible.
2. It asks for nothing: no script, no link, no picture but those that are in the mail (``cid:``).
3. It assumes no ground: no colour of text or ground is set but greys and accents that can be read on
   both, so it is right in a light and in a dark mail program.
"""

import html
import re
from base64 import b64encode
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from backupkeeper.report.mail_parts import (
    Bar,
    Block,
    Heading,
    Item,
    Lead,
    Paragraph,
    Table,
    Tone,
)
from backupkeeper.report.mail_picture import HIGH, WIDE
from backupkeeper.report.words import told

_FONT: Final = "font-family:Helvetica,Arial,sans-serif;font-size:15px;line-height:1.45"
_ACCENTS: Final = {
    Tone.GOOD: "#2e7d5b",
    Tone.WARN: "#b07d12",
    Tone.BAD: "#c9483b",
    Tone.PLAIN: "#8a8a8a",
    Tone.QUIET: "#8a8a8a",
}
_MONO: Final = "font-family:Menlo,Consolas,monospace;font-size:13px"
_BREAK: Final = "\0"
_ENDLESS: Final = re.compile(r"/(?=\S)|[^\s/]{12}(?=[^\s/])")
_SHORT: Final = 10
"""Cells of so few characters stay on one line: sizes, dates, roles."""
Source = Callable[[int], str]
"""Number of a picture -> where it is, for ``src``."""


def html_part(blocks: Sequence[Block], *, title: str, source: Source) -> str:
    """The part, with a newline at its end.

    Args:
        blocks: what it says.
        title: the subject.
        source: where the pictures are (see ``pictures``), by their number.
    """
    body = _Body(source)
    inner = "\n".join(map(body.block, blocks))
    return (
        "<!DOCTYPE html>\n"
        '<html lang="en" style="color-scheme:light dark">\n<head>\n'
        '<meta http-equiv="Content-Type" content="text/html; charset=utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        '<meta name="supported-color-schemes" content="light dark">\n'
        f"<title>{_quoted(title)}</title>\n</head>\n"
        '<body style="margin:0;padding:0">\n<div role="main">\n'
        '<table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0">'
        f'<tr><td style="padding:16px;{_FONT}">\n'
        '<table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0" '
        f'style="max-width:640px"><tr><td style="{_FONT}">\n{inner}\n</td></tr></table>\n'
        "</td></tr></table>\n</div>\n</body>\n</html>\n"
    )


def pictures(blocks: Iterable[Block]) -> list[Bar]:
    """The bars of a mail, in their order."""
    return [
        cell
        for block in blocks
        if isinstance(block, Table)
        for row in block.rows
        for cell in row
        if isinstance(cell, Bar)
    ]


def embedded(data: Sequence[bytes]) -> Source:
    """Pictures within the page itself, for one that stands alone."""
    return lambda number: f"data:image/png;base64,{b64encode(data[number]).decode('ascii')}"


class _Body:
    def __init__(self, source: Source) -> None:
        self._source = source
        self._pictures = 0

    def block(self, block: Block) -> str:
        match block:
            case Lead():
                return (
                    f'<h1 style="margin:0 0 14px;padding:2px 0 2px 12px;font-size:22px;'
                    f"line-height:1.25;border-left:6px solid {_ACCENTS[block.tone]}"
                    f'">{_text(block.text)}</h1>'
                )
            case Heading():
                return (
                    '<h2 style="margin:24px 0 8px;font-size:17px;line-height:1.25">'
                    f"{_text(block.text)}</h2>"
                )
            case Paragraph():
                return f'<p style="{_of(block.tone)}">{_text(block.text)}</p>'
            case Item():
                return _item(block)
            case Table():
                return self._table(block)

    def _table(self, table: Table) -> str:
        style = "padding:5px 10px 5px 0;text-align:left;vertical-align:top"
        rule = "border-bottom:1px solid #8a8a8a"
        head = "".join(
            f'<th scope="col" align="left" style="{style};{rule};font-size:13px">{_text(one)}</th>'
            for one in table.columns
        )
        rows = "\n".join(
            "<tr>" + "".join(f'<td style="{style}">{self._cell(one)}</td>' for one in row) + "</tr>"
            for row in table.rows
        )
        return (
            '<table width="100%" cellpadding="0" cellspacing="0" border="0" '
            f'style="{_FONT};margin:0 0 12px;font-size:14px">\n<tr>{head}</tr>\n{rows}\n</table>'
        )

    def _cell(self, cell: str | Bar) -> str:
        if isinstance(cell, str):
            short = ' style="white-space:nowrap"' if len(cell) <= _SHORT else ""
            return f'<span dir="auto"{short}>{_text(cell)}</span>'
        source = self._source(self._pictures)
        self._pictures += 1
        return (
            f'<img src="{html.escape(source)}" width="{WIDE // 2}" height="{HIGH // 2}" border="0" '
            f'alt="{_quoted(cell.says)}" style="display:inline-block;vertical-align:middle;'
            f'max-width:100%">'
        )


def _of(tone: Tone) -> str:
    if tone is Tone.QUIET:
        return "margin:0 0 10px;font-size:13px"
    if tone is Tone.PLAIN:
        return "margin:0 0 12px"
    return f"margin:0 0 12px;padding-left:12px;border-left:3px solid {_ACCENTS[tone]}"


def _item(item: Item) -> str:
    command = ""
    if item.command:
        command = f'<br><code style="{_MONO}">{_text(item.command)}</code>'
    return (
        '<table role="presentation" cellpadding="0" cellspacing="0" border="0" '
        f'style="{_FONT};margin:0 0 8px"><tr><td valign="top" style="padding-right:8px" '
        f'aria-hidden="true">-</td><td valign="top">{_text(item.text)}{command}</td></tr></table>'
    )


def _quoted(text: str) -> str:
    """A text as the value of an attribute."""
    return html.escape(told(text), quote=True)


def _text(text: str) -> str:
    """A text; a long word may be broken after a slash and where it is endless."""
    places = _ENDLESS.sub(
        rf"\g<0>{_BREAK}", told(text)
    )  # no such character is left in what was told
    return html.escape(places, quote=True).replace(_BREAK, "<wbr>")
