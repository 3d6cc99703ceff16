"""Text from the keeper's files stays text: in the page, in the twin and on the terminal."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from helpers import studies
from helpers.catalogue import LOG, TANK
from helpers.command import run
from reports.output import destination, write
from reports.page.shell import render
from reports.summary import terminal_lines
from reports.twin.build import build_twin, to_json

PAYLOADS = {
    "html": "</bdi></td></title></style><script>alert(1)</script><img src=x onerror=alert(2)>",
    "attribute": "\" onmouseover=\"alert(1)\" ' onload='alert(2)' x=`",
    "entities": "&lt;script&gt;&#60;b&#62;&amp;&nbsp;]]><!--<![CDATA[<?php echo 1 ?>-->",
    "svg": "</text></svg><svg/onload=alert(1)><foreignObject><iframe src=javascript:alert(1)>",
    "template": "{{ 7*7 }}{% for x in y %}{# #}${7*7}#{7*7}<%= 7*7 %>",
    "format": "%s%n%(name)s{0}{name.__class__.__mro__}{!r:>9999}\\x41\\u202e\\N{BULLET}",
    "mathtext": "$\\frac{1}{0}$ $ \\$ $$ \\input{/etc/passwd} _{x}^{y} ^",
    "markdown": "[x](javascript:alert(1)) ![y](https://example.invalid/z) **b** `c` # | --- |",
    "markup": "[bold red]x[/bold red][/][link=https://example.invalid]y[/link]",
    "csv": '=HYPERLINK("https://example.invalid","x")@SUM(1)+1-1|cmd\t;,',
    "json": '","status":"recommended","x":{"__proto__":1}}\u2028\u2029</script>',
    "toml": '"\n[reactor]\nflow_max_ml_h = 1\n"""',
    "terminal": "\x1b[2J\x1b]8;;https://example.invalid\x07x\x1b]8;;\x07\x9b31m\r\b\x7f",
    "direction": "\u202eabc\u202c\u2066d\u2069\u200f\u061c\u200b\ufeff\u00ad",
    "letters": "e" + "\u0301" * 40 + "鱼🐠\U000e0041\ufdd0\uffff",
    "path": "../../../etc/passwd\\..\\..\\con.html",
    "long": "W" * 400,
}
INVISIBLE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")


class Shape(HTMLParser):
    """The tags and the names of their attributes, the pictures, and all other values."""

    def __init__(self, html):
        super().__init__()
        self.tags = []
        self.pictures = []
        self.values = []
        self.text = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, *sorted(name for name, _ in attrs)))
        for name, value in attrs:
            if name == "src":
                self.pictures.append(value)
            elif name in ("href", "content", "class", "id"):
                self.values.append((tag, name, value))

    def handle_endtag(self, tag):
        self.tags.append((f"/{tag}",))

    def handle_data(self, data):
        self.text.append(data)

    def handle_comment(self, data):
        self.tags.append(("comment", data))


def made(monkeypatch, payload):
    """(page, twin, its JSON) of a study with `payload` in each of its names and notes."""
    monkeypatch.setattr(studies, "HOSTILE", payload)
    study = studies.build_study.__wrapped__("hostile")
    twin = build_twin(study)
    return render(study, twin, f"{payload}.json"), twin, to_json(twin)


@pytest.fixture(scope="module")
def harmless():
    """The shape of the same page with harmless names."""
    with pytest.MonkeyPatch.context() as patch:
        return Shape(made(patch, "names")[0])


def picture_names(source):
    """Element names and attributes of a picture, which must be well-formed XML by itself."""
    head, _, data = source.partition(",")
    assert head == "data:image/svg+xml;base64"
    return [
        (element.tag.rpartition("}")[2], name.rpartition("}")[2], value)
        for element in ElementTree.fromstring(base64.b64decode(data)).iter()
        for name, value in (element.attrib or {"": ""}).items()
    ]


@pytest.mark.parametrize("payload", PAYLOADS.values(), ids=PAYLOADS)
def test_names_and_notes_are_inert(harmless, monkeypatch, payload):
    """No name adds a tag or an attribute to the page, a key to the twin or a mark to a line."""
    html, twin, text = made(monkeypatch, payload)

    shape = Shape(html)
    assert shape.tags == harmless.tags
    assert shape.values == harmless.values
    assert not INVISIBLE.search(html)
    shown = " ".join("".join(shape.text).split())
    assert " ".join(studies_plain(payload).split())[:60].strip() in shown
    assert len(shape.pictures) == len(harmless.pictures)
    for picture in shape.pictures:
        for tag, name, value in picture_names(picture):
            assert tag not in ("script", "foreignObject", "iframe", "image", "a")
            assert not name.startswith("on")
            assert name != "href" or value.startswith("#")

    assert json.loads(text) == twin
    assert text.isascii()
    for line in terminal_lines(twin, "report.html", "report.json"):
        assert line.isprintable()


def studies_plain(payload):
    """The payload as the page may show it."""
    from reports.wording import plain

    return plain(payload)


def test_a_file_name_that_is_no_text_is_written(tmp_path):
    """A name of bytes that are no UTF-8 reaches the page and the twin as a stand-in."""
    study = studies.build_study("full")
    study = replace(study, log=replace(study.log, name="caf\udce9.csv"))
    twin = build_twin(study)
    where = destination(tmp_path / "report.html", [])
    write(where, render(study, twin, "caf\udce9.json"), to_json(twin))
    assert "caf .csv" in where.page.read_text(encoding="utf-8")
    assert json.loads(where.twin.read_text(encoding="utf-8"))["inputs"]["log_name"].endswith(".csv")


HOSTILE_TANK = TANK.replace('"Hall"', '''"\\u001b[2J<b>{{7*7}}%s"''')
EVIL = "\\u001b[31m<i onclick=x>{0}%n\\u202e$(id)"


@pytest.mark.parametrize(
    "table", ["kits.drops", "solutions.soda", "water.new", "reference.standard"]
)
def test_names_arrive_whole_and_print_harmless(tmp_path, monkeypatch, no_fit, table):
    """The reader keeps a name as written; the terminal shows none of its control characters."""
    monkeypatch.chdir(tmp_path)
    kind = table.split(".")[0]
    Path("tank.toml").write_text(HOSTILE_TANK.replace(f"[{table}]", f'[{kind}."{EVIL}"]'))
    name = EVIL.encode().decode("unicode_escape")
    rows = {
        "kits": f"2025-03-04,new_bottle,{name},,,,",
        "solutions": f"2025-03-04,dose,{name},20,,,",
        "water": f"2025-03-04,alkalinity,{name},8,,,",
        "reference": f"2025-03-04,alkalinity,{name},7,,,",
    }
    Path("log.csv").write_text(LOG + rows[kind] + "\n", encoding="utf-8")
    result = run("check", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 0, result.output

    # A slip in the name brings the declared name into a message.
    Path("log.csv").write_text(LOG + rows[kind].replace("<i", "<j") + "\n")
    result = run("check", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 2
    assert "onclick=x>{0}%n" in result.output


def test_a_note_is_kept_to_the_letter(tmp_path):
    """Whatever a note holds, it is data: nothing in it is carried out, changed or lost."""
    import csv
    import io
    from datetime import datetime

    from estimator.inputs.read import read_log, read_tank

    tank, _ = read_tank(Path("tank.toml"), data=TANK.encode())
    notes = list(PAYLOADS.values())
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow(["time", "entry", "value", "note"])
    writer.writerows(
        (f"2025-03-{day:02d}", "alkalinity", "8.1", note) for day, note in enumerate(notes, start=1)
    )
    log, _ = read_log(
        Path("log.csv"), tank, now=datetime(2025, 6, 1), data=buffer.getvalue().encode()
    )
    read = [reading.note for reading in log.readings]
    # Line ends are one character, and outer blanks are not part of a cell.
    assert read == [note.replace("\r", "\n").strip() for note in notes]
