"""What is said to the strict store and what it says: requests, answers, refusals, XML."""

from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from defusedxml.ElementTree import ParseError, fromstring


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A request, its signature and the hash of its body already checked."""

    method: str
    bucket: str
    key: str
    query: Mapping[str, str]
    headers: Mapping[str, str]
    """By lower-case name."""
    body: bytes = b""

    def header(self, name: str) -> str | None:
        """A header, by its lower-case name."""
        return self.headers.get(name)


@dataclass(kw_only=True)
class Answer:
    """An answer."""

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)


class RefusedError(Exception):
    """The store refuses, with a status and a code of the service's published list of errors."""

    def __init__(self, status: int, code: str, message: str = "") -> None:
        super().__init__(f"{status} {code}: {message}")
        self.status = status
        self.code = code
        self.message = message or code

    def answer(self) -> Answer:
        """As it travels."""
        body = tag("Error", text("Code", self.code), text("Message", self.message))
        return document(body, status=self.status)


def tag(name: str, *inside: str) -> str:
    """An element with others inside."""
    return f"<{name}>{''.join(inside)}</{name}>"


def text(name: str, value: object) -> str:
    """An element with text inside."""
    return tag(name, escape(str(value), {"\r": "&#13;"}))


def document(body: str, *, status: int = 200, headers: Mapping[str, str] | None = None) -> Answer:
    """An answer in XML."""
    return Answer(
        status=status,
        body=f'<?xml version="1.0" encoding="UTF-8"?>\n{body}'.encode(),
        headers={"Content-Type": "application/xml"} | dict(headers or {}),
    )


def flat(data: bytes, item: str) -> list[dict[str, str]]:
    """Elements called ``item`` of a document, each as a dict of what stands directly inside.

    Raises:
        RefusedError: It is no XML.
    """
    try:
        root = fromstring(data)
    except (ParseError, ValueError) as error:
        raise RefusedError(400, "MalformedXML") from error
    return [
        {one.tag.rpartition("}")[2]: one.text or "" for one in element}
        for element in root.iter()
        if element.tag.rpartition("}")[2] == item
    ]


def value_in(data: bytes, name: str) -> str | None:
    """The text of the first element of a name in a document, or None.

    Raises:
        RefusedError: It is no XML.
    """
    try:
        root = fromstring(data)
    except (ParseError, ValueError) as error:
        raise RefusedError(400, "MalformedXML") from error
    for element in root.iter():
        if element.tag.rpartition("}")[2] == name:
            return element.text or ""
    return None


def token_of(mark: str) -> str:
    """A token that says where a listing goes on; opaque to who gets it."""
    return b64encode(mark.encode()).decode("ascii")
