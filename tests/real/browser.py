"""A real browser's pages, and what is asked about them. The fixtures stand in ``browser_fixtures``.

A page that asks for anything but files and this machine's loopback, or that has an error to tell on
its console, fails the test that opened it. ``axe_faults`` asks a rule book for accessible pages that is
not ours (axe-core: WCAG 2.2 A and AA, and its best practices).
"""

import importlib.resources
from contextlib import ExitStack
from typing import Any, Literal
from urllib.parse import urlsplit

from playwright.sync_api import Browser, ConsoleMessage, Page, Request, Route

DESK = (1280, 900)
PHONE = (390, 844)
"""Width and height of a common phone's window in CSS pixels (common practice, no source)."""
_ASK_AXE = """async () => {
  const told = await axe.run(document, {resultTypes: ['violations', 'incomplete']});
  const lines = (kind, found) => found.flatMap((one) =>
    one.nodes.map((node) => `${kind} ${one.id}: ${one.help}: ${node.html}`));
  return lines('wrong', told.violations).concat(lines('undecided', told.incomplete));
}"""


def is_here(url: str) -> bool:
    """Whether a page may ask for this address: a file, something it holds itself, or the loopback."""
    parts = urlsplit(url)
    return parts.scheme in {"file", "data", "about", "blob"} or parts.hostname == "127.0.0.1"


class Pages:
    """Opens pages and listens to what they ask for and complain of."""

    def __init__(self, browser: Browser, stack: ExitStack) -> None:
        self._browser = browser
        self._stack = stack
        self.outside: list[str] = []
        """Addresses that were asked for and are not here; they got no answer."""
        self.complaints: list[str] = []
        """Errors on a console, and of scripts."""

    def new(
        self,
        size: tuple[int, int] = DESK,
        *,
        scheme: Literal["light", "dark"] = "light",
        scripts: bool = True,
    ) -> Page:
        """An empty page in a profile of its own.

        Args:
            size: width and height in CSS pixels.
            scheme: what the person prefers.
            scripts: whether the page's own scripts run; ``evaluate`` does in any case.
        """
        context = self._browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme=scheme,
            java_script_enabled=scripts,
            accept_downloads=False,
            service_workers="block",
        )
        self._stack.callback(context.close)
        context.set_default_timeout(60_000)  # many times what it needs here
        context.route("**/*", self._route)
        page = context.new_page()
        page.on("request", self._asked)
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        return page

    def _asked(self, request: Request) -> None:
        if not is_here(request.url):
            self.outside.append(request.url)

    def _route(self, route: Route) -> None:
        if is_here(route.request.url):
            route.continue_()
        else:
            route.abort()

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"}:
            self.complaints.append(message.text)


def axe_faults(page: Page) -> list[str]:
    """What is not accessible on a page, one line for each place; empty if nothing is wrong.

    Also what the rules can't decide by themselves: write pages so that they can.
    """
    source = importlib.resources.files("axe_playwright_python").joinpath("axe.min.js")
    page.evaluate(f"() => {{ {source.read_text('utf-8')} }}")
    told: Any = page.evaluate(_ASK_AXE)
    return [str(line) for line in told]


def faults_of_report(page: Page) -> list[str]:
    """The same, but for the ink of drawings, which the rules can't decide: another test holds it."""
    return [
        one
        for one in axe_faults(page)
        if not (one.startswith("undecided color-contrast") and "<text " in one)
    ]


def overflow(page: Page) -> int:
    """By how many pixels a page is wider than its window: 0 where nobody has to push it sideways."""
    wide: Any = page.evaluate(
        "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    return int(wide)
