"""Pages of made-up studies, and their elements."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

from reports.page.shell import render
from reports.twin.build import build_twin, to_json

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Elements, their text, and what stands outside `<data>`, `<time>` and `<bdi>`."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags = []
        self.data = []
        self.said = []
        self.own_text = []
        self.text = []
        self.stack = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.stack.append((tag, dict(attrs)))
        if tag == "data":
            self.data.append([dict(attrs), ""])
        if tag == "span" and "data-k" in dict(attrs):
            self.said.append([dict(attrs)["data-k"], ""])

    def handle_endtag(self, tag):
        assert self.stack[-1][0] == tag, f"<{self.stack[-1][0]}> is closed by </{tag}>"
        self.stack.pop()

    def handle_data(self, text):
        open_tags = {tag for tag, _ in self.stack}
        if "style" in open_tags:
            return
        self.text.append(text)
        sentences = any("data-k" in attrs for tag, attrs in self.stack if tag == "span")
        if sentences:
            self.said[-1][1] += text
        if "data" in open_tags:
            self.data[-1][1] += text
        # Safety facts, alarms behind a fold and the method are prose with figures of their own.
        elif sentences or sum(tag == "details" for tag, _ in self.stack) > 1:
            pass
        elif not open_tags & {"time", "bdi", "code", "td", "title"}:
            self.own_text.append(text)


MADE = {}


def page_and_twin(study):
    """Through JSON text, as a reader of the file would have it; made once for each study."""
    if id(study) not in MADE:
        twin = build_twin(study)
        made = render(twin, "report.json"), json.loads(to_json(twin))
        # The study is kept too, so that its id is not used again.
        MADE[id(study)] = (*made, study)
    return MADE[id(study)][:2]


def sections_of(html):
    """Anchors in order."""
    return re.findall(r'<section id="([\w-]+)"', html)


def words_of(html, anchor):
    """The words of one section, in one line."""
    start = html.index(f'<section id="{anchor}"')
    page = Page(html[start : html.index("</section>", start) + len("</section>")])
    return re.sub(r"\s+", " ", "".join(page.text))


def text_of(html, anchor):
    """The words of a section with plain blanks."""
    return words_of(html, anchor).replace("\N{NO-BREAK SPACE}", " ")


def open_words(html):
    """What is read on loading: outside of folds, and the summaries of those that are not inside
    another."""
    return Folds(html).open


class Folds(HTMLParser):
    """The text that a fold does not hide."""

    def __init__(self, html):
        super().__init__()
        self.stack, self.open = [], []
        self.feed(html[html.index("<main>") : html.index("</body>")])

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.stack.append(tag)

    def handle_endtag(self, tag):
        self.stack.pop()

    def handle_data(self, text):
        folds = self.stack.count("details")
        if folds == 0 or (folds == 1 and "summary" in self.stack):
            self.open += [word for word in text.split() if re.search(r"\w", word)]
