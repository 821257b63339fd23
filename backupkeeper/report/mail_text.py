"""The plain part of a mail: for every mail program there is, and for who can't see the other.

Promises:
1. Every line is printable: no name can begin a line, a header or another part.
2. No table needs more than ``WIDTH`` columns: one that is wider is told row by row.
"""

from collections.abc import Iterable, Sequence
from typing import Final

from backupkeeper.report.lines import wrap
from backupkeeper.report.mail_parts import Bar, Block, Heading, Item, Lead, Paragraph, Table
from backupkeeper.report.words import cells, told

WIDTH: Final = 72
_BETWEEN: Final = 2


def text_part(blocks: Iterable[Block]) -> str:
    """The part, lines ended by a newline."""
    lines: list[str] = []
    for block in blocks:
        if lines and not (isinstance(block, Item) and lines[-1].startswith("      ")):
            lines.append("")
        lines += _lines(block)
    return "\n".join([*lines, ""])


def _lines(block: Block) -> list[str]:
    match block:
        case Lead():
            said = wrap(told(block.text), WIDTH)
            return [*said, "=" * min(WIDTH, max(map(cells, said)))]
        case Heading():
            return [told(block.text), "-" * min(WIDTH, cells(told(block.text)))]
        case Paragraph():
            return wrap(told(block.text), WIDTH)
        case Item():
            said = wrap(told(block.text), WIDTH, first="- ")
            return [*said, f"      {told(block.command)}"] if block.command else said
        case Table():
            return _table(block)


def _table(table: Table) -> list[str]:
    rows = [table.columns, *([_cell(one) for one in row] for row in table.rows)]
    told_rows = [[told(cell) for cell in row] for row in rows]
    widths = [max(map(cells, column)) for column in zip(*told_rows, strict=True)]
    if sum(widths) + _BETWEEN * (len(widths) - 1) <= WIDTH:
        return [_aligned(row, widths) for row in told_rows]
    lines = [" / ".join(told_rows[0])]
    for row in told_rows[1:]:
        lines.append("")
        for number, cell in enumerate(row):
            lines += wrap(cell, WIDTH, indent=4 if number else 0)
    return lines


def _aligned(row: Sequence[str], widths: Sequence[int]) -> str:
    padded = (
        cell + " " * (width - cells(cell) + _BETWEEN)
        for cell, width in zip(row, widths, strict=True)
    )
    return "".join(padded).rstrip()


def _cell(cell: str | Bar) -> str:
    return cell.says if isinstance(cell, Bar) else cell
