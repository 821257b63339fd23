"""Pages: nothing from outside becomes markup, and nothing outside is asked for."""

import re
from html.parser import HTMLParser

import pytest
from hypothesis import given, strategies as st
from lxml import html as lxml_html

from backupkeeper.report.html import (
    STYLE,
    Markup,
    Shape,
    Tone,
    document,
    element,
    joined,
    name,
    shape,
    state,
    table,
    text,
)
from backupkeeper.report.words import shown, told

anything = st.one_of(
    st.text(st.characters(exclude_categories=[])),
    st.binary().map(lambda raw: raw.decode("utf-8", "surrogateescape")),
    st.sampled_from(
        [
            "<script>alert(1)</script>",
            '"><img src=x onerror=alert(1)>',
            "&lt;b&gt; &amp;",
            "</style></title><script>",
            "<!-- ]]> -->",
            "\u202egnp.exe",
            "a\nb\x00\x1b[2J",
            "\udcff.MP4",
        ]
    ),
)


class Seen(HTMLParser):
    """What a parser that knows nothing of us makes of a page."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, key, value) for key, value in attrs]

    def handle_data(self, data: str) -> None:
        self.words += data


@given(anything)
def test_a_text_is_never_markup(value: str) -> None:
    for built, expected in (
        (element("p", value), told(value)),
        (joined(value), told(value)),
        (element("p", text(value)), told(value)),
        (element("p", name(value)), shown(value)),
    ):
        seen = Seen(built.source)
        assert seen.words == expected
        assert set(seen.tags) <= {"p", "bdi", "wbr"}
        assert (
            built.source.encode("utf-8").decode("utf-8") == built.source
        )  # no half of a surrogate pair is left


@given(anything)
def test_a_value_of_an_attribute_stays_in_its_quotes(value: str) -> None:
    seen = Seen(element("td", "x", title=value, aria_label=value).source)
    assert seen.attributes == [("td", "title", told(value)), ("td", "aria-label", told(value))]
    assert seen.words == "x"


@given(anything)
def test_a_whole_page_holds_nothing_but_what_was_put_there(value: str) -> None:
    page = document(value, element("main", element("h1", value), name(value)), generator=value)
    seen = Seen(page)
    assert seen.tags == [
        *("html", "head", *["meta"] * 6, "title", "style", "body", "main", "h1", "bdi"),
        *["wbr"] * value.count("/"),
    ]
    tree = lxml_html.document_fromstring(page)
    assert tree.findtext(".//title") == told(value)
    assert tree.find(".//h1").text_content() == told(value)  # type: ignore[union-attr] # it is there


def test_a_name_may_be_broken_after_a_slash_and_is_isolated() -> None:
    assert name("DCIM/a<b").source == '<bdi class="name">DCIM/<wbr>a&lt;b</bdi>'


def test_none_is_nothing_and_markup_stays_markup() -> None:
    assert joined(None, Markup("<br>"), "<br>").source == "<br>&lt;br&gt;"


def test_attributes_are_bare_left_out_or_quoted() -> None:
    built = element("details", open=True, class_=None, role=False, id=7)
    assert built.source == '<details open id="7"></details>'


def test_a_drawing_is_closed_as_svg_wants_it() -> None:
    drawn = element("svg", element("circle", r=3), element("path", d="M0 0"), viewBox="0 0 9 9")
    expected = '<svg viewBox="0 0 9 9"><circle r="3"></circle><path d="M0 0"></path></svg>'
    assert drawn.source == expected
    assert element("br").source == "<br>"


def test_a_table_names_its_rows_and_columns_for_those_who_cannot_see_it() -> None:
    built = table("What", ["Place", "Files"], [[text("Main"), "14"], ["Travel", None]], numbers=[1])
    tree = lxml_html.fragment_fromstring(built.source)
    assert tree.findtext("caption") == "What"
    assert [(th.text, th.get("scope")) for th in tree.findall("thead/tr/th")] == [
        ("Place", "col"),
        ("Files", "col"),
    ]
    rows = tree.findall("tbody/tr")
    assert [row.find("th").text_content() for row in rows] == ["Main", "Travel"]
    cell = rows[0].find("td")
    assert cell is not None
    assert (cell.text, cell.get("class"), cell.get("data-label")) == ("14", "number", "Files")
    with pytest.raises(ValueError, match="zip"):
        table("What", ["Place", "Files"], [["one cell only"]])


@pytest.mark.parametrize(
    "tag", ["style", "script", "img", "iframe", "link", "form", "object", "P", "p>"]
)
def test_what_no_page_of_ours_has_cannot_be_built(tag: str) -> None:
    with pytest.raises(ValueError, match="No page of ours"):
        element(tag)


@pytest.mark.parametrize(
    "attributes",
    [{"onclick": "x"}, {"src": "x"}, {"style": "x"}, {"href": "https://x"}, {"a b": ""}],
)
def test_nor_an_attribute_that_runs_or_fetches(attributes: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="No page of ours"):
        element("a", "x", **attributes)


def test_a_link_to_a_part_of_the_page_can() -> None:
    assert element("a", "x", href="#files").source == '<a href="#files">x</a>'


def test_every_state_has_a_shape_of_its_own_and_its_words() -> None:
    drawn = {shape(one).source for one in Shape}
    assert len(drawn) == len(Shape)
    told_ = state(Shape.CROSS, Tone.BAD, "damaged")
    assert 'class="state bad"' in told_.source
    assert 'aria-hidden="true"' in told_.source
    assert Seen(told_.source).words.strip() == "damaged"


def test_the_style_asks_for_nothing_and_knows_light_dark_paper_and_phone() -> None:
    assert not re.search(r"url\(|@import|@font-face|https?:", STYLE)
    for wanted in ("prefers-color-scheme: dark", "@media print", "max-width: 40rem"):
        assert wanted in STYLE
    assert "</" not in STYLE


def test_a_page_tells_the_browser_to_run_and_fetch_nothing() -> None:
    page = document("x")
    assert page.startswith('<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">')
    assert "default-src &#x27;none&#x27;" in page
