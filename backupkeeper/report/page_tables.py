"""The page's tables: columns that are named once, for the head of a table and for a narrow window.

On a phone a row becomes a short list in which each cell says its column (``LABELS``).
"""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Final

from backupkeeper.core.model import Role
from backupkeeper.report.html import Attribute, Child, Markup, element

_ROLES: Final = tuple(role.value.capitalize() for role in Role)
COLUMNS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "short": ("Roll", "At risk", "Taken", *_ROLES),
        "shoot-rolls": ("Roll", "Files", "Size", "Taken", *_ROLES),
        "drives": (
            "Drive",
            "Holds",
            "Room",
            "Health",
            "Last here",
            "Last proven",
            "Full at this rate",
        ),
        "buckets": (
            "Bucket",
            "Holds",
            "Tried",
            "Last proven",
            "Fetched back",
            "Costs",
            "Catalog kept",
        ),
        "deeds": ("Under way", "Done", "Left"),
        "harms": ("File", "Found", "What", "Mended"),
        "drills": ("Made", "Shoot", "From", "Brought", "Result"),
    }
)
"""Kind of table -> its columns."""
LABELS: Final = "".join(
    f'  .{kind} td:nth-child({number})::after {{ content: "{column}"; }}\n'
    for kind, columns in COLUMNS.items()
    for number, column in enumerate(columns[1:], start=2)
)
"""CSS for a narrow window."""


def table(kind: str, caption: Child, rows: Iterable[Child], *, is_told: bool = True) -> Markup:
    """A table with the columns of its kind.

    Args:
        kind: one of ``COLUMNS``.
        caption: what the table is.
        rows: each a ``tr``.
        is_told: whether the caption can be seen; else the heading above says the same.
    """
    heads = (element("th", one, scope="col", role="columnheader") for one in COLUMNS[kind])
    # Roles, said once more: a browser forgets them where the style makes blocks of the cells.
    return element(
        "table",
        element("caption", caption, class_=None if is_told else "unseen"),
        element("thead", element("tr", *heads, role="row"), role="rowgroup"),
        element("tbody", *rows, role="rowgroup"),
        class_=f"rows {kind}",
        role="table",
    )


def row(head: Child, *cells: Markup, **attributes: Attribute) -> Markup:
    """A row: what names it, then its cells."""
    return element(
        "tr", element("th", head, scope="row", role="rowheader"), *cells, role="row", **attributes
    )


@lru_cache(maxsize=4096)  # of tens of thousands few differ
def cell(*words: Child, kind: str | None = None) -> Markup:
    """A cell; ``kind`` is its class."""
    return element("td", *words, class_=kind, role="cell")


def under(*words: Child) -> Markup:
    """A quiet second line in a cell."""
    return element("small", *words, class_="under")
