"""How a sentence prints the twin's numbers."""

from __future__ import annotations

import pytest

from reports.blocks import Numbers, pointer, resolve

TWIN = {
    "sure": 0.999,
    "wide": {"q05": 3.0, "q50": 9.0, "q95": 31.0},
    "dose": 36.4,
    "small": 7.5,
    "tank": {"pump": {"step": 0.1}},
    "seed": 7,
    "gone": None,
    "level": {"q05": 7.25, "q50": 8.125, "q95": 9.0},
    "chance": 0.934,
    "change": -0.004,
    "flow": 12.34,
    "kits": {"a/b~ {x}": {"off": 1.5}},
    "steps": [{"day": 1}, {"day": 2}],
}


@pytest.mark.parametrize(
    ("template", "words"),
    [
        ("{/seed} seeds", "7 seeds"),
        ("{/gone}", "not known"),
        ("{/level/q50:1}", "8.1"),
        ("{/level:middle NBS} ({/level:span NBS})", "8.12 (7.25 to 9.00)"),
        ("{/level:around {unit}} {unit}", "8.12 (7.25 to 9.00) dKH"),
        ("{/change:signed 2} or {/change:signed 3}", "0.00 or −0.004"),
        ("{/chance:odds} in 100, {/chance:share}", "95 in 100, 93 %"),
        ("{/chance:left}, {/chance:days_in_ten}", "5, 9.5"),
        ("{/sure:odds}, {/sure:days_in_ten}", "over 95, over 9.5"),
        ("{/sure:left}", "under 5"),
        ("{/wide:span 0}", "3 or more"),
        ("{/dose:ml}, {/small:ml}, {/change:ml_change}", "36, 7.5, 0.0"),
        ("{/flow:flow} mL/h", "12.3 mL/h"),
        ("{at/day} and {at/day:1}", "2 and 2.0"),
        ("{at:words}", "{'day': 2}"),
    ],
)
def test_a_sentence_names_the_pointers_of_its_numbers(template, words):
    """A count unless said otherwise; a unit, decimals, or a method of `Numbers` with either."""
    said = Numbers(TWIN).say(template, unit="dKH", at="/steps/1")
    assert said.striptags() == words


def test_every_number_of_a_sentence_keeps_its_pointer():
    """The page can be checked against the twin."""
    said = Numbers(TWIN).say("{/seed}")
    assert said == '<data value="7" data-k="/seed">7</data>'


def test_a_name_in_a_sentence_is_only_text():
    """Braces and tags in a keeper's name are neither filled in nor obeyed."""
    said = Numbers(TWIN).say("{name} {at/off:1}", name="{/seed}<b>", at=pointer("kits", "a/b~ {x}"))
    assert said.startswith("{/seed}&lt;b&gt; <data")
    assert resolve(TWIN, pointer("kits", "a/b~ {x}", "off")) == 1.5


def test_a_row_is_cells_set_apart():
    """A bar in a keeper's name makes no cell."""
    row = Numbers(TWIN).row("{name} | {/seed} | ", name="a | b")
    assert [str(cell) for cell in row][0::2] == ["a | b", ""]
    assert len(row) == 3


def test_each_item_comes_with_its_pointer():
    """What a table's rows are made from."""
    numbers = Numbers(TWIN)
    assert [(at, numbers.get(at)) for at, _ in numbers.each("/steps")] == numbers.each("/steps")
