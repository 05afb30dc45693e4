"""Pages as a test looks at them: over a real socket, parsed, and free of what a machine wants to be markup."""

import unicodedata

import httpx
from lxml import html

TURNING = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of a text."""
PAGE = {"accept": "text/html,*/*"}
ELEMENTS = {"img", "iframe", "object", "embed", "style", "base", "link", "meta", "script"}
OURS = {
    ("script", "/static/look.js"), ("script", "/static/page.js"), ("script", "/static/live.js"), ("link", "/static/style.css"),
    ("link", "/static/mark.svg"),
}  # fmt: skip


def shown(asked: httpx.Client, path: str) -> httpx.Response:
    """A page, once its long question is answered."""
    for _ in range(200):
        found = asked.get(path, headers=PAGE, follow_redirects=True)
        if found.status_code != 202:
            return found
    raise AssertionError(f"{path} is never answered")


def tree_of(answer: httpx.Response) -> html.HtmlElement:
    return html.document_fromstring(answer.content.decode())


def nothing_became_markup(answer: httpx.Response) -> None:
    """The page did not break, holds no element, attribute or address but ours, turns no line round and rings no bell."""
    assert answer.status_code < 500, answer.text[-2000:]
    assert answer.headers["content-type"].startswith("text/html")
    tree = tree_of(answer)
    for element in tree.iter():
        assert not [name for name in element.attrib if name.startswith("on") or name == "style"]
        if element.tag in ELEMENTS - {"meta"}:
            assert (element.tag, element.get("src") or element.get("href")) in OURS
    for address in [*tree.xpath("//@href"), *tree.xpath("//@src"), *tree.xpath("//@action")]:
        assert address.startswith(("/", "#")), "nothing leads elsewhere"
        assert not address.startswith("//")
    for element in tree.xpath("//input | //option"):
        element.attrib.pop("value", None)  # a form sends back what it was given, letter for letter
    told = html.tostring(tree, encoding="unicode")
    wrong = {
        one for one in told if one not in "\n\t\r" and (unicodedata.category(one) == "Cc" or one in TURNING)
    }
    assert not wrong, f"{wrong!r} is on the page"
