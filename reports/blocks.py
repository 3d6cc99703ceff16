"""What a section is made of, and the one way in which the page prints a number.

Every number on the page is read from the JSON twin by a JSON pointer (RFC 6901) that stays in the
HTML, so that each can be checked against the twin.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from string import Formatter
from typing import Any
from urllib.parse import quote, unquote

from markupsafe import Markup

from reports.wording import (
    DAYS,
    DECIMALS,
    MONTHS,
    chance_sides,
    date_words,
    fixed,
    nearest_five,
    needed_decimals,
    plain,
    step_decimals,
)

Text = str | Markup
"""Plain strings are escaped where they meet the page; `Markup` is not."""


class Block:
    """A part of a section. A list or table that holds nothing is false, and left out."""

    @property
    def kind(self) -> str:
        """What the template shows it as."""
        return type(self).__name__


@dataclass(frozen=True)
class Prose(Block):
    """One paragraph; `style` is a CSS class or ""."""

    text: Text
    style: str = ""


@dataclass(frozen=True)
class Items(Block):
    """A bullet list."""

    items: Sequence[Text]

    def __bool__(self) -> bool:
        return bool(self.items)


@dataclass(frozen=True)
class Answer(Block):
    """The headline: a label, the large words, and lines below. `style`: "go" or "wait"."""

    label: Text
    big: Text
    lines: Sequence[Text]
    style: str


@dataclass(frozen=True)
class Picture(Block):
    """One figure: headline, SVG bytes, text in its place, and caption."""

    title: str
    svg: bytes
    alt: str
    caption: Text

    @property
    def uri(self) -> str:
        """The SVG as a data URI; as an image its ids and styles cannot meet the page's."""
        return "data:image/svg+xml;base64," + base64.b64encode(self.svg).decode()


@dataclass(frozen=True)
class Table(Block):
    """A table; the first cell of each row heads it; `numeric` columns are set to the right.

    One of more than five columns is given room to scroll on a narrow screen, unless `compact`.
    """

    caption: Text
    head: Sequence[Text]
    rows: Sequence[Sequence[Text]]
    numeric: Collection[int] = ()
    compact: bool = False

    def __bool__(self) -> bool:
        return bool(self.rows)


@dataclass(frozen=True)
class Folded(Block):
    """Blocks behind a summary that opens."""

    summary: Text
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Section:
    """One section of the page; with an `answer` it is folded behind title and answer."""

    anchor: str
    title: str
    blocks: Sequence[Block]
    answer: Text = ""


def say(template: str, *parts: object, **named: object) -> Markup:
    """`template`, written in this package, with each part escaped unless it is markup."""
    return Markup(template).format(*parts, **named)


def pointer(*keys: str | int) -> str:
    """JSON pointer to a place in the twin, percent-encoded (RFC 6901, section 6, without "#").

    So encoded, a name with invisible marks stays harmless in the page's source.
    """
    parts = (str(key).replace("~", "~0").replace("/", "~1") for key in keys)
    return "".join("/" + quote(part, safe="~") for part in parts)


def resolve(twin: Any, path: str) -> Any:
    """What stands in the twin at a pointer made by `pointer`."""
    at = twin
    for part in path.split("/")[1:]:
        key = unquote(part).replace("~1", "/").replace("~0", "~")
        at = at[int(key)] if isinstance(at, list) else at[key]
    return at


WIDE = 10.0
"""A range whose ends differ by a larger factor is told by its lower end alone."""
Fineness = str | int
"""How fine a number is printed: its unit, of which `DECIMALS` tells, or decimals."""


def decimals_of(fine: Fineness) -> int:
    """Decimals to print."""
    return DECIMALS[fine] if fine in DECIMALS else int(fine)


class Numbers:
    """Prints numbers of one twin. Each method returns a `<data>` element, or words around some.

    Attributes of the element: `value`, the twin's number; `data-k`, its JSON pointer; `data-as`
    where it is printed in hundredths ("in100"), as a chance to the nearest 5 in 100 ("near5"), as
    what is left of a hundred beside one ("not5"), as days in ten ("in10") or without its sign
    ("size"). Units are not printed.
    """

    def __init__(self, twin: dict[str, Any]) -> None:
        self.twin = twin

    def get(self, path: str) -> Any:
        """What stands at `path`."""
        return resolve(self.twin, path)

    def each(self, path: str) -> list[tuple[str, Any]]:
        """(pointer, what stands there) of each item of the list at `path`."""
        return [(f"{path}/{i}", item) for i, item in enumerate(self.get(path))]

    def say(self, template: str, **named: object) -> Markup:
        """A sentence with its numbers in their places.

        `{/seed}` prints the number at that pointer as a count. After a colon stands how else:
        decimals or a unit (`{/chamber/region/low:NBS}`), a method of this class
        (`{/magnesium/keeps_up_probability:odds}`), or both (`{/water_volume_l:middle L}`). `{name}`
        is a named part, escaped unless it is markup; `{name/key}` and `{name:how}` print what
        stands at a pointer so named, or at a key below it.
        """
        said = Markup("")
        for text, field, how, _ in Formatter().parse(template):
            said += Markup(text)
            if field is not None:
                start, slash, rest = field.partition("/")
                if slash or how:
                    path = f"{named[start] if start else ''}{slash}{rest}"
                    said += self._told(path, (how or "").format(**named))
                else:
                    said += say("{}", named[field])
        return said

    def _told(self, path: str, how: str) -> Markup:
        form, _, fine = how.partition(" ")
        told: Callable[..., Markup] | None = getattr(self, form, None)
        if told is None:
            return self(path, how or 0)
        return told(path, fine) if fine else told(path)

    def para(self, template: str, style: str = "", **named: object) -> Prose:
        """A paragraph of `say`."""
        return Prose(self.say(template, **named), style)

    def row(self, cells: str, **named: object) -> list[Text]:
        """A row of a table: cells as in `say`, set apart by " | "."""
        return [self.say(cell, **named) for cell in cells.split(" | ")]

    def _data(self, path: str, shown: str, told_as: str = "") -> Markup:
        mark = say(' data-as="{}"', told_as) if told_as else ""
        return say('<data value="{}" data-k="{}"{}>{}</data>', self.get(path), path, mark, shown)

    def __call__(self, path: str, fine: Fineness) -> Markup:
        """The number at `path`; words where it is null."""
        value = self.get(path)
        if value is None:
            return Markup("not known")
        return self._data(path, fixed(value, decimals_of(fine)))

    def words(self, path: str) -> Markup:
        """A sentence that the twin holds; what stands in backticks there is set as code."""
        pieces = plain(str(self.get(path))).split("`")
        shown = (say("<code>{}</code>" if i % 2 else "{}", piece) for i, piece in enumerate(pieces))
        return say('<span data-k="{}">{}</span>', path, Markup("").join(shown))

    def signed(self, path: str, fine: Fineness) -> Markup:
        """A change: with its sign, also where it is a rise."""
        text = fixed(self.get(path), decimals_of(fine))
        rises = not text.startswith("−") and float(text) > 0
        return self._data(path, "+" + text if rises else text)

    def size(self, path: str, fine: Fineness) -> Markup:
        """A number without its sign, for words that tell the side."""
        return self._data(path, fixed(abs(self.get(path)), decimals_of(fine)), "size")

    def whole(self, path: str) -> Markup:
        """A count."""
        return self(path, 0)

    def flow(self, path: str) -> Markup:
        """A flow, mL/h, at the pump's precision."""
        pump = self.get("/tank/pump")
        return self(path, step_decimals(pump["step"]) if pump else 0)

    def signed_flow(self, path: str) -> Markup:
        """A change of the flow, mL/h, with its sign."""
        pump = self.get("/tank/pump")
        return self.signed(path, step_decimals(pump["step"]) if pump else 0)

    def middle(self, path: str, fine: Fineness) -> Markup:
        """The median of the Q at `path`."""
        return self(f"{path}/q50", fine)

    def span(self, path: str, fine: Fineness) -> Markup:
        """ "a to b": the 9-in-10 range of the Q at `path`; "a or more" where b is over `WIDE` a."""
        low = self.get(f"{path}/q05")
        if low > 0 and self.get(f"{path}/q95") > WIDE * low:
            return say("{} or more", self(f"{path}/q05", fine))
        return say("{} to {}", self(f"{path}/q05", fine), self(f"{path}/q95", fine))

    def around(self, path: str, fine: Fineness) -> Markup:
        """ "m (a to b)": median and 9-in-10 range of the Q at `path`."""
        return say("{} ({})", self.middle(path, fine), self.span(path, fine))

    def ml(self, path: str) -> Markup:
        """A dose, mL, as it can be measured: whole from 10 on, else tenths."""
        value = self.get(path)
        return self(path, needed_decimals(value, 1) if abs(value) < 10 else 0)

    def ml_change(self, path: str) -> Markup:
        """A change of a dose, mL, with its sign."""
        value = self.get(path)
        return self.signed(path, needed_decimals(value, 1) if abs(value) < 10 else 0)

    def in_hundred(self, path: str) -> Markup:
        """A fraction as a count in 100."""
        return self._data(path, fixed(100 * self.get(path), 0), "in100")

    def share(self, path: str) -> Markup:
        """A fraction as per cent."""
        return say("{}\N{NO-BREAK SPACE}%", self.in_hundred(path))

    def odds(self, path: str) -> Markup:
        """A probability as a count in 100, to the nearest 5 and never none or all."""
        return self._near(path, self.get(path), "near5")

    def left(self, path: str) -> Markup:
        """What is left of a hundred beside a probability, likewise."""
        return self._near(path, 1 - self.get(path), "not5")

    def _near(self, path: str, chance: float, told_as: str) -> Markup:
        bound, shown = nearest_five(chance)
        return say("{}{}", bound, self._data(path, fixed(shown, 0), told_as))

    def days_in_ten(self, path: str) -> Markup:
        """A share of days as days in ten, to the nearest half and never none or all."""
        bound, shown = nearest_five(self.get(path))
        shown /= 10
        return say("{}{}", bound, self._data(path, fixed(shown, needed_decimals(shown, 1)), "in10"))

    def small_chance(self, path: str) -> Markup:
        """A probability as per cent, in words where it rounds to none."""
        if self.get(path) >= 0.01:
            return self.share(path)
        return self._data(path, "under 1\N{NO-BREAK SPACE}%")

    def chance(self, path: str, so: Text, not_so: Text) -> Markup:
        """ "likely (80 in 100) that …": the likelier side in words, with its number.

        Args:
            path: of a probability.
            so: what holds with it.
            not_so: what holds otherwise.
        """
        _, shown = nearest_five(self.get(path))
        word, positive = chance_sides(shown / 100)
        number = self.odds(path) if positive else self.left(path)
        return say("{} ({} in 100) that {}", word, number, so if positive else not_so)


def moment(iso: str) -> Markup:
    """A time of the log, to the minute."""
    at = datetime.fromisoformat(iso)
    return _time(iso, f"{date_words(at)}, {at:%H:%M}")


def day(iso: str) -> Markup:
    """A date."""
    return _time(iso, date_words(datetime.fromisoformat(iso)))


def short_day(iso: str) -> Markup:
    """A date without its year, for tables."""
    at = datetime.fromisoformat(iso)
    return _time(iso, f"{at.day}\N{NO-BREAK SPACE}{MONTHS[at.month - 1]}")


def near_day(iso: str) -> Markup:
    """A date of the days around today: with its weekday, without its year."""
    at = datetime.fromisoformat(iso)
    return _time(iso, _weekday(at))


def near_moment(iso: str) -> Markup:
    """A time of the days around today."""
    at = datetime.fromisoformat(iso)
    return _time(iso, f"{_weekday(at)}, {at:%H:%M}")


def _weekday(at: datetime) -> str:
    day = f"{DAYS[at.weekday()]}\N{NO-BREAK SPACE}{at.day}"
    return f"{day}\N{NO-BREAK SPACE}{MONTHS[at.month - 1]}"


def _time(iso: str, words: str) -> Markup:
    return say('<time datetime="{}">{}</time>', iso, words)
