"""The elements and the words of a page of HTML, and what a strict policy refuses of them."""

import re
from collections import Counter
from html import unescape
from html.parser import HTMLParser

from daq.page.shown.environment import render

VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Elements(HTMLParser):
    """Elements with the names of their attributes; refuses what a strict policy refuses."""

    def __init__(self):
        super().__init__()
        self.found, self.ids, self.labelled, self.problems = Counter(), Counter(), set(), []
        self.open = []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.found[tag, *sorted(given)] += 1
        self.ids[given.get("id")] += "id" in given
        self.labelled |= {given["for"]} if "for" in given else set()
        if tag not in VOID and tag not in ("path", "circle", "line", "rect"):
            self.open.append(tag)
        for name, value in attrs:
            if name.startswith("on") or name in ("style", "srcdoc"):
                self.problems.append((tag, name))
            if name in ("href", "src", "action") and not re.match(r"/(?!/)|#content$", value or ""):
                self.problems.append((tag, name, value))
        if tag in ("style", "iframe", "object", "base") or (tag == "script" and "src" not in given):
            self.problems.append((tag,))

    def handle_endtag(self, tag):
        if tag in ("path", "circle", "line", "rect"):
            return
        if not self.open or self.open.pop() != tag:
            self.problems.append(("end", tag))


def elements(text):
    parser = Elements()
    parser.feed(text)
    assert parser.open == []
    return parser


def words(template, lang="en", **values):
    """Return the text of a page as a person reads it: in one line, without elements."""
    text = render(template, lang, values)
    main = re.sub(r"data-(live|words)='[^']*'|data-(live|words)=\"[^\"]*\"", "", text)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", main.partition("<body")[2])))
