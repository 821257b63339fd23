"""The one large answer: letters of our own, and a border that says the same by its shape.

Promise: a yes stands between whole lines, a no between barred ones, so the two differ without
colour and from across a room; nothing is wider than 30 columns.
"""

from backupkeeper.core.outcomes import Answer

_LETTERS = {
    "Y": ("##   ##", " ## ## ", "  ###  ", "  ##   ", "  ##   "),
    "E": ("###### ", "##     ", "#####  ", "##     ", "###### "),
    "S": (" ##### ", "##     ", " ####  ", "    ## ", "#####  "),
    "N": ("##   ##", "###  ##", "## # ##", "##  ###", "##   ##"),
    "O": (" ##### ", "##   ##", "##   ##", "##   ##", " ##### "),
}
_BORDER = {Answer.YES: "=", Answer.NO: "/"}
_ROWS = 5
_EDGE = 2


def banner(answer: Answer, *, ascii_only: bool) -> tuple[str, ...]:
    """The answer in large letters, seven rows high.

    Args:
        answer: Yes or no.
        ascii_only: Whether the letters are drawn with ``#`` instead of full blocks.
    """
    word = answer.value.upper()
    rows = [
        " " * (_EDGE + 2) + "  ".join(_LETTERS[letter][row] for letter in word).rstrip()
        for row in range(_ROWS)
    ]
    if not ascii_only:
        rows = [row.replace("#", "\N{FULL BLOCK}") for row in rows]
    across = len("  ".join(_LETTERS[letter][0] for letter in word)) + 4
    border = " " * _EDGE + _BORDER[answer] * across
    return (border, *rows, border)
