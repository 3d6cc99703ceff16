"""The page: one safe file whose every number is in the twin."""

from __future__ import annotations

import json
import os
import pickle
import re
import subprocess
import sys
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from reports.blocks import follow
from reports.page import SIZE_LIMIT_BYTES, render, style_hash
from reports.sections import SECTIONS
from reports.twin import build_twin, to_json

ROOT = Path(__file__).parents[2]
VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Elements, their text, and what stands outside `<data>`, `<time>` and `<bdi>`."""

    def __init__(self, html):
        super().__init__()
        self.tags = []
        self.data = []
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

    def handle_endtag(self, tag):
        assert self.stack[-1][0] == tag, f"<{self.stack[-1][0]}> is closed by </{tag}>"
        self.stack.pop()

    def handle_data(self, text):
        open_tags = {tag for tag, _ in self.stack}
        if "style" in open_tags:
            return
        self.text.append(text)
        if "data" in open_tags:
            self.data[-1][1] += text
        elif not open_tags & {"time", "bdi", "code", "td", "details", "title"}:
            self.own_text.append(text)


MADE = {}


def page_and_twin(study):
    """Through JSON text, as a reader of the file would have it; made once for each study."""
    if id(study) not in MADE:
        twin = build_twin(study)
        made = render(study, twin, "report.json"), json.loads(to_json(twin))
        # The study is kept too, so that its id is not used again.
        MADE[id(study)] = (*made, study)
    return MADE[id(study)][:2]


def printed(text):
    """(number, decimals) of a printed number."""
    found = re.search(r"−?\d+(?:\.(\d+))?", text)
    assert found, text
    return float(found[0].replace("−", "-")), len(found[1] or "")


def test_every_printed_number_is_in_the_twin(study):
    """A number read on the page equals the twin's at the printed precision."""
    html, twin = page_and_twin(study)
    page = Page(html)
    assert len(page.data) > 60
    for attributes, text in page.data:
        value = follow(twin, attributes["data-k"])
        assert float(attributes["value"]) == value
        if text.startswith("under 1"):
            assert value < 0.01
            continue
        shown, decimals = printed(text)
        expected = {
            "in100": min(100 * value, 99) if "probability" in attributes["data-k"] else 100 * value,
            "not100": min(100 * (1 - value), 99),
        }.get(attributes.get("data-as"), value)
        assert shown == pytest.approx(expected, abs=0.5000001 * 10**-decimals), attributes


# Numbers of fixed prose: the scale of words, what a range means, and the safety facts.
PROSE = {"1", "2", "3", "4", "9", "10", "15", "20", "30", "100", "1110", "3.7", "7.4", "0.5"}


def test_prose_holds_no_number_of_its_own(study):
    """Every number outside a `<data>` element is part of a fixed sentence."""
    html, _ = page_and_twin(study)
    stray = set(re.findall(r"\d+(?:\.\d+)?", " ".join(Page(html).own_text)))
    assert stray <= PROSE


def test_page_runs_no_script_and_asks_for_nothing(study):
    """Opened from disk or mail, the page is text and pictures only."""
    html, _ = page_and_twin(study)
    for tag, attributes in Page(html).tags:
        assert tag not in ("script", "link", "iframe", "object", "base", "form")
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
        for name in ("src", "href"):
            assert attributes.get(name, "#").startswith(("data:image/svg+xml;base64,", "#"))


def test_policy_allows_exactly_this_stylesheet(study):
    """The hash in the policy is that of the style element: the browser applies it and no other."""
    html, _ = page_and_twin(study)
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.S)
    assert f"style-src '{style_hash(style)}'" in html
    assert "default-src 'none'" in html
    assert "url(" not in style
    assert "@import" not in style


def test_names_cannot_break_out(make_study):
    """A hostile name shows as its own text; marks that turn text around are gone."""
    html, _ = page_and_twin(make_study("hostile"))
    page = Page(html)
    shown = " ".join(page.text)
    assert '<script>alert("1")</script>' in shown
    assert "{{ 7*7 }}" in shown
    assert "$\\frac$" in shown
    assert "<script" not in html
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08]", html)


def test_ids_are_unique_and_headings_do_not_skip(study):
    """Links and screen readers find their way."""
    html, _ = page_and_twin(study)
    tags = Page(html).tags
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    levels = [int(tag[1]) for tag, _ in tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    targets = {attributes["href"][1:] for tag, attributes in tags if tag == "a"}
    assert targets <= set(ids)


def test_every_picture_has_words(study):
    """Whoever cannot see a figure reads what it says."""
    html, _ = page_and_twin(study)
    pictures = [attributes for tag, attributes in Page(html).tags if tag == "img"]
    assert pictures
    assert all(len(attributes["alt"]) > 60 for attributes in pictures)


@pytest.mark.parametrize("variant", ["wide", "failed"])
def test_withheld_report_shows_no_flow_to_set(make_study, variant):
    """A large number with a small warning is acted on: where withheld there is none."""
    html, twin = page_and_twin(make_study(variant))
    assert "No setting recommended yet" in html
    assert twin["status_reasons"][0].rstrip(".") in html
    keys = [attributes["data-k"] for attributes, _ in Page(html).data]
    assert not [key for key in keys if key.startswith(("/flow/recommended", "/flow/needed"))]


def test_failed_fit_shows_no_estimate(make_study):
    """Numbers of a fit that did not pass its checks are not printed."""
    html, _ = page_and_twin(make_study("failed"))
    keys = [attributes["data-k"] for attributes, _ in Page(html).data]
    banned = ("/uptake", "/level_now", "/supplies", "/dosing", "/effluent", "/water_volume_l")
    assert not [key for key in keys if key.startswith(banned)]
    assert "Do not act on this report" in html


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ("full", "Lower the effluent pump to"),
        ("leave", "Leave the effluent pump at"),
        ("start", "Start the effluent pump at"),
        ("no reactor", "Plan for about"),
    ],
)
def test_answer_comes_first(make_study, variant, words):
    """What to do is the first thing said after the title."""
    html, _ = page_and_twin(make_study(variant))
    first = html.index('<p class="label">')
    assert html[first:].startswith(f'<p class="label">{words}')
    assert first < html.index("<figure>")


def test_no_reactor_gives_dose_rates(make_study):
    """A tank without a reactor is told how to hold its band by dosing."""
    html, _ = page_and_twin(make_study("no reactor"))
    first_section = html[: html.index('<section id="sure"')]
    assert "Dose rates that hold the level" in first_section
    assert "soda" in first_section


def test_summary_is_plain_and_short(study):
    """At most five sentences, no Greek, no statistician's word."""
    html, _ = page_and_twin(study)
    (summary,) = re.findall(r'<p class="summary">(.*?)</p>', html, re.S)
    text = re.sub(r"<[^>]+>", "", summary)
    assert len(re.findall(r"[.!?](?:\s|$)", text)) <= 5
    assert not re.search("[α-ωΑ-Ω]|posterior|prior|credible", text)


def test_at_most_three_cautions_and_who_prevails(study):
    """Many warnings are read as none."""
    html, _ = page_and_twin(study)
    section = html[html.index('<section id="cautions"') : html.index('<section id="trust"')]
    assert 1 <= section.count("<li>") <= 3
    assert "licensed electrician" in section
    assert "Local codes" in section


def test_odd_readings_say_test_again(make_study):
    """The keeper is told not to react to one odd reading."""
    html, twin = page_and_twin(make_study("full"))
    assert "test again before you" in html
    assert f'/odd_readings/0/row">{twin["odd_readings"][0]["row"]}<' in html


def test_long_log_stays_small(make_study):
    """Browsers on phones open the page even of a log of years."""
    html, twin = page_and_twin(make_study("full", tests=900))
    assert len(twin["readings"]) > 900
    assert len(html.encode()) < SIZE_LIMIT_BYTES


def test_sections_come_in_the_order_of_their_list(make_study):
    """A section is one function, listed once."""
    html, _ = page_and_twin(make_study("full"))
    found = re.findall(r'<section id="(\w+)"', html)
    assert found == ["set", "sure", "why", "next", "narrow", "cautions", "trust", "record"]
    assert len(SECTIONS) == len(found)


def test_bytes_repeat_across_processes(make_study, tmp_path):
    """Neither hash seeds nor the time zone nor the clock change a byte."""
    study = make_study("full")
    html, _ = page_and_twin(study)
    (tmp_path / "study").write_bytes(pickle.dumps(study))
    code = (
        "import pickle, sys; from pathlib import Path\n"
        "from reports.page import render; from reports.twin import build_twin\n"
        "study = pickle.loads(Path(sys.argv[1], 'study').read_bytes())\n"
        "page = render(study, build_twin(study), 'report.json')\n"
        "Path(sys.argv[1], 'page').write_bytes(page.encode())\n"
    )
    environment = os.environ | {
        "PYTHONHASHSEED": "7",
        "TZ": "Pacific/Chatham",
        "PYTHONPATH": str(ROOT),
    }
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], env=environment, check=True)
    assert (tmp_path / "page").read_bytes() == html.encode()
